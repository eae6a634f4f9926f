"""The one place where a controller's counts become positions that rise outward, and back.

A focuser may count up or down as the sensor goes outward. Everything inside the science rises outward, so
a falling count is negated once here; nothing else in the project knows about the difference.
"""

from __future__ import annotations

from typing import Literal

from routines.quantity import Quantity

Outward = Literal["rising", "falling"]


def sign_of(outward: Outward) -> int:
    """Return +1 when counts rise outward, -1 when they fall; ValueError for any other word."""
    if outward == "rising":
        return 1
    if outward == "falling":
        return -1
    raise ValueError(f'outward is "rising" or "falling", not {outward!r}')


def to_science(counts: float, outward: Outward) -> float:
    """Return the position (steps, rising outward) of a controller's count."""
    return float(sign_of(outward) * counts)


def to_counts(position_steps: float, outward: Outward) -> int:
    """Return the controller's whole count nearest to a position that rises outward."""
    return sign_of(outward) * round(position_steps)


def limits_to_science(low_counts: float, high_counts: float, outward: Outward) -> tuple[float, float]:
    """Return a controller's soft limits as (low, high) positions that rise outward."""
    low, high = sorted((to_science(low_counts, outward), to_science(high_counts, outward)))
    return low, high


def quantity_to_counts(quantity: Quantity, outward: Outward) -> Quantity:
    """Return a measured position or difference in the controller's counts (unrounded)."""
    return quantity.scaled(sign_of(outward))
