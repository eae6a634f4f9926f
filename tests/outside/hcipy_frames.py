"""Masked-star frames by hcipy's propagation, through an evolving von Karman atmosphere of hcipy's own.

hcipy follows Goodman: a converging wave has the phase ``-k r^2 / (2 f)``, so a sensor beyond the focus,
which sees a wave that converges too strongly, has the extra phase ``-pi z r^2 / (lambda f^2)``.
An exposure is the mean of instants spread evenly over it while the wind carries the turbulence along.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
from masked_star import (
    Bahtinov,
    Light,
    Telescope,
    drawn_pupil,
    points_needed,
    raster_restored,
    summed_over_pixels,
    wavelengths_needed,
    wavelengths_nm,
)
from scipy.ndimage import zoom

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import hcipy

FINER = 3
SCREEN_POINTS = 48


@dataclass(frozen=True, slots=True)
class Air:
    """One layer of turbulence, given at 500 nm, and the wind that carries it."""

    fried_mm: float
    wind_m_s: tuple[float, float] = (7.0, 4.0)
    outer_scale_m: float = 25.0


class Turbulence:
    """The air over one telescope, evolving from frame to frame; the same seed gives the same night."""

    def __init__(self, air: Air, telescope: Telescope, seed: int) -> None:
        self.air, self.telescope = air, telescope
        grid = hcipy.make_pupil_grid(SCREEN_POINTS, telescope.aperture_mm * 1e-3 * 1.02)
        strength = hcipy.Cn_squared_from_fried_parameter(air.fried_mm * 1e-3, 500e-9)
        self._layer = hcipy.InfiniteAtmosphericLayer(
            grid, strength, air.outer_scale_m, np.array(air.wind_m_s), seed=seed
        )

    def path_difference_m(self, time_s: float, points: int) -> np.ndarray:
        """Return the optical path over the pupil at a time; times only ever go forward."""
        coarse = self.screen_m(time_s)
        return zoom(coarse, points / SCREEN_POINTS, order=3, mode="nearest", grid_mode=True)

    def screen_m(self, time_s: float) -> np.ndarray:
        """Return that path on hcipy's own coarse grid, square."""
        self._layer.evolve_until(time_s)
        phase = self._layer.phase_for(1.0) / (2.0 * math.pi)
        return np.asarray(phase).reshape(SCREEN_POINTS, SCREEN_POINTS)


def masked_star(
    telescope: Telescope,
    mask: Bahtinov | None,
    light: Light,
    defocus_um: float,
    *,
    size_px: int = 128,
    star_px: tuple[float, float] | None = None,
    blur_fwhm_px: float = 0.0,
    turbulence: Turbulence | None = None,
    start_s: float = 0.0,
    exposure_s: float = 4.0,
    instants: int = 40,
    seed: int = 1,
) -> np.ndarray:
    """Return the noiseless image in electrons, summed over each pixel, ``size_px`` square.

    Each instant takes its share of the band's wavelengths, so that all of them are used alike.
    """
    points = points_needed(telescope, light, size_px)
    pupil = drawn_pupil(telescope, mask, points)
    colours = 1 if light.width_nm == 0.0 else wavelengths_needed(telescope, light, size_px)
    count = colours if turbulence is None else max(colours, instants)
    waves = np.random.default_rng(seed).permutation(wavelengths_nm(light, count, seed))
    fine: np.ndarray | float = 0.0
    for number, share in enumerate(np.array_split(waves, 1 if turbulence is None else instants)):
        air = 0.0
        if turbulence is not None:
            time_s = start_s + (number + 0.5) / instants * exposure_s
            air = turbulence.path_difference_m(time_s, points)
        for wave in share:
            fine = fine + pupil_image(
                telescope, pupil, wave, defocus_um, air_m=air, size_px=size_px, star_px=star_px
            )
    return light.electrons * summed_over_pixels(fine / count, FINER, blur_fwhm_px)


def pupil_image(
    telescope: Telescope,
    pupil: np.ndarray,
    wavelength_nm: float,
    defocus_um: float,
    *,
    air_m: np.ndarray | float = 0.0,
    size_px: int = 128,
    star_px: tuple[float, float] | None = None,
    finer: int = FINER,
) -> np.ndarray:
    """Return the image of any pupil in one colour, ``finer`` points a pixel, 1 in all over the plane.

    What a half-open cell sends to orders too far out for the raster counts as having passed the mask.
    """
    wave_m, focal_m = wavelength_nm * 1e-9, telescope.focal_length_mm * 1e-3
    points = pupil.shape[0]
    grid = hcipy.make_pupil_grid(points, telescope.aperture_mm * 1e-3)
    radius2 = np.asarray(grid.x**2 + grid.y**2).reshape(points, points)
    phase = -math.pi * defocus_um * 1e-6 * radius2 / (wave_m * focal_m**2)
    phase = phase + 2.0 * math.pi * np.asarray(air_m) / wave_m
    # Single precision, right to a millionth of the image's peak, in half the time.
    field = hcipy.Field((pupil * np.exp(1j * phase)).astype(np.complex64).ravel(), grid)
    middle = (size_px - 1) / 2.0
    offset = (0.0, 0.0) if star_px is None else (star_px[0] - middle, star_px[1] - middle)
    sensor = _sensor_grid(telescope, size_px, offset, finer)
    lens = hcipy.FraunhoferPropagator(grid, sensor, focal_length=focal_m)
    power = lens.forward(hcipy.Wavefront(field, wave_m)).power
    entering = float(pupil.sum()) * (telescope.aperture_mm * 1e-3 / points) ** 2
    image = np.asarray(power).reshape(size_px * finer, size_px * finer) / entering
    return raster_restored(image, finer, telescope, points, wavelength_nm, offset)


def _sensor_grid(
    telescope: Telescope, size_px: int, offset_px: tuple[float, float], finer: int
) -> hcipy.Grid:
    side_m = size_px * telescope.pixel_um * 1e-6
    centre = -np.array(offset_px) * telescope.pixel_um * 1e-6
    return hcipy.make_uniform_grid([size_px * finer] * 2, [side_m] * 2, center=centre)
