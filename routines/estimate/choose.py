"""What happened unseen: the slack with which each pass began, and which pass owns the rows at a turn.

Three stories compete for each pass: nothing unseen (the pass began at the turn), an unseen overshoot that
took up all the play, or anything between. The last has a free parameter and pays for it by the share of its
range that the rows allow (Occam's factor; MacKay, Information Theory, 2003, chapter 28).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from routines.estimate.model import BACKLASH, TRANSITION, Problem, State, arguments
from routines.estimate.passes import Layout, Runs, lay_out
from routines.estimate.play import Array, Index, Route, lost_of, place_at, share_engaged
from routines.estimate.robust import mixture

TAKEN_UP = math.inf
HUBER_BEND = 2.0
# Prior odds of either tidy story (nothing unseen, all taken up) to the untidy one: 2 to 1 each.
TIDY_ODDS = 2.0
SLACK_NODES = 24
# A slack is at rest once it moves by no more than this share of the play.
SLACK_SETTLED = 1e-7
LONE_ROW_COST = 6.0


def huber(residual: Array, variance: Array) -> Array:
    """Return Huber's loss (1964) in units of chi-square: quadratic to ``HUBER_BEND`` sigma, then linear."""
    size = np.abs(residual) / np.sqrt(variance)
    loss: Array = np.where(size < HUBER_BEND, size**2, HUBER_BEND * (2.0 * size - HUBER_BEND))
    return loss


@dataclass(frozen=True, slots=True)
class _Trial:
    """Costs (.., groups, candidates) of slack candidates, and the curvature there."""

    cost: Array
    curvature: Array
    gradient: Array


def _try_slacks(problem: Problem, layout: Layout, state: State, slack: Array, *, redescend: bool) -> _Trial:
    """Evaluate slack candidates (.., groups, k) for every group at once."""
    theta, route = state.theta, layout.route
    backlash, transition = theta[..., BACKLASH, None, None], theta[..., TRANSITION, None, None]
    fixed = arguments(problem, layout, theta, np.full(state.slack.shape, TAKEN_UP))
    travel = route.travel[:, None] + slack[..., route.group, :]
    share = share_engaged(travel, backlash, transition)
    slope = problem.common_slope_of(theta)
    ahead = slope * route.side
    followed = backlash - lost_of(travel, share, backlash, transition)
    residual = (problem.value - slope * fixed)[..., None] - ahead[..., None] * followed
    variance = state.variance[..., None]
    if redescend:
        loss, weight = mixture(residual, variance, problem.outlier_share, problem.outlier_width)
    else:
        loss = huber(residual, variance)
        weight = np.minimum(1.0, HUBER_BEND / np.maximum(np.abs(residual) / np.sqrt(variance), 1e-9))
    by_slack = -ahead[..., None] * (1.0 - share)
    strength = weight * by_slack / variance
    starts = layout.starts
    return _Trial(
        np.add.reduceat(loss, starts, axis=-2),
        np.add.reduceat(strength * by_slack, starts, axis=-2),
        np.add.reduceat(strength * residual, starts, axis=-2),
    )


def occam_cost(problem_range: Array, curvature: Array) -> Array:
    """Return what a free slack costs (-2 log): its range over the width that the rows allow, and the odds."""
    width = math.sqrt(2.0 * math.pi) / np.sqrt(np.maximum(curvature, 1e-12))
    narrow: Array = np.maximum(problem_range / width, 1.0)
    return 2.0 * np.log(narrow) + 2.0 * math.log(TIDY_ODDS)


FRESH, TAKEN, BETWEEN = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Stories:
    """The slack (.., groups, 3) of each story and its cost (the same), in the order fresh, taken, between."""

    slack: Array
    cost: Array


def weigh_stories(problem: Problem, layout: Layout, state: State, *, redescend: bool) -> Stories:
    """Return the best slack of each story and what it costs, the globals held."""
    theta = state.theta
    reach = theta[..., BACKLASH, None] + 0.5 * theta[..., TRANSITION, None]
    between = _between(problem, layout, state, reach)
    fresh = np.where(layout.lowest <= 0.0, 0.0, layout.lowest)
    slack = np.stack(np.broadcast_arrays(fresh, TAKEN_UP, between), axis=-1)
    trial = _try_slacks(problem, layout, state, slack, redescend=redescend)
    cost = trial.cost
    cost[..., FRESH] += np.where(layout.lowest <= 0.0, 0.0, np.inf)
    cost[..., BETWEEN] += occam_cost(reach, trial.curvature[..., BETWEEN])
    return Stories(slack, cost)


def _between(problem: Problem, layout: Layout, state: State, reach: Array) -> Array:
    """Return the slack (.., groups) that fits best when it may be anything: a grid, then Newton's steps."""
    grid = layout.lowest[:, None] + reach[..., None] * np.linspace(0.0, 1.0, SLACK_NODES)
    rough = _try_slacks(problem, layout, state, grid, redescend=False)
    slack = _picked(grid, np.argmin(rough.cost, axis=-1))
    for _ in range(4):
        at = _try_slacks(problem, layout, state, slack[..., None], redescend=False)
        curvature = np.maximum(at.curvature[..., 0], 1e-12)
        move = np.clip(at.gradient[..., 0] / curvature, -reach / 8.0, reach / 8.0)
        slack, before = np.clip(slack + move, layout.lowest, layout.lowest + reach), slack
        if np.all(np.abs(slack - before) <= SLACK_SETTLED * reach):
            break
    return slack


def _picked(items: Array, which: Index) -> Array:
    """Return the one of each row (.., k) that ``which`` (..) names."""
    return np.asarray(np.take_along_axis(items, which[..., None], axis=-1)[..., 0])


def choose_slacks(problem: Problem, layout: Layout, state: State, *, redescend: bool) -> State:
    """Return the state with each group's best story, the globals held."""
    stories = weigh_stories(problem, layout, state, redescend=redescend)
    best = np.where(layout.known, FRESH, np.argmin(stories.cost, axis=-1))
    slack = np.where(layout.known, 0.0, _picked(stories.slack, best))
    return replace(state, slack=slack, free_slack=(best == BETWEEN) & ~layout.known)


def story_of(state: State) -> npt.NDArray[np.intp]:
    """Return which story (groups) a state tells of each group."""
    told: npt.NDArray[np.intp] = np.where(
        state.free_slack, BETWEEN, np.where(np.isinf(state.slack), TAKEN, FRESH)
    ).astype(np.intp)
    return told


def story_cost(layout: Layout, state: State, curvature: Array) -> float:
    """Return the cost of all the free slacks of a state, given their curvature (groups)."""
    reach = state.theta[BACKLASH] + 0.5 * state.theta[TRANSITION]
    costs = occam_cost(np.full(layout.groups, reach), curvature)
    return float(np.sum(costs[state.free_slack]))


def first_guess_of_turns(runs: Runs) -> list[int]:
    """Return where each pass but the first begins: after the turn, unless the one before has no rows else."""
    first_rows = []
    for k, turn in enumerate(runs.turns):
        before = runs.turns[k - 1].end_row if k else 0
        lone = k > 0 and before >= turn.first_row
        first_rows.append(turn.first_row if lone else turn.end_row)
    return first_rows


def choose_turns(
    problem: Problem, runs: Runs, first_rows: Sequence[int], layout: Layout, state: State
) -> list[int]:
    """Return where each pass begins when every row at a turn goes to the pass that explains it better."""
    if not runs.turns:
        return list(first_rows)
    slack = np.zeros(len(runs.side))
    slack[layout.pass_index[layout.starts]] = state.slack
    counts = [turn.end_row - turn.first_row for turn in runs.turns]
    rows = np.concatenate([np.arange(turn.first_row, turn.end_row) for turn in runs.turns])
    before = np.repeat(np.arange(len(runs.turns)), counts)
    ends = np.cumsum(counts)[:-1]
    old, new = (
        np.split(_row_costs(problem, runs, state, rows, owner, slack), ends) for owner in (before, before + 1)
    )
    chosen = list(first_rows)
    for k, turn in enumerate(runs.turns):
        costs = [
            float(np.sum(old[k][: choice - turn.first_row]) + np.sum(new[k][choice - turn.first_row :]))
            + _lone_cost(runs, chosen, k, choice)
            for choice in turn.choices
        ]
        current = costs[turn.choices.index(chosen[k])]
        if min(costs) < current - 1e-9:
            chosen[k] = turn.choices[int(np.argmin(costs))]
    return chosen


def _lone_cost(runs: Runs, chosen: Sequence[int], k: int, choice: int) -> float:
    """Return a cost for leaving a pass with nothing but rows at one turn: it would prove little."""
    turn = runs.turns[k]
    before = runs.turns[k - 1].end_row if k else 0
    after = runs.turns[k + 1].first_row if k + 1 < len(runs.turns) else runs.rows
    old_lone = before >= turn.first_row and choice > turn.first_row
    new_lone = after <= turn.end_row and choice < turn.end_row
    return LONE_ROW_COST * (int(old_lone) + int(new_lone))


def _row_costs(problem: Problem, runs: Runs, state: State, rows: Index, owner: Index, slack: Array) -> Array:
    """Return the cost of each of ``rows`` (m) if it belonged to pass ``owner`` (m); ``slack`` is by pass."""
    side = np.array(runs.side, dtype=float)[owner]
    position = problem.position[rows]
    travel = side * (position - np.array(runs.reference_steps)[owner])
    empty = np.zeros((len(rows), 0))
    route = Route(side, position, travel, owner, empty, empty)
    place = place_at(route, slack, state.theta[BACKLASH], state.theta[TRANSITION])
    distance = place - problem.focus_of(state.theta)[rows]
    residual = problem.value[rows] - problem.slope_of(state.theta)[rows] * distance
    loss, _ = mixture(residual, state.variance[rows], problem.outlier_share, problem.outlier_width)
    return np.asarray(loss) + np.where(travel + slack[owner] < -1e-9, 1e6, 0.0)


def relaid(
    problem: Problem, runs: Runs, first_rows: Sequence[int], layout: Layout, state: State
) -> tuple[Layout, State]:
    """Return the layout for other turn choices, with the slacks carried over pass by pass."""
    fresh = lay_out(runs, problem.position, first_rows)
    slack, free = np.full(len(runs.side), TAKEN_UP), np.zeros(len(runs.side), dtype=bool)
    named = layout.pass_index[layout.starts]
    slack[named], free[named] = state.slack, state.free_slack
    kept = fresh.pass_index[fresh.starts]
    return fresh, replace(state, slack=np.maximum(slack[kept], fresh.lowest), free_slack=free[kept])
