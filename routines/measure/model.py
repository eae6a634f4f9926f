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

    @property
    def shape(self) -> tuple[float, float, float, float]:
        """Return all but the flux, which only scales the image."""
        return self.defocus_um, self.x_px, self.y_px, self.blur_px


@dataclass(frozen=True, slots=True, eq=False)
class _Spectra:
    """A star's spectrum, and what blur and place make of any transfer function."""

    product: Complex
    common: Complex


class MaskedStar:
    """Makes images of a masked star of unit flux and their derivatives, from one filter's templates.

    ``pixel_share`` is the side of the light-collecting square over the pixels' spacing: 1, or 0.5 for one
    plane of a colour mosaic. What the latest state took is kept: a fit asks for one state several times. Not
    for use from two threads.
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
        self._blurred: tuple[float, Image] | None = None
        self._spectra: tuple[object, _Spectra] | None = None
        self._unit: tuple[object, Image] | None = None

    def image(self, state: StarState) -> Image:
        """Return the star's image, shape (cutout, cutout), in electrons."""
        return self.unit_image(state) * np.float32(state.flux_electrons)

    def image_of(self, transfer: Complex, state: StarState) -> Image:
        """Return the image that a given transfer function makes with a state's place, blur and flux."""
        return self._to_pixels(transfer * self._common(state)) * np.float32(state.flux_electrons)

    def image_and_slopes(self, state: StarState) -> tuple[Image, NDArray[np.float32]]:
        """Return the unit-flux image and its derivatives, see `slopes`."""
        return self.unit_image(state), self.slopes(state)

    def slopes(self, state: StarState) -> NDArray[np.float32]:
        """Return the unit-flux image's derivatives, shape (4, n, n).

        In order: defocus (1/um), x and y (1/px), and the natural logarithm of the blur's width.
        """
        spectra = self._spectra_at(state)
        exponent = _EXPONENT[self.profile]
        growth = np.float32(-exponent * state.blur_px**exponent) * self._blur_base
        turned = np.complex64(-2j * np.pi) * spectra.product
        return np.stack(
            [
                self._to_pixels(self.templates.slope_at(state.defocus_um) * spectra.common),
                self._to_pixels(turned * self._kx[None, :]),
                self._to_pixels(turned * self._ky[:, None]),
                self._to_pixels(spectra.product * growth),
            ]
        )

    def unit_image(self, state: StarState) -> Image:
        """Return the image of one electron; nobody changes it, so that it may be kept."""
        if self._unit is None or self._unit[0] != state.shape:
            self._unit = (state.shape, self._to_pixels(self._spectra_at(state).product))
            self._unit[1].flags.writeable = False
        return self._unit[1]

    def _spectra_at(self, state: StarState) -> _Spectra:
        if self._spectra is None or self._spectra[0] != state.shape:
            common = self._common(state)
            self._spectra = (state.shape, _Spectra(self.templates.at(state.defocus_um) * common, common))
        return self._spectra[1]

    def _common(self, state: StarState) -> Complex:
        """Return seeing, pixel and shift in frequency."""
        window = self.templates.window
        centre = window.cutout_px // 2
        along_y = np.exp(-2j * np.pi * self._ky * (state.y_px - centre)).astype(np.complex64)
        along_x = np.exp(-2j * np.pi * self._kx * (state.x_px - centre)).astype(np.complex64)
        return np.asarray(self._blur(state.blur_px) * along_y[:, None] * along_x[None, :])

    def _blur(self, blur_px: float) -> Image:
        """Return seeing and pixel in frequency."""
        if self._blurred is None or self._blurred[0] != blur_px:
            exponent = _EXPONENT[self.profile]
            transfer = np.exp(-np.float32(blur_px**exponent) * self._blur_base) * self._pixel
            self._blurred = (blur_px, transfer)
        return self._blurred[1]

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
    # Frequencies above Nyquist along x appear at (their negative) below it: conj at (-ky, 1 - kx).
    folded = rows[:, : half - 1 : -1].conj()
    folded[1:] = folded[:0:-1].copy()
    folded += rows[:, : half + 1]
    return _around_zero(fft.irfft2(folded, s=(grid, grid), overwrite_x=True), window.cutout_px)


def _around_zero(image: NDArray[np.float32], side_px: int) -> Image:
    """Return the square around pixel (0, 0) of an image that goes on beyond its edges from the other side."""
    before, after = side_px // 2, side_px - side_px // 2
    square = np.empty((side_px, side_px), np.float32)
    for rows, of_rows in ((slice(None, before), slice(-before, None)), (slice(before, None), slice(after))):
        square[rows, :before] = image[of_rows, -before:]
        square[rows, before:] = image[of_rows, :after]
    return square


def moved(state: StarState, steps: NDArray[np.float64]) -> StarState:
    """Return the state after additive steps in (defocus, x, y, log blur)."""
    return replace(
        state,
        defocus_um=state.defocus_um + float(steps[0]),
        x_px=state.x_px + float(steps[1]),
        y_px=state.y_px + float(steps[2]),
        blur_px=state.blur_px * math.exp(float(steps[3])),
    )
