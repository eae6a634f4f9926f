"""What the light of a star really meets: the pupil, the mask and the aberrations of one simulated telescope.

Drawn on a grid of its own, finer than needed and averaged down, so that edges and slits carry the right
weight. Much of this (duty, clear diameter, tilt, vanes, aberrations) is what the config does not tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from routines.optics import Array, Mask, Optics, clear_aperture, mask_amplitude

SUPERSAMPLE = 4
MARGIN = 8
FADE = 0.09


@dataclass(frozen=True, slots=True)
class Spider:
    """The vanes that hold a secondary mirror."""

    vanes: int = 0
    width_mm: float = 0.0
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Aberrations:
    """Wavefront error, um of optical path rms over a full circle (Noll 1976 normalisation).

    ``spherochromatism_per_um`` is how the spherical term changes with wavelength about 0.55 um.
    """

    spherical_um: float = 0.0
    coma_x_um: float = 0.0
    coma_y_um: float = 0.0
    astigmatism_um: float = 0.0
    astigmatism_45_um: float = 0.0
    trefoil_um: float = 0.0
    spherochromatism_per_um: float = 0.0

    def path_um(self, x: Array, y: Array, wavelength_um: float) -> Array:
        """Return the wavefront at pupil points in units of the radius."""
        squared = x**2 + y**2
        spherical = self.spherical_um + self.spherochromatism_per_um * (wavelength_um - 0.55)
        coma = math.sqrt(8.0) * (3.0 * squared - 2.0)
        total = math.sqrt(5.0) * spherical * (6.0 * squared**2 - 6.0 * squared + 1.0)
        total = total + coma * (self.coma_x_um * x + self.coma_y_um * y)
        total = total + math.sqrt(6.0) * self.astigmatism_um * (x**2 - y**2)
        total = total + math.sqrt(24.0) * self.astigmatism_45_um * x * y
        return np.asarray(total + math.sqrt(8.0) * self.trefoil_um * (x**3 - 3.0 * x * y**2))


@dataclass(frozen=True, slots=True)
class Telescope:
    """One telescope as it is: true optics, true mask, vanes and aberrations."""

    optics: Optics
    mask: Mask
    spider: Spider = Spider()
    aberrations: Aberrations = Aberrations()

    def with_mask_turned(self, orientation_deg: float) -> Telescope:
        """Return the telescope with its mask put back on at another angle."""
        return replace(self, mask=replace(self.mask, orientation_deg=orientation_deg))


def draw_pupil(telescope: Telescope, count: int, *, masked: bool) -> NDArray[np.float32]:
    """Return `_transmission` of this telescope, drawn once for all its filters and wavefronts; read only."""
    return _transmission(replace(telescope, aberrations=Aberrations()), count, masked)


@lru_cache(maxsize=8)
def _transmission(telescope: Telescope, count: int, masked: bool) -> NDArray[np.float32]:
    """Return the transmission over ``count`` + 2 MARGIN cells a side, ``count`` spanning the clear diameter.

    Drawn SUPERSAMPLE times finer, then low-passed to what the cells can carry: whatever the slits throw
    further than the image reaches is lost, and does not come back from its other side. Rows are y.
    """
    optics = telescope.optics
    side = (count + 2 * MARGIN) * SUPERSAMPLE
    cell_mm = optics.aperture_mm / (count * SUPERSAMPLE)
    places = np.asarray((np.arange(side) - (side - 1) / 2.0) * cell_mm, dtype=np.float64)
    fine = np.empty((side, side), np.float32)
    for rows in np.array_split(np.arange(side), 16):
        x, y = np.meshgrid(places, places[rows])
        strip = clear_aperture(x, y, cell_mm, optics) * _between_vanes(x, y, cell_mm, telescope.spider)
        if masked:
            strip = strip * mask_amplitude(x, y, cell_mm, telescope.mask)
        fine[rows] = strip
    drawn = _low_passed(fine)
    drawn.flags.writeable = False
    return drawn


def _low_passed(fine: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return an image on a grid SUPERSAMPLE times coarser with nothing beyond what that can carry."""
    side = fine.shape[0]
    coarse = side // SUPERSAMPLE
    frequency = scipy.fft.fftfreq(coarse)
    # Less the fine cell's own averaging, and fading out before the edge so that nothing rings far.
    gain = np.clip((0.5 - np.abs(frequency)) / FADE, 0.0, 1.0) / np.sinc(frequency / SUPERSAMPLE)
    # The coarse grid's first point lies half a fine block later than the fine grid's.
    shift = np.exp(2j * math.pi * frequency * (SUPERSAMPLE - 1) / (2.0 * SUPERSAMPLE))
    keep = np.r_[0 : (coarse + 1) // 2, side - coarse // 2 : side]
    along = scipy.fft.fft(fine, axis=1)[:, keep] * (gain * shift)
    spectrum = scipy.fft.fft(along, axis=0)[keep] * (gain * shift)[:, None]
    return np.asarray(scipy.fft.ifft2(spectrum).real / SUPERSAMPLE**2, dtype=np.float32)


def _between_vanes(x: Array, y: Array, cell_mm: float, spider: Spider) -> Array:
    """Return what the vanes leave open, each a strip from the axis outwards."""
    opening = np.ones_like(x)
    for vane in range(spider.vanes):
        angle = math.radians(spider.angle_deg + 360.0 * vane / spider.vanes)
        along = x * math.cos(angle) + y * math.sin(angle)
        across = np.abs(y * math.cos(angle) - x * math.sin(angle))
        shaded = np.clip((spider.width_mm / 2.0 - across) / cell_mm + 0.5, 0.0, 1.0)
        opening = opening * (1.0 - shaded * (along > 0.0))
    return np.asarray(opening)
