"""Where the mask sees focus: aberrations and colour move its crossing off the mean focus of a band.

The rendered frames hold this by diffraction; the surrogate look and the truth need it as a number.
Aberrations shift and deform the spikes, so that reading a pattern takes a rule, and readers of one pattern
differ by a good part of the shift: a centroid, a peak and a fitted model each see another.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter

from drivers.simulated.parameters import Glass
from drivers.simulated.pupil import Aberrations, Telescope
from drivers.simulated.sky import Image, Sky
from routines.optics import GAUSSIAN_FWHM_PER_SIGMA, Array, critical_focus_zone_um, grating_order_um

_SKY_SHARE = 1e-6
_COLOUR_STEP_NM = 35.0


@lru_cache(maxsize=64)
def mask_crossing_um(telescope: Telescope, glass: Glass, seeing_arcsec: float = 2.4) -> float:
    """Return the defocus at which the mask's pattern through a filter looks most like a perfect one in focus.

    The perfect telescope is the same one without aberrations or colour; likeness is in squares weighted as
    photon noise is, with place, light and blur free. Defocus is against the band's mean focus.
    """
    perfect = replace(telescope, aberrations=Aberrations())
    plain = replace(glass, focus_slope_um_per_um=0.0, focus_bend_um_per_um2=0.0)
    sky, real_sky = _sky_of(perfect), _sky_of(telescope)
    wavelength_um = glass.band.centre_nm * 1e-3
    reach = _reach_px(telescope, wavelength_um + glass.band.width_nm * 0.5e-3)
    step_um = critical_focus_zone_um(wavelength_um, telescope.optics) / 4.0

    def sharp(of: Sky, seen: Glass, defocus_um: float) -> list[Image]:
        return [
            of.still_pattern(colour_um, defocus_um - seen.focus_at_um(colour_um), reach)
            for colour_um in colours_um(glass)
        ]

    def blurred(patterns: list[Image], widened: float = 1.0) -> Array:
        total = np.zeros((2 * reach + 1, 2 * reach + 1))
        for colour_um, pattern in zip(colours_um(glass), patterns, strict=True):
            total += gaussian_filter(pattern, blur_px(telescope, colour_um, seeing_arcsec) * widened)
        return np.asarray(total / len(patterns))

    focused = sharp(sky, plain, 0.0)
    middle, further = blurred(focused), blurred(sharp(sky, plain, step_um))
    # A pupil without aberrations shows the same on both sides of focus, turned by half a turn.
    changes = [
        (further - further[::-1, ::-1]) / (2.0 * step_um),
        *np.gradient(middle),
        middle,
        blurred(focused, 1.1) - middle,
    ]
    root_weight = 1.0 / np.sqrt(np.maximum(middle, 0.0) + _SKY_SHARE)
    design = np.stack([np.ravel(change * root_weight) for change in changes], axis=1)
    differences = np.ravel((blurred(sharp(real_sky, glass, 0.0)) - middle) * root_weight)
    return -float(np.linalg.lstsq(design, differences, rcond=None)[0][0])


@lru_cache(maxsize=4)
def _sky_of(telescope: Telescope) -> Sky:
    """Return what renders through a telescope; its pupil is the same for all filters."""
    return Sky(telescope)


def colours_um(glass: Glass) -> list[float]:
    """Return wavelengths across a band, near enough that focus runs straight between them."""
    count = max(1, math.ceil(glass.band.width_nm / _COLOUR_STEP_NM))
    return [
        (glass.band.centre_nm + glass.band.width_nm * ((i + 0.5) / count - 0.5)) * 1e-3 for i in range(count)
    ]


def blur_px(telescope: Telescope, wavelength_um: float, seeing_arcsec: float) -> float:
    """Return the seeing as a Gaussian's standard deviation in pixels; it goes as lambda^(-1/5)."""
    fwhm_rad = seeing_arcsec * math.pi / 648_000.0 * (wavelength_um / 0.5) ** -0.2
    optics = telescope.optics
    return float(fwhm_rad * optics.focal_length_mm * 1e3 / optics.pixel_um / GAUSSIAN_FWHM_PER_SIGMA)


def _reach_px(telescope: Telescope, wavelength_um: float) -> int:
    order_um = grating_order_um(1.0, wavelength_um, telescope.optics, telescope.mask)
    return 10 + math.ceil(1.4 * order_um / telescope.optics.pixel_um)
