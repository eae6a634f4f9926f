"""Tell which pixels hold light that is not the star's: hot pixels, cosmic rays, other stars, trails."""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import ndimage

# A pixel is called strange only where it stands beyond this share of the star's own light too: a fit that has
# gone wrong would otherwise call the star's core strange, leave it out, and look good.
_ALLOWED_SHARE = 0.3
_FAR = 5.0
_BOX_PX = 5
_LEAST_SNR = 8.0
_ABOVE_PATTERN = 3.0
_CORE_PX = 6.0
_MARGIN_PX = 2

Values = NDArray[np.float64]
Pixels = NDArray[np.bool_]


def isolated(residual: Values, signal: Values, variance: Values, used: Pixels) -> Pixels:
    """Return pixels far off whose neighbours are not: hot pixels and cosmic rays, not a poor model.

    All have shape (n, n): residual and the star's own light in electrons, the noise's variance.
    """
    deviation = residual / np.sqrt(variance + (_ALLOWED_SHARE * signal) ** 2)
    far = used & (np.abs(deviation) > _FAR)
    if not far.any():
        return far
    padded = np.pad(np.where(used, deviation, 0.0), 1)
    rows, columns = np.nonzero(far)
    around = [padded[rows + i, columns + j] for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    alone = np.abs(np.median(around, axis=0)) < 0.25 * np.abs(deviation[rows, columns])
    found = np.zeros_like(far)
    found[rows[alone], columns[alone]] = True
    return found


def foreign(
    residual: Values, signal: Values, variance: Values, used: Pixels, place_px: tuple[float, float]
) -> Pixels:
    """Return pixels, with a margin, around which light stands beyond noise and beyond the pattern itself.

    Judged on the light in 5 x 5 px, so that a spike a little off its place is not taken for foreign, and
    never in the core of the star at ``place_px`` (x, y). At most a quarter of the pixels is left out.
    """
    area = float(_BOX_PX**2)
    extra = ndimage.uniform_filter(np.where(used, residual, 0.0), _BOX_PX) * area
    # The noise of a box is no less than that of the quietest one: few pixels are worth a closer look.
    near = extra > _LEAST_SNR * math.sqrt(max(float(variance.min()) * area, 1.0))
    near = near & used & (_distance2_px2(residual.shape, place_px) > _CORE_PX**2)
    if not near.any():
        return np.zeros_like(used)
    extra = extra[near]
    noise, pattern = np.sqrt(_in_boxes(variance, near)), _in_boxes(np.abs(signal), near)
    found = np.zeros_like(used)
    found[near] = (extra > _LEAST_SNR * noise) & (extra > _ABOVE_PATTERN * pattern)
    if not found.any() or found.mean() > 0.25:
        return np.zeros_like(used)
    return _widened(found, _MARGIN_PX)


def _in_boxes(image: Values, wanted: Pixels) -> Values:
    """Return the sum over a box around each wanted pixel; what lies beyond an edge is its mirror image."""
    windows = sliding_window_view(np.pad(image, _BOX_PX // 2, mode="symmetric"), (_BOX_PX, _BOX_PX))
    return np.asarray(windows[wanted].sum(axis=(1, 2)))


def _distance2_px2(shape: tuple[int, ...], place_px: tuple[float, float]) -> Values:
    """Return each pixel's squared distance from a place (x, y)."""
    across, down = np.arange(shape[1]) - place_px[0], np.arange(shape[0]) - place_px[1]
    return np.asarray(across[None, :] ** 2 + down[:, None] ** 2)


def _widened(found: Pixels, by_px: int) -> Pixels:
    """Return pixels with those that so many steps along rows and columns reach."""
    for _ in range(by_px):
        wider = found.copy()
        wider[1:] |= found[:-1]
        wider[:-1] |= found[1:]
        wider[:, 1:] |= found[:, :-1]
        wider[:, :-1] |= found[:, 1:]
        found = wider
    return found
