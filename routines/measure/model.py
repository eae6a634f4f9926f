"""The forward model of a masked star on pixels, with its derivatives, for one filter.

Everything but the interpolation in defocus is a product in spatial frequency: seeing, shift and the sum
over each pixel come before the pixels are sampled, and what lies beyond the pixels' own Nyquist frequency
folds over as it does on a sensor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.frequencies import (
    Frequencies,
    Image,
    SeeingProfile,
    cells_needed,
    inner,
    lowest,
    to_pixels,
)
from routines.measure.templates import Complex, LocalTemplates, Templates


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
    """A star's spectrum, and what blur and place make of any transfer function, at the lowest frequencies."""

    product: Complex
    common: Complex
    frequencies: Frequencies


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
        self._spectra: tuple[object, _Spectra] | None = None
        self._unit: tuple[object, Image] | None = None

    def image(self, state: StarState) -> Image:
        """Return the star's image, shape (cutout, cutout), in electrons."""
        return self.unit_image(state) * np.float32(state.flux_electrons)

    def image_of(self, transfer: Complex, state: StarState) -> Image:
        """Return the image that a given transfer function makes with a state's place, blur and flux."""
        frequencies = self._frequencies(state.blur_px)
        spectrum = inner(transfer, frequencies.cells) * self._common(state, frequencies)
        return to_pixels(spectrum, self.templates.window) * np.float32(state.flux_electrons)

    def image_and_slopes(self, state: StarState) -> tuple[Image, NDArray[np.float32]]:
        """Return the unit-flux image and its derivatives, see `slopes`."""
        return self.unit_image(state), self.slopes(state)

    def slopes(self, state: StarState, *, free_blur: bool = True) -> NDArray[np.float32]:
        """Return the unit-flux image's derivatives, shape (4, n, n).

        In order: defocus (1/um), x and y (1/px), and the natural logarithm of the blur's width: zeros where
        that is not free.
        """
        spectra, window = self._spectra_at(state), self.templates.window
        product, frequencies = spectra.product, spectra.frequencies
        by_defocus = self.templates.slope_at(state.defocus_um, frequencies.cells)
        by_defocus *= spectra.common
        turn = np.complex64(-2j * np.pi)
        images = [
            to_pixels(by_defocus, window),
            to_pixels(product * (turn * frequencies.along_x), window),
            to_pixels(product * (turn * frequencies.along_y)[:, None], window),
        ]
        if free_blur:
            images.append(to_pixels(product * frequencies.growth(state.blur_px), window))
        else:
            images.append(np.zeros_like(images[0]))
        return np.stack(images)

    def unit_image(self, state: StarState) -> Image:
        """Return the image of one electron; nobody changes it, so that it may be kept."""
        if self._unit is None or self._unit[0] != state.shape:
            self._unit = (state.shape, to_pixels(self._spectra_at(state).product, self.templates.window))
            self._unit[1].flags.writeable = False
        return self._unit[1]

    def _spectra_at(self, state: StarState) -> _Spectra:
        if self._spectra is None or self._spectra[0] != state.shape:
            frequencies = self._frequencies(state.blur_px)
            common = self._common(state, frequencies)
            product = self.templates.at(state.defocus_um, frequencies.cells)
            product *= common
            self._spectra = (state.shape, _Spectra(product, common, frequencies))
        return self._spectra[1]

    def _frequencies(self, blur_px: float) -> Frequencies:
        """Return the frequencies that a star blurred so holds."""
        grid = self.templates.window.grid_px
        cells = cells_needed(grid, self.profile, self.pixel_share, blur_px)
        return lowest(grid, cells, self.profile, self.pixel_share)

    def _common(self, state: StarState, frequencies: Frequencies) -> Complex:
        """Return seeing, pixel and shift in frequency."""
        centre = self.templates.window.cutout_px // 2
        down, across = frequencies.shifts(state.x_px - centre, state.y_px - centre)
        common = frequencies.blur(state.blur_px) * across
        common *= down
        return common


def apart(state: StarState, there: StarState) -> NDArray[np.float64]:
    """Return the steps in (defocus, x, y, log blur) from one state to another, see `moved`."""
    return np.array(
        [
            there.defocus_um - state.defocus_um,
            there.x_px - state.x_px,
            there.y_px - state.y_px,
            math.log(there.blur_px / state.blur_px),
        ]
    )


def moved(state: StarState, steps: NDArray[np.float64]) -> StarState:
    """Return the state after additive steps in (defocus, x, y, log blur)."""
    return replace(
        state,
        defocus_um=state.defocus_um + float(steps[0]),
        x_px=state.x_px + float(steps[1]),
        y_px=state.y_px + float(steps[2]),
        blur_px=state.blur_px * math.exp(float(steps[3])),
    )
