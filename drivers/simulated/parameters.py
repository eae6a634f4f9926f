"""Every hidden number of a simulated rig, drawn from its name and a seed.

Only the rig's own process and ``truth`` read this: whoever measures the rig must find these numbers out.
Two rigs of our own invention are built in; a TOML file may start from either and change any number.
"""

from __future__ import annotations

import dataclasses
import math
import tomllib
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from drivers.simulated.detector import Detector
from drivers.simulated.mechanics import Train
from drivers.simulated.pupil import Aberrations, Spider, Telescope
from drivers.simulated.weather import Wave, Weather
from routines.optics import Band, Mask, Optics

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Rng = np.random.Generator
Part = TypeVar("Part", bound="DataclassInstance")
BUILT_IN = ("refractor-112", "reflector-190")
NIGHT_BEGINS_UNIX_S = 1_768_417_200.0  # 2026-01-14T19:00:00Z


@dataclass(frozen=True, slots=True)
class Glass:
    """One filter: its band, how much it lets through, and where focus falls with it.

    ``focus_um`` is the band's mean focus against the reference filter's, outward; slope and bend say how
    focus runs with wavelength inside the band.
    """

    band: Band
    throughput: float
    focus_um: float
    focus_slope_um_per_um: float = 0.0
    focus_bend_um_per_um2: float = 0.0

    def focus_at_um(self, wavelength_um: float) -> float:
        """Return the focus at a wavelength less the band's mean focus."""
        off = wavelength_um - self.band.centre_nm * 1e-3
        bend = off**2 - (self.band.width_nm * 1e-3) ** 2 / 12.0
        return self.focus_slope_um_per_um * off + self.focus_bend_um_per_um2 * bend


@dataclass(frozen=True, slots=True)
class Motor:
    """The focuser's motor and counter; ``start_count`` is where the night begins, in the counter's counts.

    ``start_slack`` is how much of the play lies open then: 0 as if last moved inward, 1 outward.
    """

    lowest: int = 0
    highest: int = 60_000
    speed_steps_per_s: int = 400
    start_count: int = 20_000
    start_slack: float = 0.0
    outward: int = 1
    take_up: int = 0
    has_probe: bool = True


@dataclass(frozen=True, slots=True)
class Tube:
    """Where focus is: ``best_steps`` is the drawtube's place for the reference filter at ``reference_c``."""

    step_um: float
    best_steps: float
    reference_c: float
    steps_per_c: float


@dataclass(frozen=True, slots=True)
class StarField:
    """The calibration star, its neighbours, the sky behind them, and how well the mount holds them.

    Rates are electrons per second and nanometre of band through the whole clear aperture (sky: per pixel).
    """

    star_rate: float = 9_000.0
    companion_ratio: float = 0.0
    companion_px: tuple[float, float] = (23.0, -14.0)
    field_stars: int = 90
    brightest_rate: float = 60.0
    sky_rate: float = 0.01
    sky_gradient: float = 0.1
    pointing_px: float = 6.0
    drift_px_per_s: tuple[float, float] = (0.02, -0.015)
    jitter_px: float = 0.25
    altitude_deg: float = 62.0
    zenith_deg: float = 80.0
    flicker: float = 0.02
    curvature_um_per_mm2: float = 0.0


@dataclass(frozen=True, slots=True)
class Rig:
    """One simulated rig, complete."""

    name: str
    seed: int
    telescope: Telescope
    detector: Detector
    filters: tuple[Glass, ...]
    reference_filter: str
    train: Train
    motor: Motor
    tube: Tube
    weather: Weather
    stars: StarField
    readout_s: float = 0.8
    night_begins_unix_s: float = NIGHT_BEGINS_UNIX_S
    weather_by_number: bool = False

    def glass(self, name: str) -> Glass:
        """Return a filter by name; KeyError when the rig has none such."""
        for glass in self.filters:
            if glass.band.name == name:
                return glass
        raise KeyError(name)

    def defocus_um(self, place_steps: float, filter_name: str, tube_c: float) -> float:
        """Return the sensor's place against the band's mean focus, outward positive."""
        tube = self.tube
        best = tube.best_steps + tube.steps_per_c * (tube_c - tube.reference_c)
        return tube.step_um * (place_steps - best) - self.glass(filter_name).focus_um


def load_rig(name: str, seed: int) -> Rig:
    """Return a built-in rig by name, or one from a TOML file; ValueError says what is wrong with it."""
    if name in ("built-in", BUILT_IN[0]):
        return _refractor(seed)
    if name == BUILT_IN[1]:
        return _reflector(seed)
    path = Path(name)
    if not path.is_file():
        raise ValueError(f"no rig called {name!r}: built in are {', '.join(BUILT_IN)}, or give a TOML file")
    with path.open("rb") as stream:
        changes = tomllib.load(stream)
    base = load_rig(changes.pop("base", BUILT_IN[0]), int(changes.pop("seed", seed)))
    mirrored = bool(changes.pop("mirrored", False))
    changed = _changed(base, changes, str(path))
    return _mirrored(changed) if mirrored else changed


def _mirrored(rig: Rig) -> Rig:
    """Return the rig with a counter that falls outward: same counts, the scale of places turned round.

    The drawtube starts as far from focus as before, on the other side.
    """
    slack_steps = rig.motor.start_slack * rig.train.lost_motion_steps
    start = round(rig.motor.start_count - 2.0 * slack_steps)
    motor = replace(rig.motor, outward=-1, start_count=start)
    return replace(rig, motor=motor, tube=replace(rig.tube, best_steps=-rig.tube.best_steps))


def _changed(part: Part, changes: dict[str, Any], place: str) -> Part:
    """Return a frozen part with the named numbers replaced, tables going down into its parts."""
    known = {item.name for item in dataclasses.fields(part)}
    values: dict[str, Any] = {}
    for key, value in changes.items():
        if key not in known:
            raise ValueError(f"{place}: unknown key {key!r}; known are {', '.join(sorted(known))}")
        present = getattr(part, key)
        if isinstance(value, dict):
            values[key] = _changed_table(present, value, f"{place}: {key}")
        else:
            values[key] = tuple(value) if isinstance(present, tuple) else value
    return replace(part, **values)


def _changed_table(present: Any, changes: dict[str, Any], place: str) -> Any:
    """Return a changed part; the tuple of filters is a table by filter name."""
    if not isinstance(present, tuple):
        return _changed(present, changes, place)
    by_name = {glass.band.name: glass for glass in present}
    for name, values in changes.items():
        if name not in by_name:
            raise ValueError(f"{place}: no filter {name!r}")
        by_name[name] = _changed(by_name[name], values, f"{place}.{name}")
    return tuple(by_name.values())


def _rng(name: str, seed: int) -> Rng:
    return np.random.default_rng([zlib.crc32(name.encode()), seed])


def _refractor(seed: int) -> Rig:
    """Return a 112 mm refractor of 588 mm with seven filters."""
    rng = _rng(BUILT_IN[0], seed)
    bands = _seven_bands()
    optics = Optics(588.0, 112.0 * rng.uniform(0.993, 1.002), 0.0, 3.9)
    step_um = rng.uniform(2.4, 3.6)
    slope, bend = rng.normal(0.0, 60.0), rng.uniform(350.0, 800.0)
    best = rng.uniform(18_000.0, 24_000.0)
    weather = _night(rng, seed, seeing_arcsec=rng.uniform(2.0, 3.0))
    train = _train(rng, rng.uniform(60.0, 150.0), rng.uniform(4.0, 26.0))
    return Rig(
        name=BUILT_IN[0],
        seed=seed,
        telescope=Telescope(
            optics,
            _mask(rng, 2.0, int(rng.choice([-1, 1]))),
            aberrations=_aberrations(rng, 0.008, spherochromatism=0.02),
        ),
        detector=Detector(electrons_per_adu=0.78, read_noise_electrons=3.2, pattern_seed=seed),
        filters=_filters(rng, bands, slope, bend, glass_um=38.0),
        reference_filter="L",
        train=train,
        motor=_motor(rng, best, 60.0, train, speed=400),
        tube=Tube(step_um, best, weather.tube_c(0.0), -13.5 / step_um * rng.uniform(0.8, 1.5)),
        weather=weather,
        stars=_stars(rng, rate=9_000.0, curvature=-0.9),
    )


def _reflector(seed: int) -> Rig:
    """Return an obstructed 190 mm reflector of 1,750 mm with seven filters."""
    rng = _rng(BUILT_IN[1], seed)
    bands = _seven_bands()
    optics = Optics(1750.0, 190.0 * rng.uniform(0.994, 1.002), rng.uniform(0.31, 0.335), 3.76)
    step_um = rng.uniform(4.5, 6.5)
    best = rng.uniform(9_000.0, 14_000.0)
    weather = _night(rng, seed, seeing_arcsec=rng.uniform(1.8, 2.8))
    train = _train(rng, rng.uniform(70.0, 150.0), rng.uniform(4.0, 28.0))
    return Rig(
        name=BUILT_IN[1],
        seed=seed,
        telescope=Telescope(
            optics,
            _mask(rng, 6.0, int(rng.choice([-1, 1]))),
            Spider(4, rng.uniform(0.8, 1.6), rng.uniform(0.0, 90.0)),
            _aberrations(rng, 0.010, spherochromatism=0.0),
        ),
        detector=Detector(
            electrons_per_adu=0.25,
            read_noise_electrons=1.5,
            pedestal_adu=240.0,
            full_well_electrons=16_300.0,
            pattern_seed=seed,
        ),
        filters=_filters(rng, bands, rng.normal(0.0, 30.0), rng.uniform(0.0, 300.0), glass_um=80.0),
        reference_filter="L",
        train=train,
        motor=_motor(rng, best, 70.0, train, speed=350),
        tube=Tube(step_um, best, weather.tube_c(0.0), -30.0 / step_um * rng.uniform(0.7, 1.4)),
        weather=weather,
        stars=_stars(rng, rate=9_000.0, curvature=-0.3),
        readout_s=0.8,
    )


def _seven_bands() -> tuple[tuple[Band, float], ...]:
    """Return the bands of a common set of filters, and what share of the light each lets through."""
    return (
        (Band("L", 550.0, 300.0), 0.95),
        (Band("R", 635.0, 90.0), 0.93),
        (Band("G", 530.0, 80.0), 0.95),
        (Band("B", 455.0, 80.0), 0.90),
        (Band("Ha", 656.3, 6.0), 0.88),
        (Band("SII", 671.6, 6.0), 0.82),
        (Band("OIII", 500.7, 6.0), 0.85),
    )


def _filters(
    rng: Rng, bands: tuple[tuple[Band, float], ...], slope: float, bend: float, glass_um: float
) -> tuple[Glass, ...]:
    """Return the filters with a lens's colour and plates of not quite one thickness; the first is at zero.

    A plane plate moves focus outward by about a third of its thickness (n near 1.5).
    """
    raw = []
    for band, throughput in bands:
        off, width = band.centre_nm * 1e-3 - 0.55, band.width_nm * 1e-3
        mean = slope * off + bend * (off**2 + width**2 / 12.0)
        raw.append((band, throughput, mean + rng.normal(0.0, glass_um), slope + 2.0 * bend * off))
    return tuple(Glass(band, passed, focus - raw[0][2], local, bend) for band, passed, focus, local in raw)


def _mask(rng: Rng, period_mm: float, tilt: int) -> Mask:
    upper, lower = rng.spawn(1)[0].uniform(size=2)
    return Mask(
        slit_period_mm=period_mm,
        arm_angle_deg=20.0,
        slit_duty=float(rng.uniform(0.44, 0.55)),
        orientation_deg=float(rng.uniform(-180.0, 180.0)),
        tilt=tilt,
        slit_phases=(float(rng.uniform()), float(upper), float(lower)),
    )


def _aberrations(rng: Rng, rms_um: float, spherochromatism: float) -> Aberrations:
    terms = [float(value) for value in rng.normal(0.0, rms_um, 6)]
    return Aberrations(
        spherical_um=terms[0],
        coma_x_um=terms[1],
        coma_y_um=terms[2],
        astigmatism_um=terms[3],
        astigmatism_45_um=terms[4],
        trefoil_um=0.5 * terms[5],
        spherochromatism_per_um=float(rng.normal(0.0, spherochromatism)) if spherochromatism else 0.0,
    )


def _train(rng: Rng, play_steps: float, spread_steps: float) -> Train:
    return Train(
        play_steps=float(play_steps),
        spread_steps=float(spread_steps),
        periodic_steps=float(rng.uniform(0.0, 0.6)),
        period_steps=float(rng.uniform(300.0, 900.0)),
        periodic_phase_rad=float(rng.uniform(0.0, 2.0 * math.pi)),
    )


def _motor(rng: Rng, best_steps: float, near_steps: float, train: Train, speed: int) -> Motor:
    """Return a motor that starts as someone left it after focusing by eye."""
    slack = float(rng.random())
    start = best_steps + rng.uniform(-near_steps, near_steps) + slack * train.lost_motion_steps
    return Motor(speed_steps_per_s=speed, start_count=round(start), start_slack=slack)


def _night(rng: Rng, seed: int, seeing_arcsec: float) -> Weather:
    """Return an ordinary clear evening: cooling by some tenths of a degree an hour, with small wiggles."""
    mean_c = float(rng.uniform(2.0, 14.0))
    day = Wave(float(rng.uniform(2.0, 5.0)), 86_400.0, float(rng.uniform(2.6, 3.4)))
    wiggles = [
        Wave(float(rng.uniform(0.02, 0.12)), float(rng.uniform(900.0, 4000.0)), float(rng.uniform(0.0, 6.28)))
        for _ in range(3)
    ]
    return Weather(
        mean_c=mean_c,
        waves=(day, *wiggles),
        tube_lag_s=float(rng.uniform(300.0, 900.0)),
        probe_bias_c=float(rng.normal(0.0, 0.3)),
        seeing_fwhm_arcsec=float(seeing_arcsec),
        seed=seed,
    )


def _stars(rng: Rng, rate: float, curvature: float) -> StarField:
    return StarField(
        star_rate=rate * float(rng.uniform(0.7, 1.4)),
        field_stars=int(rng.integers(50, 140)),
        sky_gradient=float(rng.uniform(0.02, 0.2)),
        drift_px_per_s=(float(rng.normal(0.0, 0.03)), float(rng.normal(0.0, 0.03))),
        altitude_deg=float(rng.uniform(50.0, 80.0)),
        zenith_deg=float(rng.uniform(0.0, 360.0)),
        curvature_um_per_mm2=curvature,
    )
