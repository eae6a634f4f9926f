"""The spatial frequencies of a window: what blur, pixel and shift leave of each, and the pixels they make.

A blurred star holds next to nothing beyond some frequency, and leaving those out halves the work of an
image. What is left are the ``cells`` lowest ones either way, on the window's own grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from routines.measure.templates import Complex, Window
from routines.optics import GAUSSIAN_FWHM_PER_SIGMA

Image = NDArray[np.float32]
SeeingProfile = Literal["kolmogorov", "gaussian"]

_EXPONENT: dict[SeeingProfile, float] = {"kolmogorov": 5.0 / 3.0, "gaussian": 2.0}
# What blur and pixel leave less of is left out: an image changes by less than that share of its peak.
_NEGLIGIBLE = 1e-5
# A fit's blur changes a little with each step: the frequencies kept change in steps only.
_CELLS_TOGETHER = 8
_KEPT = 16


@dataclass(frozen=True, slots=True, eq=False)
class Frequencies:
    """The lowest frequencies of a window's grid, shape (2 cells, cells + 1): both ways in y, from 0 in x.

    ``along_y`` and ``along_x`` are in cycles a pixel. ``blur_base`` is the exponent of a blur of one pixel,
    ``pixel`` what the sum over a pixel leaves.
    """

    along_y: Image
    along_x: Image
    blur_base: Image
    pixel: Image
    profile: SeeingProfile

    @property
    def cells(self) -> int:
        """Return how many cells are kept either way."""
        return len(self.along_x) - 1

    def blur(self, blur_px: float) -> Image:
        """Return what seeing and pixel leave."""
        passed = np.multiply(self.blur_base, np.float32(-(blur_px ** _EXPONENT[self.profile])))
        np.exp(passed, out=passed)
        passed *= self.pixel
        return passed

    def growth(self, blur_px: float) -> Image:
        """Return the derivative of a blur's exponent to the logarithm of its width."""
        exponent = _EXPONENT[self.profile]
        return np.asarray(np.float32(-exponent * blur_px**exponent) * self.blur_base)

    def shifts(self, x_px: float, y_px: float) -> tuple[Complex, Complex]:
        """Return what a shift makes of frequencies along y, as a column, and along x."""
        down = np.exp(-2j * np.pi * self.along_y * y_px).astype(np.complex64)
        return down[:, None], np.exp(-2j * np.pi * self.along_x * x_px).astype(np.complex64)


@lru_cache(maxsize=_KEPT)
def lowest(grid_px: int, cells: int, profile: SeeingProfile, pixel_share: float) -> Frequencies:
    """Return the lowest frequencies of a grid; see `cells_needed`."""
    along_x = (np.arange(cells + 1) / grid_px).astype(np.float32)
    along_y = np.concatenate([along_x[:cells], -along_x[:0:-1]])
    blur_base = _blur_exponent(np.hypot(along_y[:, None], along_x), profile)
    pixel = np.outer(np.sinc(along_y * pixel_share), np.sinc(along_x * pixel_share)).astype(np.float32)
    return Frequencies(along_y, along_x, blur_base, pixel, profile)


@lru_cache(maxsize=_KEPT)
def cells_needed(grid_px: int, profile: SeeingProfile, pixel_share: float, blur_px: float) -> int:
    """Return how many cells of a grid's frequencies a blurred star needs, either way."""
    frequency = np.arange(grid_px + 1) / grid_px
    exponent = _blur_exponent(frequency.astype(np.float32), profile) * blur_px ** _EXPONENT[profile]
    held = int((np.exp(-exponent) * np.sinc(frequency * pixel_share) > _NEGLIGIBLE).sum())
    return min(math.ceil(held / _CELLS_TOGETHER) * _CELLS_TOGETHER, grid_px)


def inner(spectrum: Complex, cells: int) -> Complex:
    """Return the lowest frequencies of a half spectrum."""
    if cells == spectrum.shape[1] - 1:
        return spectrum
    return np.concatenate([spectrum[:cells, : cells + 1], spectrum[-cells:, : cells + 1]])


def _blur_exponent(frequency_per_px: NDArray[np.float32], profile: SeeingProfile) -> NDArray[np.float32]:
    """Return the exponent of the blur's transfer for a width of one pixel; it scales as width^exponent."""
    if profile == "gaussian":
        sigma = 1.0 / GAUSSIAN_FWHM_PER_SIGMA
        return np.asarray(2.0 * (math.pi * sigma * frequency_per_px) ** 2, np.float32)
    return np.asarray(3.44 * (frequency_per_px / 0.98) ** (5.0 / 3.0), np.float32)


def to_pixels(spectrum: Complex, window: Window) -> Image:
    """Return pixel values, shape (cutout, cutout), of a half spectrum's lowest frequencies.

    Those beyond Nyquist, as far as there are any, fold over as they do on a sensor.
    """
    grid, cells = window.grid_px, spectrum.shape[1] - 1
    rows = np.zeros((grid, cells + 1), np.complex64)
    rows[:cells] = spectrum[:cells]
    rows[grid - cells :] += spectrum[cells:]
    half = grid // 2
    if cells >= half:
        # Frequencies above Nyquist along x appear at (their negative) below it: conj at (-ky, 1 - kx).
        beyond = rows[:, : half - 1 : -1].conj()
        rows = rows[:, : half + 1]
        rows[0, grid - cells :] += beyond[0]
        rows[1:, grid - cells :] += beyond[:0:-1]
    before, after = window.cutout_px // 2, window.cutout_px - window.cutout_px // 2
    columns = fft.ifft(rows, axis=0, overwrite_x=True)
    square = fft.irfft(np.concatenate([columns[-before:], columns[:after]]), n=grid, overwrite_x=True)
    return np.concatenate([square[:, -before:], square[:, :after]], axis=1)
