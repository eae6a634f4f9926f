"""Where the joint fit begins: several plays tried in turn, each with a robust straight-line solve.

The likelihood has a minimum for nearly every way of calling rows "dead zone", so no single start is safe.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from routines.estimate.choose import HUBER_BEND, choose_slacks
from routines.estimate.linear import Underdetermined, solve_weighted
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION, Problem, State
from routines.estimate.passes import Layout
from routines.estimate.play import Array, places

SLOPE_FLOOR = 1e-12


def robust_scale(residual: Array) -> float:
    """Return the standard deviation from the median absolute deviation (Rousseeuw and Croux 1993)."""
    return 1.4826 * float(np.median(np.abs(residual)))


def linear_globals(problem: Problem, layout: Layout, state: State) -> State:
    """Return the state with slope, crossings and alpha solved robustly at fixed play.

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
    return replace(state, theta=theta, variance=variance)


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
    plays: Array = span * np.linspace(0.0, 1.0, 15) ** 1.3
    return plays


def starts_from(problem: Problem, layout: Layout, plays: Array, slack: float) -> list[State]:
    """Return a robustly solved state for each candidate play that allows one; passes begin with ``slack``."""
    found = []
    for play in plays:
        try:
            found.append(_solved(problem, layout, _bare_state(problem, layout, float(play), slack)))
        except Underdetermined:
            continue
    return found


def _solved(problem: Problem, layout: Layout, state: State) -> State:
    """Return the state after straight-line solve, stories of the slacks, and straight-line solve again."""
    state = choose_slacks(problem, layout, linear_globals(problem, layout, state), redescend=False)
    return linear_globals(problem, layout, state)


def _bare_state(problem: Problem, layout: Layout, play: float, slack: float) -> State:
    theta = np.zeros(problem.size)
    theta[BACKLASH], theta[TRANSITION] = play, 0.05 * play
    scatter = max(robust_scale(problem.value - np.median(problem.value)), 1e-9)
    slacks = np.where(layout.known, 0.0, np.maximum(slack, layout.lowest))
    return State(theta, slacks, np.zeros(layout.groups, dtype=bool), problem.u**2 + scatter**2)
