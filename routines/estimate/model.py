"""The joint model: spike error = slope * (place - crossing - alpha * warmth), for every look at once.

The globals are one vector, [backlash, transition, alpha, slopes.., crossings.., bends.., strays..]. The
crossings are those of the inward branch. The bends say how the true temperature departs from the curve
through the readings, the strays how the drawtube departs from the model's mechanics where looks have shown
that it does; both in units of their own standard uncertainty. The slacks, one for each pass, touch only their
own rows, and are kept apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from routines.estimate.passes import Layout
from routines.estimate.play import Array, places
from routines.estimate.robust import mixture

BACKLASH, TRANSITION, ALPHA, FIRST_SLOPE = 0, 1, 2, 3


@dataclass(frozen=True, slots=True)
class Problem:
    """The usable rows (n): positions (steps, rising outward), spike errors and own u (px; 0 where unknown).

    ``warmth`` (n) is temperature minus the reference in deg C, zeros where unknown; ``bends`` (n, k) are the
    shapes, in deg C, by which it may be wrong; ``strays`` (n, j) those, in steps, by which the place may be;
    the first ``slips`` of them are a steady slip's, which no fit takes for absent.
    ``slopes`` is 1 for a common slope, else the number of filters. ``alpha_prior`` is the standard deviation
    (steps per deg C) of what is believed about alpha beforehand. The transition is believed to be of the
    order of ``transition_scale`` (steps) or less: half-Cauchy, so that looks that say otherwise are heard.
    """

    position: Array
    value: Array
    u: Array
    filter_index: npt.NDArray[np.intp]
    warmth: Array
    bends: Array
    strays: Array
    slips: int
    filters: int
    slopes: int
    alpha_prior: float
    transition_scale: float
    outlier_share: float
    outlier_width: float

    @property
    def size(self) -> int:
        """Return the number of globals."""
        return self.first_stray + int(self.strays.shape[1])

    @property
    def first_bend(self) -> int:
        """Return where the bends begin among the globals."""
        return FIRST_SLOPE + self.slopes + self.filters

    @property
    def first_stray(self) -> int:
        """Return where the strays begin among the globals."""
        return self.first_bend + int(self.bends.shape[1])

    @property
    def slip_places(self) -> slice:
        """Return where the steady slip's strays are among the globals."""
        return slice(self.first_stray, self.first_stray + self.slips)

    def warmth_at(self, theta: Array) -> Array:
        """Return the temperature (n) minus the reference, with the bends in it."""
        if not self.bends.shape[1]:
            return self.warmth
        warmth: Array = self.warmth + self.bends @ theta[self.first_bend : self.first_stray]
        return warmth

    def prior_precision(self, theta: Array) -> Array:
        """Return the precision (q) of what is believed about each global beforehand, all about zero.

        That of the transition is the half-Cauchy's at ``theta``, as a reweighted normal one.
        """
        precision = np.zeros(self.size)
        precision[ALPHA] = self.alpha_prior**-2
        precision[self.first_bend :] = 1.0
        precision[TRANSITION] = 2.0 / (self.transition_scale**2 + theta[TRANSITION] ** 2)
        return precision

    def prior_cost(self, theta: Array) -> float:
        """Return -2 log of what is believed beforehand, up to a constant."""
        tail = theta[self.first_bend :]
        half_cauchy = 2.0 * math.log1p((float(theta[TRANSITION]) / self.transition_scale) ** 2)
        return float((theta[ALPHA] / self.alpha_prior) ** 2 + tail @ tail) + half_cauchy

    def slope_of(self, theta: Array) -> Array:
        """Return the slope (n) that each row goes by."""
        slopes = theta[FIRST_SLOPE : FIRST_SLOPE + self.slopes]
        return slopes[self.filter_index] if self.slopes > 1 else np.full(len(self.value), slopes[0])

    def crossing_of(self, theta: Array) -> Array:
        """Return the inward crossing (n) of each row's filter."""
        return theta[FIRST_SLOPE + self.slopes : self.first_bend][self.filter_index]

    def focus_of(self, theta: Array) -> Array:
        """Return the place (n, steps, by the mechanics alone) at which each row would be in focus."""
        focus: Array = self.crossing_of(theta) + theta[ALPHA] * self.warmth_at(theta)
        return focus - self.strays @ theta[self.first_stray :] if self.strays.shape[1] else focus


@dataclass(frozen=True, slots=True)
class State:
    """One setting of all unknowns. ``slack`` is infinite where a pass began with the play taken up."""

    theta: Array
    slack: Array
    free_slack: npt.NDArray[np.bool_]
    variance: Array


@dataclass(frozen=True, slots=True)
class Look:
    """The model at a state: residuals, -2 log likelihood with the prior, belief, and the Jacobian."""

    residual: Array
    cost: float
    good: Array
    jacobian: Array
    by_slack: Array


def arguments(problem: Problem, layout: Layout, theta: Array, slack: Array) -> Array:
    """Return each row's distance from focus (n, steps): place + stray - crossing - alpha * warmth."""
    place = places(layout.route, slack, theta[BACKLASH], theta[TRANSITION]).place
    distance: Array = place - problem.focus_of(theta)
    return distance


def look(problem: Problem, layout: Layout, state: State) -> Look:
    """Evaluate the model and its analytic derivatives."""
    theta = state.theta
    at = places(layout.route, state.slack, theta[BACKLASH], theta[TRANSITION])
    slope = problem.slope_of(theta)
    warmth = problem.warmth_at(theta)
    distance = at.place - problem.focus_of(theta)
    residual = problem.value - slope * distance
    loss, good = mixture(residual, state.variance, problem.outlier_share, problem.outlier_width)
    jacobian = np.zeros((len(residual), problem.size))
    jacobian[:, BACKLASH] = slope * at.by_backlash
    jacobian[:, TRANSITION] = slope * at.by_transition
    jacobian[:, ALPHA] = -slope * warmth
    rows = np.arange(len(residual))
    own_slope = problem.filter_index if problem.slopes > 1 else 0
    jacobian[rows, FIRST_SLOPE + own_slope] = distance
    jacobian[rows, FIRST_SLOPE + problem.slopes + problem.filter_index] = -slope
    bends = slice(problem.first_bend, problem.first_stray)
    jacobian[:, bends] = (-theta[ALPHA] * slope)[:, None] * problem.bends
    jacobian[:, problem.first_stray :] = slope[:, None] * problem.strays
    cost = float(np.sum(loss)) + problem.prior_cost(theta)
    return Look(residual, cost, good, jacobian, slope * at.by_slack)


def cost_of(problem: Problem, layout: Layout, state: State) -> float:
    """Return only the cost, for trial steps."""
    theta = state.theta
    distance = arguments(problem, layout, theta, state.slack)
    residual = problem.value - problem.slope_of(theta) * distance
    loss, _ = mixture(residual, state.variance, problem.outlier_share, problem.outlier_width)
    return float(np.sum(loss)) + problem.prior_cost(theta)
