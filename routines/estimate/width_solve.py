"""From a first guess to the minimum of the widths' likelihood, with scatter, outliers and slacks settled."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from routines.estimate.passes import Layout
from routines.estimate.play import Array
from routines.estimate.robust import mixture
from routines.estimate.width_problem import (
    BACKLASH,
    FIRST_MINIMUM,
    SLOPE,
    WidthLook,
    WidthProblem,
    look_at,
)

ROUNDS = 10
# From exposure to exposure the air changes a star's least width by a few per cent (common practice). That
# weighs as much as this many rows, so that few looks are not taken for perfect ones.
USUAL_SCATTER, SCATTER_ROWS = 0.04, 2.0
TAKEN_UP = math.inf
STORY_GAIN = 4.0
_STARTS_KEPT = 3
_MOST_STEPS, _MOST_DAMPING, _LEAST_GAIN = 60, 1e8, 1e-7


@dataclass(frozen=True, slots=True)
class WidthSolution:
    """A minimum: globals (q), slacks (groups), the rows' variance and belief (n), scatter, and cost.

    ``covariance`` (q, q) is that of the globals with the slacks free; held ones have zeros.
    ``relative_scatter`` is the scatter beyond the frames' own u, in units of the least width.
    """

    theta: Array
    slack: Array
    at: WidthLook
    variance: Array
    good: Array
    covariance: Array
    relative_scatter: float
    degrees_of_freedom: float
    cost: float


def solve(problem: WidthProblem, layout: Layout, *, longest_play: float) -> WidthSolution:
    """Return the best solution from several starts; numpy's LinAlgError where there is none."""
    starts = _starts(problem, layout, longest_play)
    slack = np.where(layout.known, 0.0, TAKEN_UP)
    quick = [_settled(problem, layout, theta, slack, rounds=2) for theta in starts]
    quick.sort(key=lambda item: item.cost)
    best = min(
        (_settled(problem, layout, item.theta, item.slack) for item in quick[:_STARTS_KEPT]),
        key=lambda item: item.cost,
    )
    return _with_stories(problem, layout, best)


def solve_from(problem: WidthProblem, layout: Layout, start: WidthSolution) -> WidthSolution:
    """Return the solution nearest to another problem's."""
    return _settled(problem, layout, start.theta, start.slack)


def _starts(problem: WidthProblem, layout: Layout, longest_play: float) -> list[Array]:
    """Return first guesses: a few plays, each filter's minimum where its narrowest looks were."""
    held = problem.precision[BACKLASH, BACKLASH] > 0.0 or not problem.free[BACKLASH]
    plays = [float(problem.centre[BACKLASH])] if held else [s * longest_play for s in (0.02, 0.25, 0.5, 0.8)]
    outward = layout.side_now > 0
    starts = []
    for play in plays:
        place = problem.position - np.where(outward, play, 0.0)
        for shift in (-1.0, 0.0, 1.0):
            theta = problem.centre.copy()
            theta[BACKLASH] = play
            for index in range(problem.filters):
                rows = np.flatnonzero(problem.filter_index == index)
                order = rows[np.argsort(problem.width[rows])]
                narrow = order[: max(1, len(order) // 4)]
                spread = float(np.ptp(place[narrow])) if len(narrow) > 1 else 0.1 * float(np.ptp(place))
                theta[FIRST_MINIMUM + index] = float(np.mean(place[narrow])) + shift * 0.5 * spread
                theta[problem.first_least + index] = math.log(float(problem.width[order[0]]))
            starts.append(theta)
    return starts


def _settled(
    problem: WidthProblem, layout: Layout, theta: Array, slack: Array, rounds: int = ROUNDS
) -> WidthSolution:
    """Alternate between minimum, belief and scatter."""
    least = np.exp(theta[problem.first_least :])[problem.filter_index]
    variance = problem.u**2 + (2.0 * USUAL_SCATTER * least) ** 2
    good = np.ones(len(problem.width))
    scatter = USUAL_SCATTER
    for _ in range(rounds):
        theta, slack = _minimum(problem, layout, theta, slack, variance, good)
        at = look_at(problem, layout, theta, slack)
        residual = problem.width - at.width
        _, good = mixture(residual, variance, problem.outlier_share, problem.outlier_width)
        scatter = _scatter(problem, theta, residual, good, _spent(problem, layout, slack))
        settled = problem.u**2 + (scatter * problem.least_px(theta)) ** 2
        done = bool(np.max(np.abs(np.log(settled / variance))) < 1e-3)
        variance = settled
        if done:
            break
    return _solution(problem, layout, theta, slack, variance, scatter)


def _spent(problem: WidthProblem, layout: Layout, slack: Array) -> float:
    """Return how many parameters the rows have to pay for; what is believed beforehand costs half."""
    believed = np.diag(problem.precision)[problem.free] > 1.0
    slacks = np.count_nonzero(np.isfinite(slack) & ~layout.known)
    return float(np.count_nonzero(~believed) + 0.5 * np.count_nonzero(believed) + slacks)


def _scatter(problem: WidthProblem, theta: Array, residual: Array, good: Array, spent: float) -> float:
    """Return the scatter, in least widths, at which the squares are as many as they should be."""
    least = problem.least_px(theta)
    free = max(float(np.sum(good)) - spent, 0.0) + SCATTER_ROWS

    def excess(relative: float) -> float:
        variance = problem.u**2 + (relative * least) ** 2
        own = float(np.sum(good * residual**2 / np.maximum(variance, 1e-300)))
        return own + SCATTER_ROWS * (USUAL_SCATTER / max(relative, 1e-12)) ** 2 - free

    low, high = 0.05 * USUAL_SCATTER, 3.0
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return high


def _minimum(
    problem: WidthProblem, layout: Layout, theta: Array, slack: Array, variance: Array, good: Array
) -> tuple[Array, Array]:
    """Return the globals and free slacks at the least weighted squares with what is believed beforehand.

    Damped Gauss-Newton steps (Marquardt 1963), cut off at the bounds.
    """
    free, loose = np.flatnonzero(problem.free), np.flatnonzero(np.isfinite(slack) & ~layout.known)
    weight = good / variance
    low, high = _bounds(problem, layout, free, loose)
    prior = problem.precision[np.ix_(free, np.arange(len(theta)))]
    damping, count = 1e-3, len(free)

    def unpack(x: Array) -> tuple[Array, Array]:
        full, slacks = theta.copy(), slack.copy()
        full[free], slacks[loose] = x[:count], x[count:]
        return full, slacks

    def evaluate(x: Array) -> tuple[float, Array, WidthLook]:
        full, slacks = unpack(x)
        at = look_at(problem, layout, full, slacks)
        away = full - problem.centre
        residual = problem.width - at.width
        return float(np.sum(weight * residual**2) + away @ problem.precision @ away), away, at

    x = np.clip(np.concatenate([theta[free], slack[loose]]), low, high)
    cost, away, at = evaluate(x)
    for _ in range(_MOST_STEPS):
        design = np.hstack([at.jacobian[:, free], _by_slacks(layout, at, loose)])
        matrix = design.T @ (design * weight[:, None])
        matrix[:count, :count] += prior[:, free]
        gradient = design.T @ (weight * (problem.width - at.width))
        gradient[:count] -= prior @ away
        step = _damped(matrix, gradient, damping)
        trial = np.clip(x + step, low, high)
        new_cost, new_away, new_at = evaluate(trial)
        if new_cost > cost:
            damping *= 8.0
            if damping > _MOST_DAMPING:
                break
            continue
        gained = cost - new_cost
        x, cost, away, at, damping = trial, new_cost, new_away, new_at, max(0.2 * damping, 1e-9)
        if gained < _LEAST_GAIN:
            break
    return unpack(x)


def _damped(matrix: Array, gradient: Array, damping: float) -> Array:
    """Return a step in units of each parameter's own scale."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    scale[scale < 1e-100] = 1.0
    inner = matrix / np.outer(scale, scale) + damping * np.eye(len(scale))
    return np.asarray(np.linalg.lstsq(inner, gradient / scale, rcond=None)[0] / scale)


def _bounds(
    problem: WidthProblem, layout: Layout, free: npt.NDArray[np.intp], loose: npt.NDArray[np.intp]
) -> tuple[Array, Array]:
    size, span = len(problem.centre), 3.0 * float(np.ptp(problem.position)) + 1.0
    low, high = np.full(size, -np.inf), np.full(size, np.inf)
    low[BACKLASH] = 0.0
    low[2:4], high[2:4] = (1.2, -2.0), (4.0, 2.0)
    low[SLOPE:FIRST_MINIMUM], high[SLOPE:FIRST_MINIMUM] = (
        problem.centre[SLOPE] - 7.0,
        problem.centre[SLOPE] + 7.0,
    )
    minima = slice(FIRST_MINIMUM, problem.first_least)
    low[minima], high[minima] = float(np.min(problem.position)) - span, float(np.max(problem.position)) + span
    low[problem.first_least :] = problem.centre[problem.first_least :] - 5.0
    high[problem.first_least :] = problem.centre[problem.first_least :] + 3.0
    return np.concatenate([low[free], layout.lowest[loose]]), np.concatenate(
        [high[free], np.full(len(loose), span)]
    )


def _by_slacks(layout: Layout, at: WidthLook, loose: npt.NDArray[np.intp]) -> Array:
    return np.asarray(
        np.where(layout.route.group[:, None] == loose[None, :], np.nan_to_num(at.by_slack)[:, None], 0.0)
    )


def _solution(
    problem: WidthProblem, layout: Layout, theta: Array, slack: Array, variance: Array, scatter: float
) -> WidthSolution:
    at = look_at(problem, layout, theta, slack)
    residual = problem.width - at.width
    loss, good = mixture(residual, variance, problem.outlier_share, problem.outlier_width)
    away = theta - problem.centre
    prior = float(away @ problem.precision @ away)
    prior += SCATTER_ROWS * ((USUAL_SCATTER / scatter) ** 2 + 2.0 * math.log(scatter / USUAL_SCATTER) - 1.0)
    free, loose = np.flatnonzero(problem.free), np.flatnonzero(np.isfinite(slack) & ~layout.known)
    design = np.hstack([at.jacobian[:, free], _by_slacks(layout, at, loose)])
    information = design.T @ (design * (good / variance)[:, None])
    count = len(free)
    information[:count, :count] += problem.precision[np.ix_(free, free)]
    covariance = np.zeros((len(theta), len(theta)))
    inverse = _inverse(information)
    covariance[np.ix_(free, free)] = inverse[:count, :count]
    freedom = max(float(np.sum(good)) - _spent(problem, layout, slack), 0.0) + SCATTER_ROWS
    cost = float(np.sum(loss)) + prior
    return WidthSolution(theta, slack, at, variance, good, covariance, scatter, freedom, cost)


def _inverse(information: Array) -> Array:
    """Return the inverse in the parameters' own units; a direction without information gets a huge one."""
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    scale[scale < 1e-100] = 1.0
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    inverse = vectors @ ((1.0 / np.maximum(values, 1e-12))[:, None] * vectors.T)
    return np.asarray(inverse / np.outer(scale, scale))


def _with_stories(problem: WidthProblem, layout: Layout, best: WidthSolution) -> WidthSolution:
    """Return the solution in which a pass began with slack wherever that is clearly the better story."""
    for group in np.flatnonzero(~layout.known):
        for begun in (0.0, 0.5 * float(best.theta[BACKLASH])):
            slack = best.slack.copy()
            slack[group] = max(begun, float(layout.lowest[group]))
            trial = _settled(problem, layout, best.theta, slack)
            if trial.cost < best.cost - STORY_GAIN:
                best = replace(trial)
    return best
