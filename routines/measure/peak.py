"""How near a frame comes to saturation where it matters: in a mask's first orders, or in an open star."""

from __future__ import annotations

import numpy as np

from routines.measure.cutout import Cutout

# A hot pixel or a cosmic ray is one pixel; an order or a star lights several.
_RANK = 5
_INNER, _OUTER = 0.6, 1.5


def peak_share(cutout: Cutout, saturation_electrons: float, first_order_px: float | None) -> float | None:
    """Return the brightest light that must not saturate as a share of saturation, at most 1.

    ``first_order_px`` is how far from the star the mask's first orders lie: the ring about that distance
    counts, without the core. None takes the whole star. None comes back when no pixel lies there.
    """
    pixels = np.where(np.isfinite(cutout.pixels), cutout.pixels, 0.0)
    if first_order_px is not None:
        middle = (cutout.size_px - 1) / 2.0
        y, x = np.indices(pixels.shape)
        radius = np.hypot(x - middle, y - middle)
        pixels = pixels[(radius > _INNER * first_order_px) & (radius < _OUTER * first_order_px)]
    if pixels.size < _RANK:
        return None
    brightest = np.partition(pixels, -_RANK, axis=None)[-_RANK]
    return float(min(1.0, max(0.0, brightest / saturation_electrons)))
