"""Damped Gauss-Newton for the joint model, with the slacks eliminated pass by pass.

Each row knows one slack only, so the normal matrix is an arrow; eliminating its diagonal part (the Schur
complement) keeps a step's cost proportional to the number of rows. Damping after Marquardt (1963).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from routines.estimate.model import (
    BACKLASH,
    TRANSITION,
    Look,
    Mask,
    Problem,
    State,
    chosen,
    look,
    places_of,
    put,
    together,
)
from routines.estimate.passes import Layout
from routines.estimate.play import NARROWEST_TRANSITION_STEPS, Array

# A global that the rows say nothing about gets this huge a variance's inverse instead of none.
LEAST_INFORMATION = 1e-14
# Of the best known slack's information: below this a slack is as good as unknown over any range.
SLACK_TOLD = 1e-9
LEAST_EIGENVALUE = 1e-12
# So many rows, all states together, are evaluated at once: more would not fit a processor's cache.
ROWS_AT_ONCE = 20_000


@dataclass(frozen=True, slots=True)
class Arrow:
    """The normal equations: globals (.., q, q), slacks (.., J), coupling (.., J, q), and both gradients."""

    matrix: Array
    gradient: Array
    slack_matrix: Array
    coupling: Array
    slack_gradient: Array


@dataclass(frozen=True, slots=True)
class Solution:
    """A state at its minimum, with the model there and the normal equations."""

    state: State
    at: Look
    arrow: Arrow
    cost: float


def normal_equations(problem: Problem, layout: Layout, state: State, at: Look) -> Arrow:
    """Return the arrow-shaped normal equations, rows weighted by belief over variance."""
    weight = at.good / state.variance
    weighted = at.jacobian * weight[..., None]
    across = np.swapaxes(weighted, -1, -2)
    matrix = across @ at.jacobian
    precision = problem.prior_precision(state.theta)
    gradient = (across @ at.residual[..., None])[..., 0] - precision * state.theta
    index = np.arange(problem.size)
    matrix[..., index, index] += precision
    starts = layout.starts
    slack_matrix = np.add.reduceat(weight * at.by_slack**2, starts, axis=-1)
    coupling = np.add.reduceat(weighted * at.by_slack[..., None], starts, axis=-2)
    slack_gradient = np.add.reduceat(weight * at.by_slack * at.residual, starts, axis=-1)
    return Arrow(matrix, gradient, slack_matrix, coupling, slack_gradient)


def _least_backlash(theta: Array, free: Mask) -> Array:
    """Return the bound (..) that keeps every play positive: half the transition, where that is held."""
    return np.zeros(theta.shape[:-1]) if free[TRANSITION] else 0.5 * theta[..., TRANSITION]


def _at_bound(state: State, layout: Layout, arrow: Arrow, free: Mask) -> tuple[Mask, Mask]:
    """Return which globals (.., q) and slacks (.., J) sit at a bound that the gradient pushes against."""
    theta, gradient = state.theta, arrow.gradient
    stuck = np.zeros(theta.shape, dtype=bool)
    least = theta[..., BACKLASH] <= _least_backlash(theta, free)
    stuck[..., BACKLASH] = least & (gradient[..., BACKLASH] < 0.0)
    narrow = (theta[..., TRANSITION] <= NARROWEST_TRANSITION_STEPS) & (gradient[..., TRANSITION] <= 0.0)
    wide = (theta[..., TRANSITION] >= 2.0 * theta[..., BACKLASH]) & (gradient[..., TRANSITION] >= 0.0)
    stuck[..., TRANSITION] = narrow | wide
    held: Mask = (state.slack <= layout.lowest) & (arrow.slack_gradient < 0.0)
    return stuck, held


def _step(arrow: Arrow, free: Mask, free_slack: Mask, damping: Array) -> tuple[Array, Array]:
    """Return the damped step of globals (.., q) and slacks (.., J); zero where not free (the same shapes)."""
    damping = damping[..., None]
    diagonal = np.where(free_slack, arrow.slack_matrix * (1.0 + damping), 1.0)
    coupling = np.where(free_slack[..., None], arrow.coupling, 0.0)
    slack_gradient = np.where(free_slack, arrow.slack_gradient, 0.0)
    across, share = np.swapaxes(coupling, -1, -2), slack_gradient / diagonal
    reduced = arrow.matrix - across @ (coupling / diagonal[..., None])
    gradient = arrow.gradient - (across @ share[..., None])[..., 0]
    scale = np.sqrt(np.maximum(np.diagonal(arrow.matrix, axis1=-2, axis2=-1), 1e-300))
    # What is held keeps a row and a column of its own, of which nothing else hears.
    told = np.where(free, 1.0 / scale, 0.0)
    small = reduced * (told[..., :, None] * told[..., None, :])
    index = np.arange(small.shape[-1])
    small[..., index, index] += np.where(free, damping + 1e-13, 1.0)
    step = np.linalg.solve(small, (gradient * told)[..., None])[..., 0] * told
    return step, (slack_gradient - (coupling @ step[..., None])[..., 0]) / diagonal


def _moved(state: State, layout: Layout, step: Array, slack_step: Array, free: Mask) -> State:
    theta = state.theta + step
    if free[BACKLASH]:
        theta[..., BACKLASH] = np.maximum(theta[..., BACKLASH], _least_backlash(theta, free))
    if free[TRANSITION]:
        widest = np.maximum(2.0 * theta[..., BACKLASH], NARROWEST_TRANSITION_STEPS)
        wide = np.maximum(theta[..., TRANSITION], NARROWEST_TRANSITION_STEPS)
        theta[..., TRANSITION] = np.minimum(wide, widest)
    slack = np.where(state.free_slack, state.slack + slack_step, state.slack)
    return State(theta, np.maximum(slack, layout.lowest), state.free_slack, state.variance)


def optimise(
    problem: Problem,
    layout: Layout,
    state: State,
    free: Mask,
    *,
    iterations: int = 30,
    tolerance: float = 1e-4,
) -> Solution:
    """Return the nearest minimum over the globals marked ``free`` (q) and the free slacks.

    Ends when a step promises less than ``tolerance`` in -2 log likelihood.
    """
    return optimise_all(problem, layout, [state], free, iterations=iterations, tolerance=tolerance)[0]


def optimise_all(
    problem: Problem,
    layout: Layout,
    states: Sequence[State],
    free: Mask,
    *,
    iterations: int = 30,
    tolerance: float = 1e-4,
) -> list[Solution]:
    """Return the minimum nearest to each state, as `optimise` would, in hardly more time than one."""
    at_once = max(1, ROWS_AT_ONCE // len(problem.value))
    found: list[Solution] = []
    for first in range(0, len(states), at_once):
        state = together(states[first : first + at_once])
        found += _descended(problem, layout, state, free, iterations, tolerance)
    return found


def _descended(
    problem: Problem, layout: Layout, state: State, free: Mask, iterations: int, tolerance: float
) -> list[Solution]:
    still = not (free[BACKLASH] or free[TRANSITION] or state.free_slack.any())
    # With plays and slacks held the drawtube stands where it stood, whatever else is tried.
    places = places_of(layout, state) if still else None
    at = look(problem, layout, state, places)
    arrow = normal_equations(problem, layout, state, at)
    count = len(at.cost)
    damping, going = np.full(count, 1e-4), np.arange(count)
    for _ in range(iterations):
        here, pull = (state, arrow) if len(going) == count else (chosen(state, going), chosen(arrow, going))
        stuck, held = _at_bound(here, layout, pull, free)
        movable = here.free_slack & ~held & (pull.slack_matrix > 0.0)
        step, slack_step = _step(pull, free & ~stuck, movable, damping[going])
        promised = (step * pull.gradient).sum(axis=-1)
        promised += (slack_step * np.where(movable, pull.slack_gradient, 0.0)).sum(axis=-1)
        unfinished = ~(promised < tolerance)
        if not unfinished.any():
            break
        trial = _moved(here, layout, step, slack_step, free)
        there = look(problem, layout, trial, places and chosen(places, going))
        better = unfinished & (there.cost < at.cost[going])
        if better.any():
            state, at = put(state, going, trial, better), put(at, going, there, better)
            arrow = put(arrow, going, normal_equations(problem, layout, trial, there), better)
        before = damping[going]
        damping[going] = np.where(better, np.maximum(0.2 * before, 1e-9), 8.0 * np.maximum(before, 1e-3))
        going = going[unfinished & (damping[going] <= 1e8)]
    return [
        Solution(chosen(state, k), chosen(at, k), chosen(arrow, k), float(at.cost[k])) for k in range(count)
    ]


def loose_slacks(solution: Solution) -> Mask:
    """Return which free slacks (J) the rows say anything about.

    A pass that is past all of its play says nothing of its slack but rounding, and that must not count: the
    evidence takes the logarithm of what is said.
    """
    return _loose(solution.state.free_slack, solution.arrow.slack_matrix)


def _loose(free_slack: Mask, said: Array) -> Mask:
    told: Mask = said > SLACK_TOLD * np.max(said, axis=-1, initial=0.0, keepdims=True)
    return free_slack & told


def _inverted(matrix: Array) -> tuple[Array, Array]:
    """Return the inverses of normal matrices (k, q, q) with diagonals near 1, and log determinants (k).

    Rounding may leave unknowns that hang on each other wholly with an eigenvalue of zero or below, which no
    normal matrix has: they are then as good as unknown, and never of a negative variance.
    """
    try:
        root = np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        if len(matrix) > 1:
            each = [_inverted(one[None]) for one in matrix]
            return np.concatenate([own for own, _ in each]), np.concatenate([log for _, log in each])
        values, vectors = np.linalg.eigh(matrix)
        values = np.maximum(values, LEAST_EIGENVALUE)
        return (vectors / values[:, None]) @ np.swapaxes(vectors, -1, -2), np.log(values).sum(axis=-1)
    log = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64), 2.0 * log


def covariance_of(solution: Solution, free: Mask) -> tuple[Array, float]:
    """Return the globals' covariance (q, q), slacks marginalised, and the normal matrix's log determinant.

    Rows and columns of globals that are not free are zero. The determinant includes the free slacks.
    """
    covariance, determinant = covariances_of([solution], free)
    return covariance[0], float(determinant[0])


def covariances_of(solutions: Sequence[Solution], free: Mask) -> tuple[Array, Array]:
    """Return the covariances (k, q, q) and log determinants (k) of many solutions (at least one) at once."""
    arrows = [solution.arrow for solution in solutions]
    said = np.array([arrow.slack_matrix for arrow in arrows])
    movable = _loose(np.array([solution.state.free_slack for solution in solutions]), said)
    diagonal = np.where(movable, said, 1.0)
    coupling = np.where(movable[..., None], np.array([arrow.coupling for arrow in arrows]), 0.0)
    matrix = np.array([arrow.matrix for arrow in arrows])
    reduced = matrix - np.swapaxes(coupling, -1, -2) @ (coupling / diagonal[..., None])
    which = np.flatnonzero(free)
    block = np.ix_(np.arange(len(arrows)), which, which)
    small = reduced[block]
    scale = np.sqrt(np.maximum(np.diagonal(small, axis1=-2, axis2=-1), LEAST_INFORMATION))
    both = scale[:, :, None] * scale[:, None, :]
    scaled = small / both
    index = np.arange(len(which))
    scaled[:, index, index] += 1e-12
    inverse, determinant = _inverted(scaled)
    covariance = np.zeros_like(matrix)
    covariance[block] = inverse / both
    determinant = determinant + 2.0 * np.log(scale).sum(axis=-1) + np.log(diagonal).sum(axis=-1)
    return covariance, determinant
