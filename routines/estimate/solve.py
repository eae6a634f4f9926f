"""Damped Gauss-Newton for the joint model, with the slacks eliminated pass by pass.

Each row knows one slack only, so the normal matrix is an arrow; eliminating its diagonal part (the Schur
complement) keeps a step's cost proportional to the number of rows. Damping after Marquardt (1963).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from routines.estimate.model import BACKLASH, TRANSITION, Look, Problem, State, cost_of, look
from routines.estimate.passes import Layout
from routines.estimate.play import NARROWEST_TRANSITION_STEPS, Array

Mask = npt.NDArray[np.bool_]

# A global that the rows say nothing about gets this huge a variance's inverse instead of none.
LEAST_INFORMATION = 1e-14
# Of the best known slack's information: below this a slack is as good as unknown over any range.
SLACK_TOLD = 1e-9
LEAST_EIGENVALUE = 1e-12


@dataclass(frozen=True, slots=True)
class Arrow:
    """The normal equations: globals (q, q), slacks (J), their coupling (J, q), and both gradients."""

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
    weighted = at.jacobian * weight[:, None]
    matrix = weighted.T @ at.jacobian
    gradient = weighted.T @ at.residual
    precision = problem.prior_precision(state.theta)
    matrix[np.diag_indices(problem.size)] += precision
    gradient -= precision * state.theta
    starts = layout.starts
    slack_matrix = np.add.reduceat(weight * at.by_slack**2, starts)
    coupling = np.add.reduceat(weighted * at.by_slack[:, None], starts, axis=0)
    slack_gradient = np.add.reduceat(weight * at.by_slack * at.residual, starts)
    return Arrow(matrix, gradient, slack_matrix, coupling, slack_gradient)


def _least_backlash(theta: Array, free: Mask) -> float:
    """Return the bound that keeps every play positive: half the transition, where that is held."""
    return 0.0 if free[TRANSITION] else 0.5 * float(theta[TRANSITION])


def _at_bound(state: State, layout: Layout, arrow: Arrow, free: Mask) -> tuple[Mask, Mask]:
    """Return which globals and slacks sit at a bound that the gradient pushes against."""
    theta = state.theta
    stuck = np.zeros(len(theta), dtype=bool)
    stuck[BACKLASH] = theta[BACKLASH] <= _least_backlash(theta, free) and arrow.gradient[BACKLASH] < 0.0
    narrow = theta[TRANSITION] <= NARROWEST_TRANSITION_STEPS and arrow.gradient[TRANSITION] <= 0.0
    wide = theta[TRANSITION] >= 2.0 * theta[BACKLASH] and arrow.gradient[TRANSITION] >= 0.0
    stuck[TRANSITION] = narrow or wide
    held = (state.slack <= layout.lowest) & (arrow.slack_gradient < 0.0)
    return stuck, held


def _step(arrow: Arrow, free: Mask, free_slack: Mask, damping: float) -> tuple[Array, Array]:
    """Return the damped step of globals (q) and slacks (J); zero where not free."""
    diagonal = np.where(free_slack, arrow.slack_matrix * (1.0 + damping), 1.0)
    coupling = np.where(free_slack[:, None], arrow.coupling, 0.0)
    slack_gradient = np.where(free_slack, arrow.slack_gradient, 0.0)
    reduced = arrow.matrix - coupling.T @ (coupling / diagonal[:, None])
    gradient = arrow.gradient - coupling.T @ (slack_gradient / diagonal)
    scale = np.sqrt(np.maximum(np.diag(arrow.matrix), 1e-300))
    which = np.flatnonzero(free)
    small = reduced[np.ix_(which, which)] / np.outer(scale[which], scale[which])
    small[np.diag_indices(len(which))] += damping + 1e-13
    step = np.zeros(len(arrow.gradient))
    step[which] = np.linalg.solve(small, gradient[which] / scale[which]) / scale[which]
    return step, (slack_gradient - coupling @ step) / diagonal


def _moved(state: State, layout: Layout, step: Array, slack_step: Array, free: Mask) -> State:
    theta = state.theta + step
    if free[BACKLASH]:
        theta[BACKLASH] = max(theta[BACKLASH], _least_backlash(theta, free))
    if free[TRANSITION]:
        widest = max(2.0 * theta[BACKLASH], NARROWEST_TRANSITION_STEPS)
        theta[TRANSITION] = min(max(theta[TRANSITION], NARROWEST_TRANSITION_STEPS), widest)
    slack = np.where(state.free_slack, state.slack + slack_step, state.slack)
    return replace(state, theta=theta, slack=np.maximum(slack, layout.lowest))


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
    at = look(problem, layout, state)
    arrow = normal_equations(problem, layout, state, at)
    damping = 1e-4
    for _ in range(iterations):
        stuck, held = _at_bound(state, layout, arrow, free)
        movable = state.free_slack & ~held & (arrow.slack_matrix > 0.0)
        step, slack_step = _step(arrow, free & ~stuck, movable, damping)
        trial = _moved(state, layout, step, slack_step, free)
        promised = float(step @ arrow.gradient + slack_step @ np.where(movable, arrow.slack_gradient, 0.0))
        if promised < tolerance:
            break
        if cost_of(problem, layout, trial) < at.cost:
            state, damping = trial, max(damping * 0.2, 1e-9)
            at = look(problem, layout, state)
            arrow = normal_equations(problem, layout, state, at)
        else:
            damping = max(damping, 1e-3) * 8.0
            if damping > 1e8:
                break
    return Solution(state, at, arrow, at.cost)


def loose_slacks(solution: Solution) -> Mask:
    """Return which free slacks (J) the rows say anything about.

    A pass that is past all of its play says nothing of its slack but rounding, and that must not count: the
    evidence takes the logarithm of what is said.
    """
    said = solution.arrow.slack_matrix
    told: Mask = said > SLACK_TOLD * float(np.max(said, initial=0.0))
    return solution.state.free_slack & told


def _inverted(matrix: Array) -> tuple[Array, float]:
    """Return the inverse of a normal matrix (q, q) with a diagonal near 1, and its log determinant.

    Rounding may leave unknowns that hang on each other wholly with an eigenvalue of zero or below, which no
    normal matrix has: they are then as good as unknown, and never of a negative variance.
    """
    try:
        root = np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(matrix)
        values = np.maximum(values, LEAST_EIGENVALUE)
        inverse: Array = np.asarray((vectors / values) @ vectors.T, dtype=np.float64)
        return inverse, float(np.sum(np.log(values)))
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64), 2.0 * float(np.sum(np.log(np.diag(root))))


def covariance_of(problem: Problem, layout: Layout, solution: Solution, free: Mask) -> tuple[Array, float]:
    """Return the globals' covariance (q, q), slacks marginalised, and the normal matrix's log determinant.

    Rows and columns of globals that are not free are zero. The determinant includes the free slacks.
    """
    arrow, movable = solution.arrow, loose_slacks(solution)
    diagonal = np.where(movable, arrow.slack_matrix, 1.0)
    coupling = np.where(movable[:, None], arrow.coupling, 0.0)
    reduced = arrow.matrix - coupling.T @ (coupling / diagonal[:, None])
    which = np.flatnonzero(free)
    small = reduced[np.ix_(which, which)]
    scale = np.sqrt(np.maximum(np.diag(small), LEAST_INFORMATION))
    scaled = small / np.outer(scale, scale)
    scaled[np.diag_indices(len(which))] += 1e-12
    covariance = np.zeros_like(arrow.matrix)
    inverse, determinant = _inverted(scaled)
    covariance[np.ix_(which, which)] = inverse / np.outer(scale, scale)
    return covariance, float(determinant + 2.0 * np.sum(np.log(scale)) + np.sum(np.log(diagonal)))
