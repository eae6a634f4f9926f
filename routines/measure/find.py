"""Find the one bright star anywhere in a frame, past hot pixels, gradients and saturation.

A masked star spreads over a hundred pixels, so the frame is averaged over blocks first: that is fast on a
large frame and makes the spread-out light stand out. Of each two rows the lower pixel is taken, which a hot
pixel does not survive and a star does; what a pair of hot pixels still makes is looked at again at full
resolution, where it does not survive either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

_BLOCK_PX = 8
_CELL_BLOCKS = 16
_ROWS_AT_ONCE = 32 * _BLOCK_PX
_PATCH_PX = 32
_CANDIDATES = 400
_FIRST_LOOK = 40
# The rings of a star far from focus fill a small patch from edge to edge, and stand out only in a wide one.
_WIDE_PATCH_PX, _WIDE_LOOK = 128, 12
_AROUND_PX, _FAR_BRIGHTER = 96, 2.0
_FAINTEST_SNR = 8.0
_WANDER_PX = 24.0


@dataclass(frozen=True, slots=True)
class FoundStar:
    """A star's rough place (0-based, x the column) and what stands out there in ADU, with its noise."""

    x_px: float
    y_px: float
    signal_adu: float
    snr: float


def find_star(frame_adu: NDArray[np.generic], near: tuple[float, float] | None = None) -> FoundStar | None:
    """Return the brightest star of a 2-D frame, or None; ``near`` (x, y) is tried first, 64 px around it."""
    if near is not None:
        found = _find_near(frame_adu, near)
        if found is not None:
            return found
    if min(frame_adu.shape) < 2 * _BLOCK_PX:
        return None
    blocks = _above_background(block_levels(frame_adu))
    noise = 1.4826 * float(np.median(np.abs(blocks)))
    smooth = ndimage.uniform_filter(blocks, 3) * 9.0
    places = _peaks(smooth, 4.0 * max(noise, 1e-6) * 3.0)
    looks = (
        (0, _FIRST_LOOK, _PATCH_PX),
        (0, _WIDE_LOOK, _WIDE_PATCH_PX),
        (_FIRST_LOOK, _CANDIDATES, _PATCH_PX),
    )
    for first, last, patch_px in looks:
        best = _best_candidate(frame_adu, places[first:last], patch_px)
        if best is not None:
            return best
    return None


def _find_near(frame_adu: NDArray[np.generic], near: tuple[float, float]) -> FoundStar | None:
    """Look for the star around a place where it was before; far from there it may be a spike of the star."""
    half = 64
    x0, y0 = max(round(near[0]) - half, 0), max(round(near[1]) - half, 0)
    piece = frame_adu[y0 : y0 + 2 * half, x0 : x0 + 2 * half]
    if min(piece.shape) < _PATCH_PX:
        return None
    found = find_star(piece)
    if found is None or math.hypot(found.x_px + x0 - near[0], found.y_px + y0 - near[1]) > _WANDER_PX:
        return None
    return FoundStar(found.x_px + x0, found.y_px + y0, found.signal_adu, found.snr)


def block_levels(frame_adu: NDArray[np.generic]) -> NDArray[np.float32]:
    """Return the mean over 8 x 8 blocks of the lower of each two rows; partial blocks are left out.

    Some rows at a time: the parts of a large frame would take as much memory as the frame.
    """
    height, width = (side // _BLOCK_PX * _BLOCK_PX for side in frame_adu.shape)
    used = frame_adu[:height, :width]
    level = float(np.nanmedian(used[::7, ::7].astype(np.float64))) if used.dtype.kind == "f" else 0.0
    parts = [used[first : first + _ROWS_AT_ONCE] for first in range(0, height, _ROWS_AT_ONCE)]
    return np.concatenate([_levels_of_rows(part, level) for part in parts])


def _levels_of_rows(used: NDArray[np.generic], level: float) -> NDArray[np.float32]:
    """Return the levels of whole blocks; what is not a number counts as ``level``."""
    height, width = used.shape
    if used.dtype.kind == "f":
        used = np.nan_to_num(used.astype(np.float32), nan=level)
    kind = np.uint32 if used.dtype.kind == "u" and used.dtype.itemsize <= 2 else np.float32
    lower = np.minimum(used[0::2], used[1::2])
    rows = np.add.reduce(lower.reshape(height // _BLOCK_PX, _BLOCK_PX // 2, width), axis=1, dtype=kind)
    blocks = rows.reshape(height // _BLOCK_PX, width // _BLOCK_PX, _BLOCK_PX).sum(axis=2)
    return np.asarray(blocks / np.float32(_BLOCK_PX**2 / 2), np.float32)


def _above_background(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Subtract the sky: the median of cells of blocks, made smooth."""
    height, width = blocks.shape
    cell = min(_CELL_BLOCKS, height, width)
    trimmed = blocks[: height // cell * cell, : width // cell * cell]
    cells = trimmed.reshape(height // cell, cell, width // cell, cell)
    sky = np.median(cells, axis=(1, 3)).astype(np.float32)
    sky = ndimage.median_filter(sky, 3, mode="nearest")
    rows = np.clip((np.arange(height) + 0.5) / cell - 0.5, 0, sky.shape[0] - 1)
    columns = np.clip((np.arange(width) + 0.5) / cell - 0.5, 0, sky.shape[1] - 1)
    grid = np.meshgrid(rows, columns, indexing="ij")
    return np.asarray(blocks - ndimage.map_coordinates(sky, grid, order=1), np.float32)


def _peaks(smooth: NDArray[np.float32], threshold: float) -> NDArray[np.intp]:
    """Return the places (row, column) of local maxima above a threshold, brightest first."""
    highest = ndimage.maximum_filter(smooth, 5)
    places = np.argwhere((smooth == highest) & (smooth > threshold))
    order = np.argsort(-smooth[tuple(places.T)], kind="stable")
    return np.asarray(places[order][:_CANDIDATES])


def _best_candidate(
    frame_adu: NDArray[np.generic], places: NDArray[np.intp], patch_px: int
) -> FoundStar | None:
    """Look at candidates at full resolution and return the one with most light that is not one pixel's."""
    found = [_inspect(frame_adu, (place + 0.5) * _BLOCK_PX, patch_px) for place in places]
    real = [star for star in found if star is not None]
    return _brightest_around(frame_adu, max(real, key=lambda star: star.signal_adu)) if real else None


def _brightest_around(frame_adu: NDArray[np.generic], found: FoundStar) -> FoundStar:
    """Return what stands far brighter near a find: a sharp star among the orders that its mask throws.

    A star two pixels wide loses more to the blocks than its orders do, which are found in its stead.
    """
    around = _inspect(frame_adu, np.array([found.y_px, found.x_px]), _AROUND_PX, smoothed_px=3)
    return around if around is not None and around.snr > _FAR_BRIGHTER * found.snr else found


def _inspect(
    frame_adu: NDArray[np.generic], centre: NDArray[np.float64], patch_px: int, smoothed_px: int | None = None
) -> FoundStar | None:
    """Return what stands in a patch after a median filter, or None when nothing does."""
    y0, x0 = (max(int(c) - patch_px // 2, 0) for c in centre)
    patch = np.asarray(frame_adu[y0 : y0 + patch_px, x0 : x0 + patch_px], np.float32)
    if min(patch.shape) < 8 or not np.isfinite(patch).any():
        return None
    patch = np.nan_to_num(patch, nan=float(np.nanmedian(patch)))
    clean = _without_hot_pixels(patch)
    sky = float(np.percentile(clean, 30))
    noise = 1.4826 * float(np.median(np.abs(patch - np.median(patch)))) + 1e-3
    usual_px = 3 if patch_px == _PATCH_PX else 9
    smooth = ndimage.uniform_filter(clean - sky, smoothed_px or usual_px)
    top = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    snr = float(smooth[top]) / (noise * 0.45)
    if snr < _FAINTEST_SNR:
        return None
    y, x = _centroid(smooth, top)
    return FoundStar(x + x0, y + y0, float(np.clip(clean - sky, 0, None).sum()), snr)


def _without_hot_pixels(patch: NDArray[np.float32]) -> NDArray[np.float32]:
    """Hold each pixel to the third brightest of its 3 x 3: one or two hot pixels go, a sharp star stays.

    A median would take the core of a star two pixels wide as well, and its first orders would outshine it.
    """
    return np.asarray(np.minimum(patch, ndimage.rank_filter(patch, -3, 3)))


def _centroid(smooth: NDArray[np.float32], top: tuple[np.intp, ...]) -> tuple[float, float]:
    """Return the centre of light above half the peak, connected to it: a saturated plateau's middle too."""
    labels, _ = ndimage.label(smooth >= 0.5 * smooth[top])
    y, x = ndimage.center_of_mass(smooth, labels, labels[top])
    return float(y), float(x)
