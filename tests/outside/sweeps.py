"""Sweeps through focus with a known crossing, and what a plain straight line makes of their readings.

The star stands somewhere in a larger frame and wanders; the sky slopes; some pixels are hot. Only numpy's
own polynomial fit turns readings into a crossing, so that the project's estimation is not its own witness.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits
from masked_star import Light, Sensor, Telescope, placed, recorded

FRAME_SHAPE = (420, 560)
STEP_UM = 1.5
START = datetime(2026, 3, 14, 21, 5, 0)
STAMP_PX = 208  # more than the measurement cuts out, or the outer orders would be missing
Maker = Callable[[Light, float, tuple[float, float], int], np.ndarray]


@dataclass(frozen=True, slots=True)
class Look:
    """One frame of a sweep, the truth about it, and the filter it was taken through."""

    filter: str
    position_um: float
    defocus_um: float
    frame_adu: np.ndarray


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through readings: where it crosses zero, with u, and its slope."""

    crossing_um: float
    crossing_u_um: float
    slope: float


def sweep(
    make: Maker,
    lights: dict[str, Light],
    crossings_um: dict[str, float],
    positions_um: Sequence[float],
    seed: int,
) -> list[Look]:
    """Return a frame per position and filter; ``make`` gives the star's electrons, ``STAMP_PX`` square."""
    rng = np.random.default_rng(seed)
    sensor = Sensor()
    looks = []
    for name, light in lights.items():
        for position in positions_um:
            defocus = position - crossings_um[name]
            corner = (int(rng.integers(90, 120)), int(rng.integers(150, 180)))
            middle = (STAMP_PX - 1) / 2.0
            place = (middle + rng.uniform(-0.5, 0.5), middle + rng.uniform(-0.5, 0.5))
            stamp = make(light, defocus, place, len(looks))
            electrons = placed(stamp, FRAME_SHAPE, corner) + _sloping_sky(FRAME_SHAPE)
            frame = recorded(electrons, sensor, seed * 1000 + len(looks))
            looks.append(Look(name, position, defocus, _with_hot_pixels(frame, rng)))
    return looks


def _sloping_sky(shape: tuple[int, int]) -> np.ndarray:
    return np.linspace(0.0, 40.0, shape[1])[None, :] + np.linspace(0.0, 20.0, shape[0])[:, None]


def _with_hot_pixels(frame: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    rows, columns = rng.integers(0, frame.shape[0], 60), rng.integers(0, frame.shape[1], 60)
    frame[rows, columns] = rng.integers(2000, 60000, 60)
    return frame


def write_folder(looks: Sequence[Look], folder: Path, exposure_s: float = 4.0) -> list[Path]:
    """Write each look as a FITS file by astropy, with the keywords that any capture program writes."""
    paths = []
    for number, look in enumerate(looks):
        header = fits.Header()
        begun = START + timedelta(seconds=20.0 * number)
        header["DATE-OBS"] = begun.isoformat(timespec="milliseconds")
        header["EXPTIME"] = exposure_s
        header["FILTER"] = look.filter
        header["TRAVEL"] = round(look.position_um / STEP_UM)
        paths.append(folder / f"frame-{number:03d}.fits")
        fits.PrimaryHDU(look.frame_adu, header).writeto(paths[-1])
    return paths


def config_text(telescope: Telescope, lights: dict[str, Light], mask: str = "") -> str:
    """Return a config that knows the optics, the camera and the bands, and of the mask only ``mask``."""
    lines = [
        "schema = 1",
        "[optics]",
        f"focal_length_mm = {telescope.focal_length_mm}",
        f"aperture_mm = {telescope.aperture_mm}",
        f"obstruction_ratio = {telescope.obstruction_ratio}",
        f"pixel_um = {telescope.pixel_um}",
        mask,
        "[fits]",
        'position = "TRAVEL"',
        "[camera]",
        "electrons_per_adu = 1.0",
        "read_noise_electrons = 1.6",
        "saturation_adu = 65535",
        "pedestal_adu = 500",
    ]
    for number, (name, light) in enumerate(lights.items()):
        lines += ["[[filter]]", f'name = "{name}"', f"centre_nm = {light.centre_nm}"]
        lines += [f"width_nm = {light.width_nm}", "exposure_s = 4", f"reference = {str(number == 0).lower()}"]
    return "\n".join(lines) + "\n"


def line_through(positions_um: Sequence[float], values_um: Sequence[float]) -> Line:
    """Return the straight line through readings, by numpy's polynomial fit with its own scatter."""
    x, y = np.asarray(positions_um), np.asarray(values_um)
    middle = x.mean()
    (slope, level), covariance = np.polyfit(x - middle, y, 1, cov=True)
    u = math.sqrt(covariance[1, 1] + (level / slope) ** 2 * covariance[0, 0]) / abs(slope)
    return Line(float(middle - level / slope), u, float(slope))
