"""Random wavefronts of the air, for the simulated sky alone.

A von Karman spectrum on a coarse grid a little wider than the pupil, with subharmonics for what the grid is
too small to hold. An exposure averages the air: what stays after that (slow) and what is averaged away
(fast) are drawn apart, so that the mean wander of a frame falls with the exposure as it should, however
few wavefronts are drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.sparse
from numpy.typing import NDArray

Screen = NDArray[np.float32]
Array = NDArray[np.float64]

REFERENCE_UM = 0.5
GRID = 128
CELLS_ACROSS = 96
LEVELS = 6
_PARTS = 8
_SPECTRUM = 0.0229  # rad^2, frequencies in cycles per length (Noll 1976; Roddier 1981)


@dataclass(frozen=True, slots=True)
class Air:
    """The air above the telescope; ``fried_mm`` is r0 at 500 nm towards the star."""

    fried_mm: float
    outer_scale_mm: float = 20_000.0
    wind_mm_per_s: float = 5_000.0

    def spectrum(self, frequency_per_mm: Array) -> Array:
        """Return the phase spectrum at 500 nm (rad^2 mm^2), von Karman."""
        squared = frequency_per_mm**2 + self.outer_scale_mm**-2
        return np.asarray(_SPECTRUM * self.fried_mm ** (-5.0 / 3.0) * squared ** (-11.0 / 6.0))

    def remaining(self, frequency_per_mm: Array, exposure_s: float) -> Array:
        """Return the part of the variance at a frequency that an exposure does not average away.

        A frozen screen drawn past by the wind over L = v T keeps sinc^2 of its component along the wind;
        averaged over directions that is near 1 / (1 + pi k L) for isotropic air.
        """
        path_mm = self.wind_mm_per_s * exposure_s
        return np.asarray(1.0 / (1.0 + math.pi * frequency_per_mm * path_mm))

    def tilt_sigma_rad(self, aperture_mm: float) -> float:
        """Return the image motion along one axis, standard deviation in angle on the sky.

        0.182 (lambda/D)^2 (D/r0)^(5/3) (Noll 1976: Z-tilt), lessened by the outer scale as in Sasiela 1994.
        """
        wave = REFERENCE_UM * 1e-3 / aperture_mm
        variance = 0.182 * wave**2 * (aperture_mm / self.fried_mm) ** (5.0 / 3.0)
        lessened = max(0.1, 1.0 - 1.42 * (aperture_mm / self.outer_scale_mm) ** (1.0 / 3.0))
        return math.sqrt(variance * lessened)


class ScreenMaker:
    """Draws phase screens over one pupil diameter and spreads them onto the pupil's own grid."""

    def __init__(self, aperture_mm: float, pupil_places_mm: Array) -> None:
        self.aperture_mm = aperture_mm
        self.cell_mm = aperture_mm / CELLS_ACROSS
        axis = scipy.fft.fftfreq(GRID, self.cell_mm)
        self._frequency = np.hypot(axis[:, None], axis[None, :])
        self._gain = _cell_gain(axis)
        self._low_gain = _cell_gain(np.array([-1.0, 0.0, 1.0]))
        self._places = np.asarray((np.arange(GRID) - (GRID - 1) / 2.0) * self.cell_mm, dtype=np.float64)
        # Sparse: four points tell each value, and no threads of a linear algebra library are woken.
        self._spread = scipy.sparse.csr_array(_cubic_matrix(self._places, pupil_places_mm), dtype=np.float32)
        inside = np.hypot(self._places[:, None], self._places[None, :]) <= aperture_mm / 2.0
        self._inside = inside.astype(np.float64)
        self._tilt_norm = float(np.sum(self._inside * self._places[None, :] ** 2))

    def draw(
        self, air: Air, count: int, exposure_s: float, rng: np.random.Generator
    ) -> tuple[list[Screen], Screen]:
        """Return ``count`` fast screens without tilt and a slow one, rad at 500 nm, on the pupil grid."""
        fast = self._raw(air, count, exposure_s, rng, slow=False)
        slow = self._raw(air, 1, exposure_s, rng, slow=True)[0]
        return [self.spread(self.without_tilt(screen)) for screen in fast], self.spread(slow)

    def spread(self, screen: Array) -> Screen:
        """Interpolate a coarse screen onto the pupil's grid."""
        by_row = self._spread @ screen.astype(np.float32)
        return np.asarray((self._spread @ np.ascontiguousarray(by_row.T)).T)

    def without_tilt(self, screen: Array) -> Array:
        """Return the screen less its best plane over the pupil: image motion, which is blurred in later."""
        mean = float(np.sum(screen * self._inside) / np.sum(self._inside))
        slope_x = float(np.sum(screen * self._inside * self._places[None, :]) / self._tilt_norm)
        slope_y = float(np.sum(screen * self._inside * self._places[:, None]) / self._tilt_norm)
        return np.asarray(screen - mean - slope_x * self._places[None, :] - slope_y * self._places[:, None])

    def _raw(
        self, air: Air, count: int, exposure_s: float, rng: np.random.Generator, *, slow: bool
    ) -> list[Array]:
        screens: list[Array] = []
        for _ in range((count + 1) // 2):
            field = self._grid_part(air, exposure_s, rng, slow=slow)
            for level in range(1, LEVELS + 1):
                field += self._low_part(air, level, exposure_s, rng, slow=slow)
            screens += [field.real, field.imag]
        return screens[:count]

    def _grid_part(
        self, air: Air, exposure_s: float, rng: np.random.Generator, *, slow: bool
    ) -> NDArray[np.complex128]:
        spacing = 1.0 / (GRID * self.cell_mm)
        noise = rng.standard_normal((GRID, GRID)) + 1j * rng.standard_normal((GRID, GRID))
        power = self._power(air, self._frequency, exposure_s, slow=slow) * self._gain
        strength = np.sqrt(power) * spacing
        strength[0, 0] = 0.0
        return np.asarray(scipy.fft.ifft2(noise * strength) * GRID**2)

    def _low_part(
        self, air: Air, level: int, exposure_s: float, rng: np.random.Generator, *, slow: bool
    ) -> NDArray[np.complex128]:
        """Return the eight frequencies around zero at a third of the level before (Lane et al. 1992)."""
        spacing = 1.0 / (GRID * self.cell_mm * 3.0**level)
        steps = np.array([-1.0, 0.0, 1.0]) * spacing
        frequency = np.hypot(steps[:, None], steps[None, :])
        strength = np.sqrt(self._power(air, frequency, exposure_s, slow=slow) * self._low_gain) * spacing
        strength[1, 1] = 0.0
        noise = rng.standard_normal((3, 3)) + 1j * rng.standard_normal((3, 3))
        waves = np.exp(2j * math.pi * self._places[:, None] * steps[None, :])
        return np.asarray(waves @ (noise * strength) @ waves.T)

    @staticmethod
    def _power(air: Air, frequency_per_mm: Array, exposure_s: float, *, slow: bool) -> Array:
        remaining = air.remaining(frequency_per_mm, exposure_s)
        return np.asarray(air.spectrum(frequency_per_mm) * (remaining if slow else 1.0 - remaining))


def _cell_gain(axis: Array) -> Array:
    """Return what a cell of the spectrum carries over what its middle alone would say.

    The spectrum is steep, and what a low frequency does to the pupil goes as its square: so the cell's mean
    of k^2 k^(-11/3) is kept. Without it the lowest frequencies lack a third of their power.
    """
    spacing = abs(axis[1] - axis[0])
    parts = ((np.arange(_PARTS) + 0.5) / _PARTS - 0.5) * spacing
    across = axis[:, None, None, None] + parts[None, None, :, None]
    along = axis[None, :, None, None] + parts[None, None, None, :]
    mean = np.mean((across**2 + along**2) ** (-5.0 / 6.0), axis=(2, 3))
    middle = np.hypot(axis[:, None], axis[None, :])
    # The cell at zero is left to the level below, or is piston.
    return np.asarray(np.where(middle > 0.0, mean * np.where(middle > 0.0, middle, 1.0) ** (5.0 / 3.0), 1.0))


def _cubic_matrix(places: Array, wanted: Array) -> Array:
    """Return the matrix that interpolates values at even ``places`` to ``wanted`` (Keys 1981, a = -1/2)."""
    distance = np.abs(wanted[:, None] - places[None, :]) / (places[1] - places[0])
    near = 1.5 * distance**3 - 2.5 * distance**2 + 1.0
    far = -0.5 * distance**3 + 2.5 * distance**2 - 4.0 * distance + 2.0
    return np.asarray(np.where(distance <= 1.0, near, np.where(distance < 2.0, far, 0.0)))
