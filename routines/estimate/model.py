"""The joint model: spike error = slope * (place - crossing - alpha * warmth), for every look at once.

The globals are one vector, [backlash, transition, alpha, slopes.., crossings.., bends.., strays..]. The
crossings are those of the inward branch. The bends say how the true temperature departs from the curve
through the readings, the strays how the drawtube departs from the model's mechanics where looks have shown
that it does; both in units of their own standard uncertainty. The slacks, one for each pass, touch only their
own rows, and are kept apart. Axes before the last one, where there are any, are so many settings at once: to
evaluate a hundred of them takes hardly longer than one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from routines.estimate.passes import Layout
from routines.estimate.play import Array, Index, Places, place_at, places
from routines.estimate.robust import mixture

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Mask = npt.NDArray[np.bool_]
# A dataclass of arrays that all share their axes before the last ones.
Many = TypeVar("Many", bound="DataclassInstance")

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
        """Return the temperature (.., n) minus the reference, with the bends in it."""
        if not self.bends.shape[1]:
            return self.warmth
        warmth: Array = self.warmth + theta[..., self.first_bend : self.first_stray] @ self.bends.T
        return warmth

    def prior_precision(self, theta: Array) -> Array:
        """Return the precision (.., q) of what is believed about each global beforehand, all about zero.

        That of the transition is the half-Cauchy's at ``theta``, as a reweighted normal one.
        """
        precision = np.zeros(theta.shape)
        precision[..., ALPHA] = self.alpha_prior**-2
        precision[..., self.first_bend :] = 1.0
        precision[..., TRANSITION] = 2.0 / (self.transition_scale**2 + theta[..., TRANSITION] ** 2)
        return precision

    def prior_cost(self, theta: Array) -> Array:
        """Return -2 log (..) of what is believed beforehand, up to a constant."""
        tail = (theta[..., self.first_bend :] ** 2).sum(axis=-1)
        half_cauchy = 2.0 * np.log1p((theta[..., TRANSITION] / self.transition_scale) ** 2)
        return np.asarray((theta[..., ALPHA] / self.alpha_prior) ** 2 + tail + half_cauchy)

    def slope_of(self, theta: Array) -> Array:
        """Return the slope (.., n) that each row goes by."""
        slopes = theta[..., FIRST_SLOPE : FIRST_SLOPE + self.slopes]
        if self.slopes > 1:
            return slopes[..., self.filter_index]
        return np.broadcast_to(slopes, (*theta.shape[:-1], len(self.value)))

    def common_slope_of(self, theta: Array) -> Array:
        """Return the same with one column (.., 1) where all rows go by one slope."""
        return theta[..., FIRST_SLOPE, None] if self.slopes == 1 else self.slope_of(theta)

    def crossing_of(self, theta: Array) -> Array:
        """Return the inward crossing (.., n) of each row's filter."""
        return theta[..., FIRST_SLOPE + self.slopes : self.first_bend][..., self.filter_index]

    def focus_of(self, theta: Array) -> Array:
        """Return the place (.., n, steps, by the mechanics alone) at which each row would be in focus."""
        return self._focus_at(theta, self.warmth_at(theta))

    def _focus_at(self, theta: Array, warmth: Array) -> Array:
        focus: Array = self.crossing_of(theta) + theta[..., ALPHA, None] * warmth
        return focus - theta[..., self.first_stray :] @ self.strays.T if self.strays.shape[1] else focus

    def about_focus(self, theta: Array) -> tuple[Array, Array]:
        """Return where each row would be in focus, as ``focus_of`` does, and its temperature (.., n) both."""
        warmth = self.warmth_at(theta)
        return self._focus_at(theta, warmth), warmth


@dataclass(frozen=True, slots=True)
class State:
    """One setting of all unknowns, or many: globals (.., q), slacks (.., J) and the rows' variance (.., n).

    ``slack`` is infinite where a pass began with the play taken up.
    """

    theta: Array
    slack: Array
    free_slack: npt.NDArray[np.bool_]
    variance: Array


@cache
def _names(kind: type[DataclassInstance]) -> tuple[str, ...]:
    return tuple(item.name for item in fields(kind))


def chosen(many: Many, which: Index | Mask | int) -> Many:
    """Return some of many settings (or looks, or normal equations), or one of them."""
    kind = type(many)
    return kind(*[getattr(many, name)[which] for name in _names(kind)])


def put(into: Many, where: Index, fresh: Many, which: Mask) -> Many:
    """Return ``into`` with those of ``fresh`` (k) that ``which`` (k) marks at their places (k) in it.

    ``into`` is written to, unless ``fresh`` replaces all of it.
    """
    names = _names(type(into))
    if len(which) == len(getattr(into, names[0])) and which.all():
        return fresh
    places = where[which]
    for name in names:
        getattr(into, name)[places] = getattr(fresh, name)[which]
    return into


def together(states: Sequence[State]) -> State:
    """Return many settings (each without further axes) as one, along a first axis."""
    return State(*(np.array([getattr(state, name) for state in states]) for name in _names(State)))


@dataclass(frozen=True, slots=True)
class Look:
    """The model at a state: residuals (.., n), -2 log likelihood with the prior (..), belief (.., n).

    And the Jacobian (.., n, q), with each row's derivative by its own slack (.., n).
    """

    residual: Array
    cost: Array
    good: Array
    jacobian: Array
    by_slack: Array


def arguments(problem: Problem, layout: Layout, theta: Array, slack: Array) -> Array:
    """Return each row's distance from focus (.., n, steps): place + stray - crossing - alpha * warmth."""
    place = place_at(layout.route, slack, theta[..., BACKLASH], theta[..., TRANSITION])
    distance: Array = place - problem.focus_of(theta)
    return distance


def places_of(layout: Layout, state: State) -> Places:
    """Return where the drawtube is at each look, with the derivatives."""
    theta = state.theta
    return places(layout.route, state.slack, theta[..., BACKLASH], theta[..., TRANSITION])


def look(problem: Problem, layout: Layout, state: State, at: Places | None = None) -> Look:
    """Evaluate the model and its analytic derivatives; ``at`` are the places where they are known."""
    theta = state.theta
    at = at or places_of(layout, state)
    slope = problem.common_slope_of(theta)
    focus, warmth = problem.about_focus(theta)
    distance = at.place - focus
    residual = problem.value - slope * distance
    loss, good = mixture(residual, state.variance, problem.outlier_share, problem.outlier_width)
    jacobian = np.zeros((*residual.shape, problem.size))
    jacobian[..., BACKLASH] = slope * at.by_backlash
    jacobian[..., TRANSITION] = slope * at.by_transition
    jacobian[..., ALPHA] = -slope * warmth
    own = problem.filter_index[:, None] == np.arange(problem.filters)
    crossings = slice(FIRST_SLOPE + problem.slopes, problem.first_bend)
    jacobian[..., FIRST_SLOPE : crossings.start] = distance[..., None] * (own if problem.slopes > 1 else 1.0)
    jacobian[..., crossings] = -slope[..., None] * own
    if problem.bends.shape[1]:
        bends = slice(problem.first_bend, problem.first_stray)
        jacobian[..., bends] = (-theta[..., ALPHA, None] * slope)[..., None] * problem.bends
    if problem.strays.shape[1]:
        jacobian[..., problem.first_stray :] = slope[..., None] * problem.strays
    cost = loss.sum(axis=-1) + problem.prior_cost(theta)
    return Look(residual, cost, good, jacobian, slope * at.by_slack)


def cost_of(problem: Problem, layout: Layout, state: State) -> Array:
    """Return only the cost (..)."""
    theta = state.theta
    distance = arguments(problem, layout, theta, state.slack)
    residual = problem.value - problem.common_slope_of(theta) * distance
    loss, _ = mixture(residual, state.variance, problem.outlier_share, problem.outlier_width)
    cost: Array = loss.sum(axis=-1) + problem.prior_cost(theta)
    return cost
