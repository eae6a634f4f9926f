"""Where stars are narrowest without the mask: aberrations and colour move it off the mean focus of a band.

The rendered frames hold this by diffraction; a comparison with the truth needs it as a number.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter

from drivers.simulated.mask_shift import blur_px, colours_um
from drivers.simulated.parameters import Glass
from drivers.simulated.pupil import Telescope
from drivers.simulated.sky import Sky
from routines.optics import Array, critical_focus_zone_um

_REACH_PX = 40
_PLACES = 13
_WIDEST_ZONES = 2.4


@lru_cache(maxsize=64)
def narrowest_um(telescope: Telescope, glass: Glass, seeing_arcsec: float = 2.4) -> float:
    """Return the defocus, against the band's mean focus, in the middle between equally wide stars.

    The middle is taken between the arms, from a quarter wider than the narrowest to twice as wide.
    """
    zone = critical_focus_zone_um(glass.band.centre_nm * 1e-3, telescope.optics)
    places = np.linspace(-_WIDEST_ZONES, _WIDEST_ZONES, _PLACES) * zone
    sky = Sky(telescope)
    widths = np.array([_half_flux_px(_pattern(sky, telescope, glass, z, seeing_arcsec)) for z in places])
    fine = np.linspace(places[0], places[-1], 2001)
    curve = _smooth(places, widths, fine)
    least = int(np.argmin(curve))
    levels = np.linspace(1.25, 2.0, 16) * curve[least]
    inner = np.interp(-levels, -curve[: least + 1], fine[: least + 1])
    outer = np.interp(levels, curve[least:], fine[least:])
    return float(np.mean(0.5 * (inner + outer)))


def _smooth(places: Array, widths: Array, fine: Array) -> Array:
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(places, widths)(fine))


def _pattern(sky: Sky, telescope: Telescope, glass: Glass, defocus_um: float, seeing_arcsec: float) -> Array:
    total = np.zeros((2 * _REACH_PX + 1, 2 * _REACH_PX + 1))
    for colour_um in colours_um(glass):
        off_um = defocus_um - glass.focus_at_um(colour_um)
        blur = blur_px(telescope, colour_um, seeing_arcsec)
        total += gaussian_filter(sky.still_pattern(colour_um, off_um, _REACH_PX, masked=False), blur)
    return total


def _half_flux_px(image: Array) -> float:
    """Return the diameter about the centroid that holds half of the light."""
    y, x = np.indices(image.shape)
    light = float(image.sum())
    radius = np.hypot(x - float((x * image).sum()) / light, y - float((y * image).sum()) / light).ravel()
    order = np.argsort(radius)
    return 2.0 * float(np.interp(0.5 * light, np.cumsum(image.ravel()[order]), radius[order]))
