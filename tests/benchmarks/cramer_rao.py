"""How near the measurement comes to what the photons hold: its scatter beside the Cramer-Rao bound.

Frames by poppy, so that the measurement's model is not its own witness. The bound is computed from poppy's
images too: optics and mask known; defocus, place, flux, background and blur free; saturated pixels left out.
Beside it the same frames through a plain line fit (the brightest line along each spike, by scikit-image's
Radon transform), as what a user would otherwise have.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "outside"))

import poppy_frames
from masked_star import Bahtinov, Light, Sensor, Telescope, recorded
from skimage.transform import radon

from routines.measure.cutout import Detector, cut
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.optics import Band, Mask, Optics
from tests.benchmarks.spread import over_cores
from tests.benchmarks.timing import record

SIZE_PX, BLUR_PX = 192, 2.0
TELESCOPE, MASK = Telescope(), Bahtinov(3.6, 20.0, 0.5, 33.0, 1)
SENSOR = Sensor(sky_electrons=20.0, read_noise_electrons=1.6)
FULL_ELECTRONS = SENSOR.ceiling_adu - SENSOR.pedestal_adu
PROJECT_MASK = Mask(3.6, 20.0, 0.5, 33.0, 1)
PROJECT_OPTICS = Optics(588.0, 112.0, 0.0, 3.9)
LIGHTS = (
    Light(656.3, 6.0, 5e3),
    Light(656.3, 6.0, 3e4),
    Light(530.0, 60.0, 2e5),
    Light(530.0, 60.0, 2e6),
    Light(550.0, 300.0, 1e7),
)
DEFOCI_UM = (-150.0, -60.0, -10.0, 30.0, 110.0)
PLACES = ((95.7, 96.1), (96.2, 95.6))


@dataclass(frozen=True, slots=True)
class Score:
    """One setting's outcome; numbers in micrometres of defocus, ``truth_of_u`` is RMS of error over u.

    ``largest_u_um`` is that of the frame which was least sure of itself.
    """

    light: Light
    defocus_um: float
    bound_um: float
    rmse_um: float
    truth_of_u: float
    lost: int
    line_rmse_um: float
    largest_u_um: float

    @property
    def holds(self) -> bool:
        """Tell whether what is claimed holds: 1.3 times the bound and true u, or 1 um where that is less."""
        if self.lost or not self.truth_of_u <= 1.25:
            return False
        if 1.3 * self.bound_um < 1.0:
            return self.rmse_um <= 1.0 and self.largest_u_um <= 1.5
        return self.rmse_um <= 1.3 * self.bound_um and self.truth_of_u >= 0.8


def image(light: Light, defocus_um: float, star_px: tuple[float, float], blur_px: float) -> np.ndarray:
    """Return poppy's noiseless image, always with the same wavelengths, so that differences are smooth."""
    return poppy_frames.masked_star(
        TELESCOPE, MASK, light, defocus_um, size_px=SIZE_PX, star_px=star_px, blur_fwhm_px=blur_px, seed=3
    )


def bound_um(light: Light, defocus_um: float, star_px: tuple[float, float]) -> float:
    """Return the Cramer-Rao bound on defocus from the Fisher information of photons and read noise."""
    x, y = star_px
    middle = image(light, defocus_um, star_px, BLUR_PX)
    slopes = [
        image(light, defocus_um + 1.0, star_px, BLUR_PX) - image(light, defocus_um - 1.0, star_px, BLUR_PX),
        image(light, defocus_um, (x + 0.05, y), BLUR_PX) - image(light, defocus_um, (x - 0.05, y), BLUR_PX),
        image(light, defocus_um, (x, y + 0.05), BLUR_PX) - image(light, defocus_um, (x, y - 0.05), BLUR_PX),
        image(light, defocus_um, star_px, BLUR_PX + 0.04) - image(light, defocus_um, star_px, BLUR_PX - 0.04),
        middle,
        np.ones_like(middle),
    ]
    expected = middle + SENSOR.sky_electrons
    used = expected < FULL_ELECTRONS
    variance = (expected + SENSOR.read_noise_electrons**2)[used]
    design = np.stack([slope[used] for slope in slopes], axis=1)
    design /= np.sqrt((design**2).sum(axis=0))
    covariance = np.linalg.inv((design / variance[:, None]).T @ design)
    step = math.sqrt((slopes[0][used] ** 2).sum()) / 2.0
    return math.sqrt(covariance[0, 0]) / step


def meter_for(light: Light) -> MaskMeter:
    """Return a meter that knows optics and mask exactly, as the bound does, and nothing of the frame.

    No air stands before these stars and the meter is told so: the stated uncertainty is the photons' alone.
    """
    bands = {"x": Band("x", light.centre_nm, light.width_nm)}
    meter = MaskMeter(PROJECT_OPTICS, MaskHint(3.6, 20.0, 0.5, 33.0), bands, through_air=False)
    meter.restore(Learnt(Geometry(PROJECT_OPTICS, PROJECT_MASK, "gaussian"), True, True, 5))
    return meter


def line_fit_um(frame: np.ndarray) -> float:
    """Return the defocus by a plain line fit: along each spike's direction, where the brightest line lies.

    Without the core, through which every line would pass, and within the circle that the transform asks for.
    """
    pixels = np.clip(frame.astype(float) - np.median(frame), 0.0, None)
    rows, columns = np.indices(pixels.shape) - SIZE_PX / 2.0
    radius = np.hypot(rows, columns)
    pixels[(radius < 12.0) | (radius > SIZE_PX / 2.0 - 1.0)] = 0.0
    normals, offsets = [], []
    for angle_deg in PROJECT_MASK.spike_directions_deg():
        # radon() sums along columns after turning the image clockwise in its own row-down frame.
        projection = radon(pixels[::-1], theta=[angle_deg - 90.0], circle=True)[:, 0]
        top = int(np.clip(np.argmax(projection), 1, len(projection) - 2))
        left, peak, right = projection[top - 1 : top + 2]
        fine = top + 0.5 * (left - right) / (left - 2.0 * peak + right)
        turn = math.radians(angle_deg - 90.0)
        normals.append((math.cos(turn), math.sin(turn)))
        offsets.append(fine - SIZE_PX // 2)
    crossing = np.linalg.solve(np.array(normals[1:]), np.array(offsets[1:]))
    along_u = np.array([math.cos(math.radians(33.0)), math.sin(math.radians(33.0))])
    sign = 1.0 if np.dot(normals[0], along_u) > 0.0 else -1.0
    error_px = sign * (offsets[0] - float(np.dot(normals[0], crossing)))
    scale = (2.0 - math.tan(math.radians(20.0))) * 4.0 * 56.0 / (3.0 * math.pi) / 588.0 / 3.9
    return error_px / scale


def score(setting: tuple[Light, float], frames: int) -> Score:
    """Measure noisy frames of one light and defocus, their star at unknown places, from scratch each."""
    light, defocus_um = setting
    meter = meter_for(light)
    detector = Detector(1.0, SENSOR.read_noise_electrons, SENSOR.ceiling_adu, SENSOR.pedestal_adu)
    noiseless = [image(light, defocus_um, place, BLUR_PX) for place in PLACES]
    errors, in_u, line_errors, us, lost = [], [], [], [], 0
    for number in range(frames):
        frame = recorded(noiseless[number % len(PLACES)], SENSOR, number)
        reading = meter.measure(cut(frame, SIZE_PX / 2, SIZE_PX / 2, SIZE_PX, detector, "x", None))
        line_errors.append(line_fit_um(frame) - defocus_um)
        if reading.defocus_um is None or reading.defocus_u_um is None:
            lost += 1
            continue
        errors.append(reading.defocus_um - defocus_um)
        us.append(reading.defocus_u_um)
        in_u.append(errors[-1] / us[-1])
    bounds = [bound_um(light, defocus_um, place) for place in PLACES]
    figures = (_rms(bounds), _rms(errors), _rms(in_u), lost, _rms(line_errors), max(us, default=math.inf))
    return Score(light, defocus_um, *figures)


def _rms(values: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(values)))) if values else math.nan


def run(frames: int = 200) -> None:
    """Print the table; lengths in micrometres."""
    print(
        "  electrons  band (nm)   defocus   bound    RMSE   ratio  RMS(err/u)  most u  lost   claim  line fit"
    )
    for one in over_cores(partial(score, frames=frames), list(product(LIGHTS, DEFOCI_UM))):
        light = one.light
        print(
            f"  {light.electrons:9.0e} {light.centre_nm:7.0f}/{light.width_nm:<4.0f}{one.defocus_um:8.0f}"
            f"{one.bound_um:9.3f}{one.rmse_um:8.3f}{one.rmse_um / one.bound_um:8.2f}"
            f"{one.truth_of_u:10.2f}{one.largest_u_um:10.2f}{one.lost:6d}"
            f"{'holds' if one.holds else 'MISSED':>9}{one.line_rmse_um:10.2f}",
            flush=True,
        )
        kept(one)


def kept(one: Score) -> None:
    """Keep a setting's figures for the table: where the bound is tiny, the claim is about micrometres."""
    what = f"{one.light.electrons:.0e} e, {one.light.width_nm:.0f} nm, {one.defocus_um:.0f} um off"
    tiny = 1.3 * one.bound_um < 1.0
    aim = f"{one.rmse_um:.2f} um, aim: under 1" if tiny else "aim: under 1.3"
    record(f"error over the bound, {what}", one.rmse_um / one.bound_um, "", aim)
    record(f"  error over stated u, {what}", one.truth_of_u, "", f"aim: {'' if tiny else '0.8 to '}1.25")
    record(f"  frames lost, {what}", one.lost, "", "aim: 0")
    record(f"  line fit over the bound, {what}", one.line_rmse_um / one.bound_um, "")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=200, help="noisy frames a setting")
    run(parser.parse_args().frames)
