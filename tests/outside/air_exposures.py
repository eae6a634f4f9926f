"""Exposures of a masked star through hcipy's evolving air, with as many instants as the wind asks for.

An exposure of a second holds dozens of apertures of air. Instants further apart than the air's own memory
scatter more than the exposure that they stand for: thirty of them spread over a second, twice as much. So
the air moves on by a third of the aperture at most, and an instant is made cheap: one colour, and scipy's
fast transform in single precision (its frames stand beside hcipy's own propagation in a test).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from hcipy_frames import SCREEN_POINTS, Air, Turbulence
from masked_star import Bahtinov, Telescope, drawn_pupil, raster_restored
from scipy.ndimage import zoom

FINER = 2
FIELD_PX = 320
STEP_APERTURES = 0.3
STAR_PX = 0.25  # from the frame's middle: the zero order is the first fine point past it


@dataclass(frozen=True, slots=True)
class Scene:
    """A masked star in one colour, without its air; ``wished_nm`` is met as nearly as the raster allows.

    ``points`` cells of the transform's raster span the aperture: a whole number, which fixes the colour. Two
    points a pixel hold an image of lambda N from 3.9 um up with 3.9 um pixels (Nyquist).
    """

    telescope: Telescope
    mask: Bahtinov
    defocus_um: float
    wished_nm: float = 656.3
    size_px: int = 192

    @property
    def points(self) -> int:
        field_um = FIELD_PX * self.telescope.pixel_um
        return round(field_um / (self.wished_nm * 1e-3 * self.telescope.focal_ratio))

    @property
    def wavelength_nm(self) -> float:
        field_um = FIELD_PX * self.telescope.pixel_um
        return field_um / (self.points * self.telescope.focal_ratio) * 1e3

    @property
    def star_px(self) -> float:
        return self.size_px / 2.0 - 0.5 + STAR_PX


class Exposures:
    """Exposures taken one after the other, without a pause, through the same air."""

    def __init__(self, scene: Scene, air: Air, seed: int) -> None:
        self._scene, self._air = scene, air
        self._turbulence = Turbulence(air, scene.telescope, seed)
        self._time_s = 0.0
        self._pupil = _calm_wave(scene)
        self._spread = zoom(
            np.eye(SCREEN_POINTS),
            (scene.points / SCREEN_POINTS, 1.0),
            order=3,
            mode="nearest",
            grid_mode=True,
        )

    def take(self, exposure_s: float) -> np.ndarray:
        """Return the next exposure: the image of unit light through the mask, summed over each pixel."""
        path_m = math.hypot(*self._air.wind_m_s) * exposure_s
        count = max(1, math.ceil(path_m / (STEP_APERTURES * self._scene.telescope.aperture_mm * 1e-3)))
        total = np.zeros((FIELD_PX * FINER,) * 2, np.float32)
        for number in range(count):
            total += self._instant(self._time_s + (number + 0.5) / count * exposure_s)
        self._time_s += exposure_s
        return _on_pixels(total / count, self._scene)

    def _instant(self, time_s: float) -> np.ndarray:
        coarse = self._turbulence.screen_m(time_s)
        path_m = self._spread @ coarse @ self._spread.T
        phase = (2.0 * math.pi / (self._scene.wavelength_nm * 1e-9) * path_m).astype(np.float32)
        wave = np.empty(phase.shape, np.complex64)
        wave.real, wave.imag = np.cos(phase), np.sin(phase)
        return _far_power(self._pupil * wave)


def calm(scene: Scene) -> np.ndarray:
    """Return the image without air, summed over each pixel, for comparison."""
    return _on_pixels(_far_power(_calm_wave(scene)), scene)


def _calm_wave(scene: Scene) -> np.ndarray:
    """Return the pupil with its defocus, beyond focus ``-pi z r^2 / (lambda f^2)``; unit power in all."""
    telescope, points = scene.telescope, scene.points
    pupil = drawn_pupil(telescope, scene.mask, points)
    axis_mm = ((np.arange(points) + 0.5) / points - 0.5) * telescope.aperture_mm
    radius2 = axis_mm[:, None] ** 2 + axis_mm[None, :] ** 2
    scale = math.pi * scene.defocus_um / (scene.wavelength_nm * 1e-6 * telescope.focal_length_mm**2) * 1e-3
    wave = pupil * np.exp(-1j * scale * radius2)
    return (wave / math.sqrt(float(pupil.sum()))).astype(np.complex64)


def _far_power(wave: np.ndarray) -> np.ndarray:
    """Return the intensity far behind a wave, zero order in corner (0, 0), the wave's power in all."""
    count = FIELD_PX * FINER
    rows = scipy.fft.fft(wave, n=count, axis=1)
    field = scipy.fft.fft(rows, n=count, axis=0, overwrite_x=True)
    return (field.real**2 + field.imag**2) / np.float32(count**2)


def _on_pixels(power: np.ndarray, scene: Scene) -> np.ndarray:
    """Return the stamp: each fine point widened to its cell, what averaging cells took put back, then summed.

    The intensity is band-limited below the raster's limit, so widening by sinc in frequency is exact.
    """
    count = FIELD_PX * FINER
    widened = np.sinc(scipy.fft.fftfreq(count))
    spectrum = scipy.fft.fft2(np.asarray(power, float)) * np.outer(widened, widened)
    fine = scipy.fft.fftshift(scipy.fft.ifft2(spectrum).real)
    fine = raster_restored(
        fine, FINER, scene.telescope, scene.points, scene.wavelength_nm, (STAR_PX, STAR_PX)
    )
    edge = (FIELD_PX - scene.size_px) // 2 * FINER
    fine = fine[edge:-edge, edge:-edge]
    return fine.reshape(scene.size_px, FINER, scene.size_px, FINER).sum(axis=(1, 3))
