"""Each filter's own slope where one slope for all was fitted, because nothing showed that they differ.

That filters share a slope is geometry, and what the numbers rest on; that one filter's slope is the common
one, to the common one's uncertainty, would be more than its own few looks tell. Where a filter was not seen
alike on both sides of focus, its crossing hangs on its slope: crossings and offsets allow for one of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from routines.estimate.model import FIRST_SLOPE, TRANSITION
from routines.estimate.play import Array
from routines.estimate.settle import Settled, opened
from routines.estimate.solve import covariance_of, optimise
from routines.quantity import Quantity

# How far, relatively, one filter's slope may well be from another's where nothing tells: what a frame's fit
# makes of another band and another glass. One standard deviation, so wide that a filter's own looks decide.
SPREAD = 0.03


def own_slopes(settled: Settled, beside: Array) -> list[Quantity]:
    """Return each filter's slope (px/step) as its own looks tell it; one slope was fitted to all of them.

    ``beside`` (n, k; steps) are further shapes that the place may have.
    """
    own, apart = _shapes_apart(settled)
    theta, covariance = _with_shapes(settled, np.column_stack([own, beside]))
    places = slice(settled.problem.size, settled.problem.size + own.shape[1])
    return [_slope(theta, covariance, places, row, settled.degrees_of_freedom) for row in apart]


def _shapes_apart(settled: Settled) -> tuple[Array, Array]:
    """Return the shapes (n, k; steps) of slopes that differ, and each filter's share of them (filters, k)."""
    from scipy.linalg import helmert

    distance = settled.solution.at.jacobian[:, FIRST_SLOPE]
    apart = SPREAD * helmert(settled.problem.filters).T
    return distance[:, None] * apart[settled.problem.filter_index], apart


@dataclass(frozen=True, slots=True)
class Moved:
    """How far the globals move (q) with a slope for each filter, and what their covariance gains (q, q)."""

    steps: Array
    covariance: Array

    def applied(self, quantity: Quantity, gradient: Array) -> Quantity:
        """Return the quantity that is ``gradient @ globals`` with the slopes free to differ."""
        if quantity.value is None or not quantity.u:
            return quantity
        by = float(gradient @ self.steps)
        added = max(float(gradient @ self.covariance @ gradient), 0.0)
        wider = math.sqrt(1.0 + added / quantity.u**2)
        return Quantity(
            quantity.value + by,
            wider * quantity.u,
            quantity.value + by - wider * (quantity.value - quantity.low95),
            quantity.value + by + wider * (quantity.high95 - quantity.value),
        )


def moved_by_own_slopes(settled: Settled) -> Moved:
    """Return what slopes that differ, unseen, would make of the globals; none where each has its own."""
    problem, held = settled.problem, settled.free.copy()
    if problem.slopes > 1 or problem.filters == 1:
        return Moved(np.zeros(problem.size), np.zeros((problem.size, problem.size)))
    held[TRANSITION] = False
    own, _ = _shapes_apart(settled)
    theta, covariance = _with_shapes(settled, own)
    common, _ = covariance_of(settled.solution, held)
    told = slice(problem.size)
    return Moved(theta[told] - settled.solution.state.theta, covariance[told, told] - common)


def common_slope(settled: Settled, beside: Array) -> Quantity:
    """Return the slope (px/step) of all filters were the place free to have further shapes (n, k; steps)."""
    theta, covariance = _with_shapes(settled, beside)
    size = settled.problem.size
    return _slope(theta, covariance, slice(size, size), np.zeros(0), settled.degrees_of_freedom)


def _with_shapes(settled: Settled, shapes: Array) -> tuple[Array, Array]:
    """Return the globals with the shapes' factors after them, and their covariance."""
    wider, state, free = opened(settled, shapes)
    free[TRANSITION] = False
    best = optimise(wider, settled.layout, state, free, iterations=6)
    covariance, _ = covariance_of(best, free)
    return best.state.theta, covariance


def _slope(theta: Array, covariance: Array, places: slice, row: Array, degrees: float) -> Quantity:
    from scipy.special import stdtrit

    common, share = float(theta[FIRST_SLOPE]), 1.0 + float(row @ theta[places])
    gradient = np.zeros(len(theta))
    gradient[FIRST_SLOPE], gradient[places] = share, common * row
    u = float(np.sqrt(gradient @ covariance @ gradient))
    return Quantity.gaussian(common * share, u, float(stdtrit(degrees, 0.975)))
