"""Where the joint fit begins: several plays tried in turn, each with a robust straight-line solve.

The likelihood has a minimum for nearly every way of calling rows "dead zone", so no single start is safe.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from routines.estimate.choose import HUBER_BEND, choose_slacks
from routines.estimate.linear import solve_many_weighted
from routines.estimate.model import (
    ALPHA,
    BACKLASH,
    FIRST_SLOPE,
    TRANSITION,
    Mask,
    Problem,
    State,
    chosen,
)
from routines.estimate.passes import Layout
from routines.estimate.play import Array, places

SLOPE_FLOOR = 1e-12


def robust_scale(residual: Array) -> Array:
    """Return the standard deviation (..) of residuals (.., n) from their median absolute deviation.

    Rousseeuw and Croux 1993.
    """
    return np.asarray(1.4826 * np.median(np.abs(residual), axis=-1))


def linear_globals(problem: Problem, layout: Layout, state: State) -> tuple[State, Mask]:
    """Return states (k) with slope, crossings and alpha solved robustly at fixed play, and which are.

    Places that do not differ cannot be solved for.
    """
    at = places(layout.route, state.slack, state.theta[:, BACKLASH], state.theta[:, TRANSITION])
    design = _design(problem, at.place)
    weight = 1.0 / state.variance
    value, slope = np.append(problem.value, 0.0), np.full(len(design), _rough_slope(problem))
    for _ in range(3):
        believed = np.column_stack([weight, (slope * problem.alpha_prior) ** -2])
        coefficients, residual, told = solve_many_weighted(design, value, believed)
        residual, slope = residual[:, :-1], np.maximum(np.abs(coefficients[:, 0]), SLOPE_FLOOR)
        variance = problem.u**2 + _scatter(problem, residual)[:, None] ** 2
        scale = np.sqrt(np.maximum(problem.u**2, _scatter(problem, residual)[:, None] ** 2))
        weight = np.minimum(1.0, HUBER_BEND * scale / np.maximum(np.abs(residual), 1e-12)) / scale**2
    return replace(state, theta=_theta_from(problem, state.theta, coefficients), variance=variance), told


def _rough_slope(problem: Problem) -> float:
    """Return a slope's order of magnitude, for the strength of what is believed about the temperature."""
    return max(float(np.std(problem.value)) / max(float(np.std(problem.position)), 1e-9), SLOPE_FLOOR)


def _scatter(problem: Problem, residual: Array) -> Array:
    return np.maximum(robust_scale(residual), 1e-9 * problem.outlier_width)


def _design(problem: Problem, place: Array) -> Array:
    """Return the designs (k, n + 1, p) for places (k, n), with a last row for what is believed of alpha."""
    rows = place.shape[-1]
    columns = np.zeros((len(place), rows + 1, 2 + problem.filters))
    columns[:, :-1, 0] = place
    columns[:, :-1, 1] = -problem.warmth
    columns[:, np.arange(rows), 2 + problem.filter_index] = 1.0
    columns[:, -1, 1] = 1.0
    return columns


def _theta_from(problem: Problem, theta: Array, coefficients: Array) -> Array:
    """Return globals (k, q) whose slopes and crossings are those of the straight-line solves (k, p)."""
    slope = coefficients[:, :1]
    slope = np.where(np.abs(slope) > SLOPE_FLOOR, slope, SLOPE_FLOOR)
    fresh = theta.copy()
    fresh[:, ALPHA] = coefficients[:, 1] / slope[:, 0]
    fresh[:, FIRST_SLOPE : FIRST_SLOPE + problem.slopes] = slope
    fresh[:, FIRST_SLOPE + problem.slopes : problem.first_bend] = -coefficients[:, 2:] / slope
    return fresh


def candidate_plays(problem: Problem) -> Array:
    """Return the plays (steps) to begin from: zero to the whole range of positions, denser when small."""
    span = float(np.ptp(problem.position))
    plays: Array = span * np.linspace(0.0, 1.0, 15) ** 1.3
    return plays


def starts_from(problem: Problem, layout: Layout, plays: Array, slack: float) -> list[State]:
    """Return a robustly solved state for each candidate play that allows one; passes begin with ``slack``.

    Solved by straight lines, by stories of the slacks, and by straight lines again.
    """
    bare = _bare_states(problem, layout, plays, slack)
    state, told = linear_globals(problem, layout, bare)
    state = choose_slacks(problem, layout, chosen(state, told), redescend=False)
    state, told = linear_globals(problem, layout, state)
    return [chosen(state, k) for k in np.flatnonzero(told).tolist()]


def _bare_states(problem: Problem, layout: Layout, plays: Array, slack: float) -> State:
    count = len(plays)
    theta = np.zeros((count, problem.size))
    theta[:, BACKLASH], theta[:, TRANSITION] = plays, 0.05 * plays
    scatter = max(float(robust_scale(problem.value - np.median(problem.value))), 1e-9)
    slacks = np.where(layout.known, 0.0, np.maximum(slack, layout.lowest))
    variance = problem.u**2 + scatter**2
    return State(
        theta,
        np.tile(slacks, (count, 1)),
        np.zeros((count, layout.groups), dtype=bool),
        np.tile(variance, (count, 1)),
    )
