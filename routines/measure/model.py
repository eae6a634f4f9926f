"""The forward model of a masked star on pixels, with its derivatives, for one filter.

Everything but the interpolation in defocus is a product in spatial frequency: seeing, shift and the sum
over each pixel come before the pixels are sampled, and what lies beyond the pixels' own Nyquist frequency
folds over as it does on a sensor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from routines.measure.templates import Complex, LocalTemplates, Templates, Window
from routines.optics import GAUSSIAN_FWHM_PER_SIGMA

Image = NDArray[np.float32]
SeeingProfile = Literal["kolmogorov", "gaussian"]

_EXPONENT: dict[SeeingProfile, float] = {"kolmogorov": 5.0 / 3.0, "gaussian": 2.0}


@dataclass(frozen=True, slots=True)
class StarState:
    """Where a masked star stands and how it looks; ``x_px, y_px`` are from the cut-out's pixel (0, 0)."""

    defocus_um: float
    x_px: float
    y_px: float
    blur_px: float
    flux_electrons: float = 1.0


class MaskedStar:
    """Makes images of a masked star of unit flux and their derivatives, from one filter's templates.

    ``pixel_share`` is the side of the light-collecting square over the pixels' spacing: 1, or 0.5 for one
    plane of a colour mosaic.
    """

    def __init__(
        self,
        templates: Templates | LocalTemplates,
        profile: SeeingProfile = "kolmogorov",
        pixel_share: float = 1.0,
    ) -> None:
        self.templates = templates
        self.profile = profile
        self.pixel_share = pixel_share
        grid = templates.window.grid_px
        self._ky = (fft.fftfreq(2 * grid) * 2.0).astype(np.float32)
        self._kx = (np.arange(grid + 1) / grid).astype(np.float32)
        k2 = self._ky[:, None] ** 2 + self._kx[None, :] ** 2
        self._blur_base = _blur_exponent(np.sqrt(k2), profile)
        along_y, along_x = np.sinc(self._ky * pixel_share), np.sinc(self._kx * pixel_share)
        self._pixel = (along_y[:, None] * along_x[None, :]).astype(np.float32)

    def image(self, state: StarState) -> Image:
        """Return the star's image, shape (cutout, cutout), in electrons."""
        transfer, _ = self.templates.at(state.defocus_um)
        return self.image_of(transfer, state)

    def image_of(self, transfer: Complex, state: StarState) -> Image:
        """Return the image that a given transfer function makes with a state's place, blur and flux."""
        return self._to_pixels(transfer * self._common(state)) * np.float32(state.flux_electrons)

    def image_and_slopes(self, state: StarState) -> tuple[Image, NDArray[np.float32]]:
        """Return the unit-flux image and its derivatives, shape (4, n, n).

        In order: defocus (1/um), x and y (1/px), and the natural logarithm of the blur's width.
        """
        transfer, by_defocus = self.templates.at(state.defocus_um)
        common = self._common(state)
        product = transfer * common
        exponent = _EXPONENT[self.profile]
        growth = (-exponent * state.blur_px**exponent) * self._blur_base
        slopes = np.stack(
            [
                self._to_pixels(by_defocus * common),
                self._to_pixels(product * (-2j * np.pi * self._kx)[None, :].astype(np.complex64)),
                self._to_pixels(product * (-2j * np.pi * self._ky)[:, None].astype(np.complex64)),
                self._to_pixels(product * growth.astype(np.float32)),
            ]
        )
        return self._to_pixels(product), slopes

    def _common(self, state: StarState) -> Complex:
        """Return seeing, pixel and shift in frequency."""
        window = self.templates.window
        centre = window.cutout_px // 2
        along_y = np.exp(-2j * np.pi * self._ky * (state.y_px - centre)).astype(np.complex64)
        along_x = np.exp(-2j * np.pi * self._kx * (state.x_px - centre)).astype(np.complex64)
        exponent = _EXPONENT[self.profile]
        real = np.exp(-np.float32(state.blur_px**exponent) * self._blur_base) * self._pixel
        return np.asarray(real * along_y[:, None] * along_x[None, :])

    def _to_pixels(self, spectrum: Complex) -> Image:
        """Return the pixels of a spectrum that reaches to one cycle a pixel: fold it, transform, crop."""
        return to_pixels(spectrum, self.templates.window)


def _blur_exponent(frequency_per_px: NDArray[np.float32], profile: SeeingProfile) -> NDArray[np.float32]:
    """Return the exponent of the blur's transfer for a width of one pixel; it scales as width^exponent."""
    if profile == "gaussian":
        sigma = 1.0 / GAUSSIAN_FWHM_PER_SIGMA
        return np.asarray(2.0 * (math.pi * sigma * frequency_per_px) ** 2, np.float32)
    return np.asarray(3.44 * (frequency_per_px / 0.98) ** (5.0 / 3.0), np.float32)


def to_pixels(spectrum: Complex, window: Window) -> Image:
    """Return pixel values, shape (cutout, cutout), of a half spectrum that reaches one cycle a pixel."""
    grid = window.grid_px
    half = grid // 2
    rows = spectrum[:grid] + spectrum[grid:]
    folded = rows[:, : half + 1].copy()
    # Frequencies above Nyquist along x appear at (their negative) below it: conj at (-ky, 1 - kx).
    mirrored = rows[:, half:][:, ::-1].conj()
    folded += np.concatenate([mirrored[:1], mirrored[:0:-1]])
    image = fft.fftshift(fft.irfft2(folded, s=(grid, grid), overwrite_x=True))
    first = half - window.cutout_px // 2
    used = slice(first, first + window.cutout_px)
    return np.asarray(image[used, used], np.float32)


def moved(state: StarState, steps: NDArray[np.float64]) -> StarState:
    """Return the state after additive steps in (defocus, x, y, log blur)."""
    return replace(
        state,
        defocus_um=state.defocus_um + float(steps[0]),
        x_px=state.x_px + float(steps[1]),
        y_px=state.y_px + float(steps[2]),
        blur_px=state.blur_px * math.exp(float(steps[3])),
    )
