"""Where the mask sees focus: aberrations move its crossing off the mean focus, for each wavelength.

The rendered frames hold this by diffraction; the surrogate look and the truth need it as a number.
Aberrations shift and deform the spikes, so that reading a pattern takes a rule, and readers of one pattern
differ by a good part of the shift: a centroid, a peak and a fitted model each see another.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from drivers.simulated.pupil import Aberrations, Telescope
from drivers.simulated.sky import Sky
from routines.optics import GAUSSIAN_FWHM_PER_SIGMA, Array, critical_focus_zone_um, grating_order_um

_SKY_SHARE = 1e-6


@lru_cache(maxsize=64)
def mask_crossing_um(telescope: Telescope, wavelength_um: float, seeing_arcsec: float = 2.4) -> float:
    """Return the defocus at which the mask's pattern looks most like a perfect telescope's in focus.

    The perfect telescope is the same one without aberrations; likeness is in squares weighted as photon
    noise is, with place, light and blur free.
    """
    perfect = replace(telescope, aberrations=Aberrations())
    sky, real_sky = _sky(perfect), _sky(telescope)
    blur_px, reach = _blur_px(telescope, wavelength_um, seeing_arcsec), _reach_px(telescope, wavelength_um)
    step_um = critical_focus_zone_um(wavelength_um, telescope.optics) / 4.0

    def pattern(of: Sky, defocus_um: float, blur: float = blur_px) -> Array:
        return np.asarray(of.still_pattern(wavelength_um, defocus_um, blur, reach), dtype=np.float64)

    middle = pattern(sky, 0.0)
    changes = [
        (pattern(sky, step_um) - pattern(sky, -step_um)) / (2.0 * step_um),
        *np.gradient(middle),
        middle,
        pattern(sky, 0.0, blur_px * 1.1) - middle,
    ]
    root_weight = 1.0 / np.sqrt(np.maximum(middle, 0.0) + _SKY_SHARE)
    design = np.stack([np.ravel(change * root_weight) for change in changes], axis=1)
    differences = np.ravel((pattern(real_sky, 0.0) - middle) * root_weight)
    return -float(np.linalg.lstsq(design, differences, rcond=None)[0][0])


@lru_cache(maxsize=4)
def _sky(telescope: Telescope) -> Sky:
    """Return a sky with its pupil drawn; several colours need the same two."""
    return Sky(telescope)


def _blur_px(telescope: Telescope, wavelength_um: float, seeing_arcsec: float) -> float:
    """Return the seeing as a Gaussian's standard deviation in pixels; it goes as lambda^(-1/5)."""
    fwhm_rad = seeing_arcsec * math.pi / 648_000.0 * (wavelength_um / 0.5) ** -0.2
    optics = telescope.optics
    return float(fwhm_rad * optics.focal_length_mm * 1e3 / optics.pixel_um / GAUSSIAN_FWHM_PER_SIGMA)


def _reach_px(telescope: Telescope, wavelength_um: float) -> int:
    order_um = grating_order_um(1.0, wavelength_um, telescope.optics, telescope.mask)
    return 10 + math.ceil(1.4 * order_um / telescope.optics.pixel_um)
