"""The tables and keys of the config, with their types and ranges; nothing here looks across tables.

Strict on purpose: ``"588"`` is not a number, ``1`` is not ``true``, and an unknown key is a mistake, since a
key that is silently ignored is found out under the stars.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Side = Literal["inward", "outward"]
Text = Annotated[str, Field(min_length=1, max_length=500, pattern=r"^[^\x00-\x1f\x7f]+$")]
Keyword = Annotated[str, Field(min_length=1, max_length=68, pattern=r"^[A-Z0-9_\- ]+$")]
Steps = Annotated[float, Field(ge=-1e8, le=1e8)]
Share = Annotated[float, Field(gt=0.0, lt=1.0)]
ClockTime = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Words = Annotated[tuple[Text, ...], Field(strict=False, min_length=1, max_length=200)]


class Table(BaseModel):
    """What every table of the config has in common."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class RigTable(Table):
    """What the rig is called in the profile and the report."""

    name: Text = "unnamed rig"


class OpticsTable(Table):
    """The telescope and the sensor; ``aperture_mm`` is the clear diameter behind the mask."""

    focal_length_mm: Annotated[float, Field(ge=10.0, le=100_000.0)]
    aperture_mm: Annotated[float, Field(ge=5.0, le=10_000.0)]
    obstruction_ratio: Annotated[float, Field(ge=0.0, lt=1.0)]
    pixel_um: Annotated[float, Field(ge=0.5, le=100.0)]
    step_um: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None


class MaskTable(Table):
    """The mask: period is slit plus bar, the arm angle between the straight set and one tilted set."""

    slit_period_mm: Annotated[float, Field(gt=0.0, le=1000.0)]
    arm_angle_deg: Annotated[float, Field(gt=0.0, lt=90.0)]
    slit_duty: Share | None = None
    orientation_deg: Annotated[float, Field(ge=-360.0, le=360.0)] | None = None


class FitsTable(Table):
    """Which header keyword carries what, and which plane of a colour mosaic is measured."""

    position: Keyword | None = None
    temperature: Keyword | None = None
    filter: Keyword = "FILTER"
    exposure: Keyword = "EXPTIME"
    time: Keyword = "DATE-OBS"
    pixel_um: Keyword | None = None
    electrons_per_adu: Keyword | None = None
    mosaic: Annotated[str, Field(pattern="^[RGBL]{4}$")] | None = None
    plane: Literal["R", "G", "G1", "G2", "B", "L"] | None = None


class CameraTable(Table):
    """The camera's numbers, and for the commands that expose how a frame is asked for.

    A frame has to be there ``allowance_s`` after its exposure. ``keep`` says what becomes of a run's own
    frames after its results are written; beyond ``keep_at_most_gb`` the oldest runs lose theirs.
    """

    electrons_per_adu: Annotated[float, Field(gt=0.0, le=1e6)]
    read_noise_electrons: Annotated[float, Field(ge=0.0, le=1000.0)]
    saturation_adu: Annotated[float, Field(gt=0.0, le=1e9)]
    pedestal_adu: Annotated[float, Field(ge=0.0, le=1e9)]
    kind: Literal["simulated", "command", "folder"] | None = None
    command: Words | None = None
    folder: Text | None = None
    allowance_s: Annotated[float, Field(gt=0.0, le=3600.0)] = 60.0
    keep: Literal["all", "cutouts", "none"] = "all"
    keep_at_most_gb: Annotated[float, Field(gt=0.0, le=1e6)] | None = None


class MeasureTable(Table):
    """How frames without a mask are measured: every usable star of the field, or the brightest one."""

    stars: Literal["field", "one"] = "field"


class FilterTable(Table):
    """One filter: ``width_nm`` is the full width of its band, flat in photons.

    A run chooses exposures between ``shortest_s`` (a twentieth of ``exposure_s`` when absent) and
    ``longest_s`` (``exposure_s`` itself).
    """

    name: Text
    centre_nm: Annotated[float, Field(ge=200.0, le=2500.0)]
    width_nm: Annotated[float, Field(gt=0.0, le=2000.0)]
    exposure_s: Annotated[float, Field(gt=0.0, le=3600.0)]
    shortest_s: Annotated[float, Field(gt=0.0, le=3600.0)] | None = None
    longest_s: Annotated[float, Field(gt=0.0, le=3600.0)] | None = None
    reference: bool = False
    slot: Annotated[int, Field(ge=0, le=99)] | None = None


class FocuserTable(Table):
    """The focuser: which way its counts rise, and how to reach and treat it.

    ``leave_at`` says where a run leaves it, on its final side: at the reference filter's focus (where it was
    found, when that is not known), where it was found with the filter that was in place, or where it ends.
    """

    outward: Literal["rising", "falling"] = "rising"
    port: Text | None = None
    description: Text | None = None
    overshoot_steps: Annotated[float, Field(gt=0.0, le=100_000.0)] | None = None
    final_side: Side = "inward"
    tolerance_steps: Annotated[float, Field(ge=0.0, le=1000.0)] = 1.0
    compensation: Literal["none", "controller", "unknown"] = "unknown"
    leave_at: Literal["focus", "found", "stay"] = "focus"


class LimitsTable(Table):
    """Soft limits in the controller's own counts; targets and overshoots both stay inside."""

    low_steps: Steps
    high_steps: Steps


class WheelTable(Table):
    """The filter wheel."""

    port: Text
    description: Text


class ThermometerTable(Table):
    """Where the tube's temperature comes from; the kernel's files hold thousandths of a degree."""

    kind: Literal["focuser", "serial", "file", "none"]
    port: Text | None = None
    description: Text | None = None
    file: Text | None = None
    degrees_per_unit: Annotated[float, Field(gt=0.0, le=1000.0)] = 0.001
    oldest_s: Annotated[float, Field(gt=0.0, le=86_400.0)] = 120.0
    frozen_after_s: Annotated[float, Field(gt=0.0, le=86_400.0)] | None = None


class TemperatureGate(Table):
    """Hold while the temperature moves fast: trip above one rate, resume below a lower one.

    Rates are taken over ``over_s``. The levels in critical focus zones stand in for those in degrees once a
    profile knows the temperature coefficient. ``when_fast = "choose"`` goes on instead of holding where the
    hold would outlast the star, the night or the longest hold.
    """

    trip_c_per_h: Annotated[float, Field(gt=0.0, le=100.0)]
    resume_c_per_h: Annotated[float, Field(ge=0.0, le=100.0)]
    departure_c: Annotated[float, Field(gt=0.0, le=50.0)] | None = None
    departure_resume_c: Annotated[float, Field(ge=0.0, le=50.0)] | None = None
    trip_zones_per_h: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None
    resume_zones_per_h: Annotated[float, Field(ge=0.0, le=1000.0)] | None = None
    departure_zones: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None
    over_s: Annotated[float, Field(ge=180.0, le=7200.0)] = 900.0
    when_fast: Literal["choose", "hold", "interleave"] = "choose"
    settle_s: Annotated[float, Field(ge=0.0, le=7200.0)] = 120.0
    longest_hold_s: Annotated[float, Field(gt=0.0, le=86_400.0)] = 3600.0


class StarGate(Table):
    """Hold while the star is dimmer than a share of its best (cloud), gone, or its mask is not as needed.

    While it holds, a look is taken every ``look_every_s`` to see whether the star is back.
    """

    trip_share: Share
    resume_share: Share
    look_every_s: Annotated[float, Field(ge=1.0, le=3600.0)] = 30.0
    settle_s: Annotated[float, Field(ge=0.0, le=7200.0)] = 30.0
    longest_hold_s: Annotated[float, Field(gt=0.0, le=86_400.0)] = 3600.0


class DewTable(Table):
    """End the run when light is lost slowly and one way only while the star's halo grows."""

    loss_share: Share = 0.3
    growth_share: Share = 0.1
    over_s: Annotated[float, Field(ge=120.0, le=14_400.0)] = 1200.0


class SunGate(Table):
    """Hold at dusk until the Sun is below ``resume_deg``; end at dawn above ``highest_deg``."""

    highest_deg: Annotated[float, Field(ge=-30.0, le=10.0)]
    resume_deg: Annotated[float, Field(ge=-60.0, le=10.0)] | None = None
    longest_hold_s: Annotated[float, Field(gt=0.0, le=86_400.0)] = 7200.0


class WindowGate(Table):
    """Hold until a window of the clock on the wall opens; end the run when it has closed."""

    begin: ClockTime
    end: ClockTime
    longest_hold_s: Annotated[float, Field(gt=0.0, le=86_400.0)] = 7200.0


class DiskGate(Table):
    """Stop taking frames when the disk runs full."""

    least_free_gb: Annotated[float, Field(gt=0.0, le=1e6)]
    resume_free_gb: Annotated[float, Field(gt=0.0, le=1e6)] | None = None


class GatesTable(Table):
    """What must hold before each observation; a gate that is left out is not watched."""

    temperature: TemperatureGate | None = None
    star: StarGate | None = None
    dew: DewTable | None = None
    sun: SunGate | None = None
    window: WindowGate | None = None
    disk: DiskGate | None = None


class RoutinesTable(Table):
    """Where the routines begin, the play that they are prepared for, and when enough is known; motor steps.

    Half-widths are those of the 95 % intervals; left out, they follow from the smallest critical focus zone.
    """

    start_steps: Steps | None = None
    largest_backlash_steps: Annotated[float, Field(gt=0.0, le=100_000.0)] = 300.0
    offset_half_width_steps: Annotated[float, Field(gt=0.0, le=100_000.0)] | None = None
    backlash_half_width_steps: Annotated[float, Field(gt=0.0, le=100_000.0)] | None = None
    budget_s: Annotated[float, Field(ge=60.0, le=86_400.0)] = 2400.0


class StarTable(Table):
    """The calibration star, for the record; its colour weights a broad band."""

    name: Text | None = None
    colour_bv_mag: Annotated[float, Field(ge=-1.0, le=6.0)] | None = None
    altitude_deg: Annotated[float, Field(ge=0.0, le=90.0)] | None = None
    low_at: ClockTime | None = None


class PortTable(Table):
    """The port for a program that does not compensate by itself: a link to a pseudo-terminal, or TCP.

    It speaks the focuser's own description. The limits are those of the asked places, inside [limits].
    """

    link: Text | None = None
    listen: Annotated[str, Field(pattern=r"^[A-Za-z0-9.\-]+:[0-9]{1,5}$")] | None = None
    low_steps: Steps | None = None
    high_steps: Steps | None = None
    temperature: bool = False


class SimulatedTable(Table):
    """The simulated rig that stands in for devices: built-in, or a rig file of one's own."""

    rig: Text = "built-in"
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    speed: Annotated[float, Field(ge=0.0, le=1e6)] = 0.0
    looks: Literal["frames", "numbers"] = "frames"
    folder: Text | None = None


class ServiceTable(Table):
    """How the service behaves: where it listens, and what becomes of a run that was interrupted."""

    listen: Text = "127.0.0.1:8642"
    hosts: Annotated[tuple[Text, ...], Field(strict=False, max_length=50)] = ()
    token_file: Text | None = None
    on_restart: Literal["resume", "ask", "leave"] = "resume"
    resume_within_s: Annotated[float, Field(ge=0.0, le=7 * 86_400.0)] = 3600.0
    timezone: Text | None = None


class SiteTable(Table):
    """Where the telescope stands; latitude north and longitude east are positive."""

    latitude_deg: Annotated[float, Field(ge=-90.0, le=90.0)]
    longitude_deg: Annotated[float, Field(ge=-180.0, le=180.0)]


class HooksTable(Table):
    """Commands run without a shell at certain moments; without one for the mask a person is asked.

    In order: ``before``, ``guiding_pause``, ``point`` (bring a star to the middle), the mask; afterwards the
    mask again, ``guiding_resume`` and ``after``, the last two also after a failure.
    ``mask = "stays_on"`` says that the mask is on whenever a run begins, so nobody is asked.
    """

    before: Words | None = None
    after: Words | None = None
    point: Words | None = None
    guiding_pause: Words | None = None
    guiding_resume: Words | None = None
    mask_on: Words | None = None
    mask_off: Words | None = None
    mask: Literal["asked", "stays_on"] = "asked"
    within_s: Annotated[float, Field(gt=0.0, le=3600.0)] = 120.0


class ScheduleTable(Table):
    """One thing to be started without being asked: exactly one of the four moments must be given.

    ``at`` is a cron line (minute, hour, day, month, weekday) in the service's time zone; ``every_s`` an
    interval; ``sun_below_deg`` the evening moment at which the Sun sinks below an altitude, plus
    ``minutes_after``; ``temperature_shift_c`` a change since the last check, looked for every
    ``look_every_s`` and acted on at most once in ``cool_down_s``.
    """

    name: Text
    routine: Text
    at: Text | None = None
    every_s: Annotated[float, Field(ge=60.0, le=366 * 86_400.0)] | None = None
    sun_below_deg: Annotated[float, Field(ge=-60.0, le=10.0)] | None = None
    minutes_after: Annotated[float, Field(ge=0.0, le=1440.0)] = 0.0
    temperature_shift_c: Annotated[float, Field(gt=0.0, le=50.0)] | None = None
    cool_down_s: Annotated[float, Field(ge=60.0, le=7 * 86_400.0)] = 1800.0
    look_every_s: Annotated[float, Field(ge=30.0, le=86_400.0)] = 300.0
    window: Annotated[tuple[ClockTime, ...], Field(strict=False, min_length=2, max_length=2)] | None = None
    only_while_sun_below_deg: Annotated[float, Field(ge=-60.0, le=10.0)] | None = None
    if_missed: Literal["skip", "run_once"] = "skip"
    latest_s: Annotated[float, Field(ge=60.0, le=86_400.0)] = 1800.0
