"""From a config to the gates of a run: each table under [gates] becomes what is asked before every look."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.assembly import soft_limits
from daemon.clock import Clock
from daemon.gates import Gates, Judge, Level, Levels, disk_gate, limits_gate
from daemon.occasions import zone_of
from daemon.profile_store import ProfileDamaged, ProfileStore
from daemon.watch.night import NightEnd, SunRules, Window, sun_gate, window_gate
from daemon.watch.star import DewGate, DewRules, StarWatch, brightness_gate, mask_gate
from daemon.watch.temperature import (
    DepartureGate,
    FocusShift,
    PaceGate,
    Rules,
    TemperatureWatch,
    sensor_gate,
)
from drivers.errors import DeviceError
from drivers.roles import Focuser, Thermometer
from routines.observations import Observation

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.config.tables import TemperatureGate

_NEVER_C_PER_H = 1e6
_SUN_BAND_DEG = 1.0
EARLIER_WITHIN_S = 3600.0
"""How far back temperatures of earlier looks still tell how fast it moves."""


@dataclass(frozen=True, slots=True)
class Watched:
    """What the gates of one run look at; ``folder`` is where its frames go, ``state`` holds its profiles.

    ``earlier_c`` are temperatures that looks of the last while were taken at, with their POSIX times (s).
    """

    focuser: Focuser
    thermometer: Thermometer | None
    clock: Clock
    folder: Path | None = None
    state: Path | None = None
    earlier_c: tuple[tuple[float, float], ...] = ()


def gates_for(config: Config, watched: Watched) -> Gates:
    """Return the gates that a config asks for; those of limits and thermometer are always there."""
    limits, listeners = soft_limits(config), list[Callable[[Observation], None]]()
    gates: list[Judge] = [
        limits_gate(_position_level(watched.focuser), float(limits.lowest_steps), float(limits.highest_steps))
    ]
    night = _night_end(config)
    gates += _night_gates(config, night, watched)
    if watched.thermometer is not None:
        gates += _temperature_gates(config, watched, night, listeners)
    gates += _star_gates(config, listeners)
    disk = config.gates.disk
    if disk is not None and watched.folder is not None:
        gates.append(disk_gate(watched.folder, disk.least_free_gb, disk.resume_free_gb))
    return Gates(gates, listeners)


def glimpse_every_s(config: Config) -> float:
    """Return how often a look may tell whether the star is back."""
    return 30.0 if config.gates.star is None else config.gates.star.look_every_s


def focus_shift(state: Path | None, reference_filter: str) -> FocusShift | None:
    """Return what a degree does to focus as the latest profile knows it, None where it does not."""
    if state is None:
        return None
    try:
        profile = ProfileStore(state).latest()
    except ProfileDamaged:
        return None
    if profile is None or profile.temperature_coefficient_steps_per_c is None:
        return None
    known = profile.temperature_coefficient_steps_per_c.value
    one = next((item for item in profile.filters if item.name == reference_filter), None)
    zone = None if one is None else one.critical_focus_zone_steps
    if known is None or zone is None or not zone.value:
        return None
    return FocusShift(known, zone.value)


def _temperature_gates(
    config: Config, watched: Watched, night: NightEnd, listeners: list[Callable[[Observation], None]]
) -> list[Judge]:
    assert watched.thermometer is not None
    clock, table = watched.clock, config.thermometer
    oldest_s = 120.0 if table is None else table.oldest_s
    shift = focus_shift(watched.state, config.reference_filter)
    rules = _rules(config.gates.temperature, oldest_s, shift, lambda: night.left_s(clock.now()))
    frozen_s = None if table is None else table.frozen_after_s
    watch = TemperatureWatch(_temperature_level(watched.thermometer), rules.over_s, frozen_s)
    watch.remember(_on_this_clock(watched.earlier_c, clock))
    listeners.append(watch.note)
    gates: list[Judge] = [sensor_gate(watch, clock.monotonic, rules)]
    if config.gates.temperature is not None:
        gates.append(PaceGate(watch, rules))
    if rules.departure_trip is not None:
        gates.append(DepartureGate(watch, rules))
    return gates


def _on_this_clock(earlier: Iterable[tuple[float, float]], clock: Clock) -> list[tuple[float, float]]:
    """Return readings with their times on the monotonic scale; none from the future or of long ago."""
    now, here = clock.now().timestamp(), clock.monotonic()
    aged = [(now - at, value) for at, value in earlier]
    return [(here - age, value) for age, value in aged if 0.0 < age < EARLIER_WITHIN_S]


def _rules(
    table: TemperatureGate | None,
    oldest_s: float,
    shift: FocusShift | None,
    time_left_s: Callable[[], float | None],
) -> Rules:
    """Return the rules in focus zones where both config and profile allow it, else in degrees."""
    if table is None:
        return Rules(_NEVER_C_PER_H, _NEVER_C_PER_H, oldest_s=oldest_s, shift=shift)
    in_zones = shift is not None and table.trip_zones_per_h is not None
    trip, resume = table.trip_c_per_h, table.resume_c_per_h
    if in_zones and table.trip_zones_per_h is not None:
        half = table.trip_zones_per_h / 2.0
        trip = table.trip_zones_per_h
        resume = half if table.resume_zones_per_h is None else table.resume_zones_per_h
    departure = table.departure_c
    if in_zones:
        departure = table.departure_zones
    return Rules(
        trip,
        resume,
        departure,
        None if in_zones else table.departure_resume_c,
        "focus zones" if in_zones else "C",
        table.settle_s,
        table.longest_hold_s,
        oldest_s,
        table.over_s,
        table.when_fast,
        shift,
        time_left_s,
    )


def _star_gates(config: Config, listeners: list[Callable[[Observation], None]]) -> list[Judge]:
    gates: list[Judge] = []
    star, dew = config.gates.star, config.gates.dew
    if star is not None:
        watch = StarWatch({item.name: item.width_nm for item in config.filters})
        listeners.append(watch.note)
        levels = Levels(
            "star brightness",
            "of its best",
            star.trip_share,
            star.resume_share,
            "below",
            star.settle_s,
            star.longest_hold_s,
        )
        gates += [brightness_gate(watch, levels), mask_gate(watch, star.settle_s, star.longest_hold_s)]
    if dew is not None:
        gate = DewGate(DewRules(dew.loss_share, dew.growth_share, dew.over_s))
        listeners.append(gate.note)
        gates.append(gate)
    return gates


def _night_end(config: Config) -> NightEnd:
    window, low_at = config.gates.window, config.star.low_at
    zone = zone_of(config) if window is not None or low_at is not None else None
    return NightEnd(
        _sun_rules(config),
        None if window is None or zone is None else Window(window.begin, window.end, zone),
        None if low_at is None or zone is None else Window(low_at, low_at, zone),
    )


def _sun_rules(config: Config) -> SunRules | None:
    table, site = config.gates.sun, config.site
    if table is None or site is None:
        return None
    resume = table.highest_deg - _SUN_BAND_DEG if table.resume_deg is None else table.resume_deg
    return SunRules(site.latitude_deg, site.longitude_deg, table.highest_deg, resume, table.longest_hold_s)


def _night_gates(config: Config, night: NightEnd, watched: Watched) -> list[Judge]:
    gates: list[Judge] = []
    if night.sun is not None:
        gates.append(sun_gate(night.sun, watched.clock.now))
    if night.window is not None and config.gates.window is not None:
        gates.append(window_gate(night.window, config.gates.window.longest_hold_s, watched.clock.now))
    return gates


def _position_level(focuser: Focuser) -> Callable[[], Level]:
    def read() -> Level:
        try:
            return Level(float(focuser.position_steps()))
        except DeviceError:
            return Level(None)

    return read


def _temperature_level(thermometer: Thermometer) -> Callable[[], Level]:
    def read() -> Level:
        try:
            reading = thermometer.read()
        except DeviceError:
            return Level(None)
        return Level(reading.value_c, reading.age_s)

    return read
