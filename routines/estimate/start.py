"""Where the joint fit begins: several plays tried in turn, each with a robust straight-line solve.

The likelihood has a minimum for nearly every way of calling rows "dead zone", so no single start is safe.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from routines.estimate.choose import HUBER_BEND, TAKEN_UP, choose_slacks, huber
from routines.estimate.linear import Underdetermined, solve_weighted
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION, Problem, State
from routines.estimate.passes import Layout
from routines.estimate.play import Array, places

SLOPE_FLOOR = 1e-12
PROMISING = 10


def robust_scale(residual: Array) -> float:
    """Return the standard deviation from the median absolute deviation (Rousseeuw and Croux 1993)."""
    return 1.4826 * float(np.median(np.abs(residual)))


def linear_globals(problem: Problem, layout: Layout, state: State) -> tuple[State, float]:
    """Return the state with slope, crossings and alpha solved robustly at fixed play, and its cost.

    Raises ``Underdetermined`` when the places do not differ.
    """
    place = places(layout.route, state.slack, state.theta[BACKLASH], state.theta[TRANSITION]).place
    design = _design(problem, place)
    weight = 1.0 / state.variance
    value, slope = np.append(problem.value, 0.0), _rough_slope(problem)
    for _ in range(3):
        believed = np.append(weight, (slope * problem.alpha_prior) ** -2)
        solution = solve_weighted(design, value, believed)
        residual, slope = solution.residuals[:-1], max(abs(float(solution.coefficients[0])), SLOPE_FLOOR)
        scale = np.sqrt(np.maximum(problem.u**2, _scatter(problem, residual) ** 2))
        weight = np.minimum(1.0, HUBER_BEND * scale / np.maximum(np.abs(residual), 1e-12)) / scale**2
    theta = _theta_from(problem, state.theta, solution.coefficients)
    variance = problem.u**2 + _scatter(problem, residual) ** 2
    cost = float(np.sum(huber(residual, variance) + np.log(variance)))
    return replace(state, theta=theta, variance=variance), cost


def _rough_slope(problem: Problem) -> float:
    """Return a slope's order of magnitude, for the strength of what is believed about the temperature."""
    return max(float(np.std(problem.value)) / max(float(np.std(problem.position)), 1e-9), SLOPE_FLOOR)


def _scatter(problem: Problem, residual: Array) -> float:
    return max(robust_scale(residual), 1e-9 * problem.outlier_width)


def _design(problem: Problem, place: Array) -> Array:
    columns = np.zeros((len(place) + 1, 2 + problem.filters))
    columns[:-1, 0] = place
    columns[:-1, 1] = -problem.warmth
    columns[np.arange(len(place)), 2 + problem.filter_index] = 1.0
    columns[-1, 1] = 1.0
    return columns


def _theta_from(problem: Problem, theta: Array, coefficients: Array) -> Array:
    """Return globals whose slopes and crossings are those of the straight-line solve."""
    slope = coefficients[0] if abs(coefficients[0]) > SLOPE_FLOOR else SLOPE_FLOOR
    fresh = theta.copy()
    fresh[ALPHA] = coefficients[1] / slope
    fresh[FIRST_SLOPE : FIRST_SLOPE + problem.slopes] = slope
    fresh[FIRST_SLOPE + problem.slopes : problem.first_bend] = -coefficients[2:] / slope
    return fresh


def candidate_plays(problem: Problem) -> Array:
    """Return the plays (steps) to begin from: zero to the whole range of positions, denser when small."""
    span = float(np.ptp(problem.position))
    plays: Array = span * np.linspace(0.0, 1.0, 17) ** 1.3
    return plays


def starts_from(problem: Problem, layout: Layout, plays: Array, *, keep: int) -> list[State]:
    """Return the best ``keep`` states found from the candidate plays, the best first.

    Every candidate gets one round; the better ones get the rest.
    """
    bare = [_bare_state(problem, layout, float(play), slack) for play in plays for slack in (0.0, TAKEN_UP)]
    first = _alternate(problem, layout, bare, rounds=1)
    last = _alternate(problem, layout, first[:PROMISING], rounds=2)
    return last[:keep]


def _alternate(problem: Problem, layout: Layout, states: list[State], *, rounds: int) -> list[State]:
    """Alternate between the straight-line solve and the stories of the slacks; the best come first."""
    found: list[tuple[float, State]] = []
    for start in states:
        try:
            state, cost = linear_globals(problem, layout, start)
            for _ in range(rounds):
                state = choose_slacks(problem, layout, state, redescend=False)
                state, cost = linear_globals(problem, layout, state)
        except Underdetermined:
            continue
        found.append((cost, state))
    found.sort(key=lambda item: item[0])
    return [state for _, state in found]


def _bare_state(problem: Problem, layout: Layout, play: float, slack: float) -> State:
    theta = np.zeros(problem.size)
    theta[BACKLASH], theta[TRANSITION] = play, 0.05 * play
    scatter = max(robust_scale(problem.value - np.median(problem.value)), 1e-9)
    slacks = np.where(layout.known, 0.0, np.maximum(slack, layout.lowest))
    return State(theta, slacks, np.zeros(layout.groups, dtype=bool), problem.u**2 + scatter**2)
