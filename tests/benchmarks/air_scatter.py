"""Is what the atmosphere adds to u true? Repeats through hcipy's air, beside what the frames state.

Four telescopes, three strengths of turbulence; each run has a wind of 5 to 15 m/s of its own, a direction and
a defocus, and lasts some twenty seconds, which are read as exposures of 1, 4 and 20 s. Optics and mask are
known to the meter; seeing, place, flux and wind are not. Not all of a telescope is: vanes are left out.

`python -m tests.benchmarks.air_scatter --runs 8 --frames FOLDER` takes about an hour and keeps what it has
rendered; without words one run each, some ten minutes.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "outside"))

from air_exposures import Exposures, Scene
from hcipy_frames import Air
from masked_star import Bahtinov, Sensor, Telescope

from routines.measure.capture import Hint
from routines.measure.cutout import Detector, cut
from routines.measure.geometry import Geometry
from routines.measure.meter import Learnt, MaskHint, MaskMeter
from routines.optics import Band, Mask, Optics
from tests.benchmarks.spread import over_cores
from tests.benchmarks.timing import record

ORIENTATION_DEG, ARM_DEG = 33.0, 20.0
SLITS_A_FOCAL_LENGTH = 150.0  # slit period = focal length / 150: first orders 25 px out (common practice)
VANES_DEG = (45.0, 135.0, 225.0, 315.0)
TELESCOPES = (
    Telescope(500.0, 80.0),
    Telescope(784.0, 112.0),
    Telescope(1200.0, 200.0, 0.25, vanes_deg=VANES_DEG, vane_width_mm=1.5),
    Telescope(1960.0, 280.0, 0.3),
)
FRIED_MM = (50.0, 100.0, 150.0)
EXPOSURES_S = (1, 4, 20)
LONGEST_S = max(EXPOSURES_S)
SLOWEST_M_S, FASTEST_M_S = 5.0, 15.0
FARTHEST_ZONES = 1.5
ELECTRONS = 2e6
AIM = "aim: 0.8 to 1.25"
# A deep well: what saturation does is another benchmark's subject.
SENSOR = Sensor(ceiling_adu=6_000_000)


@dataclass(frozen=True, slots=True)
class Run:
    """Twenty seconds of one star: each second's image (unit light), the truth about defocus, and the wind."""

    scene: Scene
    seconds: np.ndarray
    wind_m_s: float


@dataclass(frozen=True, slots=True)
class Repeat:
    """One exposure read: its error and what it stated, in micrometres; None where it gave no number."""

    exposure_s: int
    error_um: float | None
    u_um: float | None


def mask_of(telescope: Telescope) -> Bahtinov:
    return Bahtinov(telescope.focal_length_mm / SLITS_A_FOCAL_LENGTH, ARM_DEG, 0.5, ORIENTATION_DEG, 1)


def drawn_run(
    telescope: Telescope, fried_mm: float, number: int, seconds: int = LONGEST_S, kept: Path | None = None
) -> Run:
    """Return one run, rendered or as it was kept from an earlier time."""
    rng = np.random.default_rng([round(telescope.aperture_mm), round(fried_mm), number])
    speed, towards = rng.uniform(SLOWEST_M_S, FASTEST_M_S), rng.uniform(0.0, 2.0 * math.pi)
    zone_um = 4.0 * 0.656 * telescope.focal_ratio**2
    scene = Scene(telescope, mask_of(telescope), rng.uniform(-FARTHEST_ZONES, FARTHEST_ZONES) * zone_um)
    air = Air(fried_mm, (speed * math.cos(towards), speed * math.sin(towards)))
    name = f"{telescope.aperture_mm:.0f}_{fried_mm:.0f}_{number}_{seconds}.npy"
    if kept is not None and (kept / name).exists():
        return Run(scene, np.load(kept / name), speed)
    exposures = Exposures(scene, air, seed=round(number * 1000 + fried_mm + telescope.aperture_mm))
    images = np.stack([exposures.take(1.0).astype(np.float32) for _ in range(seconds)])
    if kept is not None:
        np.save(kept / name, images)
    return Run(scene, images, speed)


def meter_for(scene: Scene) -> MaskMeter:
    """Return a meter that knows optics and mask, and nothing of the air or of the vanes."""
    telescope, drawn = scene.telescope, scene.mask
    optics = Optics(
        telescope.focal_length_mm, telescope.aperture_mm, telescope.obstruction_ratio, telescope.pixel_um
    )
    mask = Mask(drawn.period_mm, drawn.arm_angle_deg, drawn.duty, drawn.orientation_deg, drawn.lean)
    hint = MaskHint(drawn.period_mm, drawn.arm_angle_deg, drawn.duty, drawn.orientation_deg)
    meter = MaskMeter(optics, hint, {"x": Band("x", scene.wavelength_nm, 0.5)})
    meter.restore(Learnt(Geometry(optics, mask, "kolmogorov"), True, True, 5))
    return meter


def repeats(run: Run, exposures_s: tuple[int, ...] = EXPOSURES_S) -> Iterator[Repeat]:
    """Yield each exposure that the run's seconds make, measured near a tracked star's hint."""
    meter, truth_um, size = meter_for(run.scene), run.scene.defocus_um, run.scene.size_px
    detector = Detector(1.0, SENSOR.read_noise_electrons, SENSOR.ceiling_adu, SENSOR.pedestal_adu)
    for exposure_s in exposures_s:
        for first in range(0, len(run.seconds) - exposure_s + 1, exposure_s):
            light = run.seconds[first : first + exposure_s].mean(axis=0) * ELECTRONS
            frame = deep(light, first)
            cutout = cut(frame, size / 2, size / 2, size, detector, "x", float(exposure_s))
            reading = meter.measure(cutout, Hint(truth_um + 3.0, 25.0, 1.5))
            known = reading.defocus_um is not None and reading.defocus_u_um is not None
            yield Repeat(
                exposure_s,
                reading.defocus_um - truth_um if known else None,
                reading.defocus_u_um if known else None,
            )


def deep(electrons: np.ndarray, seed: int) -> np.ndarray:
    """Return a frame with photon and read noise, too bright for sixteen bits."""
    rng = np.random.default_rng(seed)
    counted = rng.poisson(np.clip(electrons, 0.0, None) + SENSOR.sky_electrons).astype(float)
    counted += rng.normal(0.0, SENSOR.read_noise_electrons, counted.shape)
    return np.asarray(np.round(counted + SENSOR.pedestal_adu))


def truth_of_u(found: list[Repeat]) -> float:
    """Return the RMS of error over u."""
    return rms([r.error_um / r.u_um for r in found if r.error_um is not None and r.u_um])


def rms(values: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(values)))) if values else math.nan


def cell(setting: tuple[Telescope, float], runs: int, kept: Path | None) -> list[Repeat]:
    """Return all the repeats of one telescope and strength of turbulence."""
    telescope, fried_mm = setting
    drawn = (drawn_run(telescope, fried_mm, number, kept=kept) for number in range(runs))
    return [repeat for run in drawn for repeat in repeats(run)]


def run(runs: int = 1, kept: Path | None = None) -> None:
    """Print the table, one line a telescope, turbulence and exposure."""
    everything: list[Repeat] = []
    print("  aperture   r0 (500 nm)  exposure   frames  lost   RMSE     u   (um)   RMS(error/u)")
    settings = list(product(TELESCOPES, FRIED_MM))
    each = over_cores(partial(cell, runs=runs, kept=kept), settings)
    for (telescope, fried_mm), found in zip(settings, each, strict=True):
        everything += found
        for exposure_s in EXPOSURES_S:
            shown(telescope, fried_mm, [one for one in found if one.exposure_s == exposure_s])
    for exposure_s in EXPOSURES_S:
        of_these = [one for one in everything if one.exposure_s == exposure_s]
        print(f"  all, {exposure_s:2d} s: {truth_of_u(of_these):.2f} of {len(of_these)}")
        record(
            f"RMS of error over u through air, {exposure_s} s", truth_of_u(of_these), "", "aim: 0.8 to 1.25"
        )
    print(f"  all: {truth_of_u(everything):.2f} of {len(everything)}")
    record("RMS of error over u through air, all", truth_of_u(everything), "", AIM)


def shown(telescope: Telescope, fried_mm: float, found: list[Repeat]) -> None:
    """Print one line."""
    good = [one for one in found if one.error_um is not None and one.u_um is not None]
    print(
        f"  {telescope.aperture_mm:5.0f} mm  {fried_mm / 10:8.0f} cm  {found[0].exposure_s:6d} s"
        f"{len(found):9d}{len(found) - len(good):6d}{rms([r.error_um or 0.0 for r in good]):8.2f}"
        f"{rms([r.u_um or 0.0 for r in good]):8.2f}{truth_of_u(good):15.2f}",
        flush=True,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=1, help="runs of 20 s a telescope and turbulence")
    parser.add_argument("--frames", type=Path, help="a folder that keeps what was rendered")
    words = parser.parse_args()
    if words.frames is not None:
        words.frames.mkdir(parents=True, exist_ok=True)
    run(words.runs, words.frames)
