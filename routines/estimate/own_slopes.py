"""Each filter's own slope where one slope for all was fitted, because nothing showed that they differ.

That filters share a slope is geometry, and what the numbers rest on; that one filter's slope is the common
one, to the common one's uncertainty, would be more than its own few looks tell.
"""

from __future__ import annotations

import numpy as np

from routines.estimate.model import FIRST_SLOPE, TRANSITION
from routines.estimate.play import Array
from routines.estimate.settle import Settled, opened
from routines.estimate.solve import covariance_of, optimise
from routines.quantity import Quantity

# How far, relatively, one filter's slope may well be from another's where nothing tells: what a frame's fit
# makes of another band and another glass. One standard deviation, so wide that a filter's own looks decide.
SPREAD = 0.03


def own_slopes(settled: Settled) -> list[Quantity]:
    """Return each filter's slope (px/step) as its own looks tell it; one slope was fitted to all of them."""
    from scipy.linalg import helmert

    problem, solution = settled.problem, settled.solution
    distance = solution.at.jacobian[:, FIRST_SLOPE]
    apart = SPREAD * helmert(problem.filters).T
    shapes = distance[:, None] * apart[problem.filter_index]
    wider, state, free = opened(settled, shapes)
    free[TRANSITION] = False
    best = optimise(wider, settled.layout, state, free, iterations=6)
    covariance, _ = covariance_of(wider, settled.layout, best, free)
    places = slice(problem.size, wider.size)
    return [_slope(best.state.theta, covariance, places, row, settled.degrees_of_freedom) for row in apart]


def _slope(theta: Array, covariance: Array, places: slice, row: Array, degrees: float) -> Quantity:
    from scipy.special import stdtrit

    common, share = float(theta[FIRST_SLOPE]), 1.0 + float(row @ theta[places])
    gradient = np.zeros(len(theta))
    gradient[FIRST_SLOPE], gradient[places] = share, common * row
    u = float(np.sqrt(gradient @ covariance @ gradient))
    return Quantity.gaussian(common * share, u, float(stdtrit(degrees, 0.975)))
