"""A mask's slits and a pupil's radius, drawn on the square grid of a pupil about its axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from routines.optics import Mask

_RADII_KEPT = 4


@dataclass(frozen=True, slots=True, eq=False)
class Slits:
    """A mask's slits on a square grid about the axis, whatever its cells' size, each part in its direction.

    ``across`` is how far (cells) each point lies across its part's slits, ``phase`` where those are shifted
    to (rad).
    """

    across: NDArray[np.float32]
    phase: NDArray[np.float32]
    mask: Mask

    @classmethod
    def on_grid(cls, reach: int, mask: Mask) -> Slits:
        """Return the slits on points from ``-reach`` to ``reach - 1`` cells of either axis."""
        x = np.arange(-reach, reach, dtype=np.float32)[None, :]
        turn, lean = math.radians(mask.orientation_deg), math.radians(mask.arm_angle_deg) * mask.tilt
        u = x * np.float32(math.cos(turn)) + x.T * np.float32(math.sin(turn))
        v = x.T * np.float32(math.cos(turn)) - x * np.float32(math.sin(turn))
        straight, upper, lower = (np.float32(2.0 * math.pi * phase) for phase in mask.slit_phases)
        tilted = np.sign(v) * (u * np.float32(math.sin(lean))) + v * np.float32(math.cos(lean))
        phase = np.where(u > 0.0, np.where(v > 0.0, upper, lower), straight)
        return cls(np.where(u > 0.0, tilted, v), phase, mask)

    def amplitude(self, reach: int, cell_mm: float, orders: int) -> NDArray[np.float32]:
        """Return the mask's transmission on the middle of the grid, up to so many grating orders.

        In single precision: some 30 turns across the pupil leave an error of a millionth of a turn.
        """
        angle = inner(self.across, reach) * np.float32(2.0 * math.pi * cell_mm / self.mask.slit_period_mm)
        angle -= inner(self.phase, reach)
        return _harmonics(angle, orders, self.mask)


def inner(grid: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Return the middle of a grid about the axis, ``reach`` cells either way."""
    inner = slice(len(grid) // 2 - reach, len(grid) // 2 + reach)
    return grid[inner, inner]


@lru_cache(maxsize=_RADII_KEPT)
def radius_cells(reach: int) -> NDArray[np.float32]:
    """Return the distance (cells) from the axis of each point of a grid."""
    axis = np.arange(-reach, reach, dtype=np.float32)
    radius = np.hypot(axis[None, :], axis[:, None])
    radius.flags.writeable = False
    return radius


def _harmonics(angle: NDArray[np.float32], orders: int, mask: Mask) -> NDArray[np.float32]:
    """Return the slits' Fourier series to the given order, by the Chebyshev recurrence of cosines."""
    series = np.full_like(angle, mask.slit_duty)
    if orders == 0:
        return series
    before, now = None, np.cos(angle, out=angle)
    twice = 2.0 * now if orders > 1 else now
    for order in range(1, orders + 1):
        strength = 2.0 * math.sin(math.pi * order * mask.slit_duty) / (math.pi * order)
        if abs(strength) > 1e-9:
            series += np.float32(strength) * now
        if order < orders:
            before, now = now, twice * now - (np.float32(1.0) if before is None else before)
    return series
