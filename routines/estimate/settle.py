"""The fit itself: from a first guess to a minimum at which scatter, slacks and turns are settled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from routines.estimate.choose import (
    TAKEN_UP,
    choose_slacks,
    choose_turns,
    first_guess_of_turns,
    relaid,
    story_cost,
    story_of,
)
from routines.estimate.linear import Underdetermined
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION, Mask, Problem, State, cost_of
from routines.estimate.passes import Layout, Runs, lay_out
from routines.estimate.play import Array
from routines.estimate.rivals import rivals_of
from routines.estimate.robust import settled_scatter
from routines.estimate.solve import Solution, optimise, optimise_all
from routines.estimate.start import candidate_plays, starts_from
from routines.observations import OUTWARD

ROUNDS = 8
STARTS_KEPT = 2
QUICK_STEPS = 6
# A transition is seldom wider than a third of the play.
TRANSITION_SHARE = 0.3
RETELLINGS = 6
BETTER = 0.5
# Two ends are one when they lie so near each other (-2 log likelihood), in variances as alike (log).
ALIKE = 0.01
ALIKE_VARIANCE = 0.2


@dataclass(frozen=True, slots=True)
class Settled:
    """The solution with its layout, which globals were free, and the number of parameters it spent."""

    problem: Problem
    layout: Layout
    first_rows: tuple[int, ...]
    solution: Solution
    free: Mask
    parameters: float
    total_cost: float
    scatter: Array

    @property
    def degrees_of_freedom(self) -> float:
        """Return how many believed rows there are beyond the parameters (at least 1)."""
        return max(float(np.sum(self.solution.at.good)) - self.parameters, 1.0)

    @property
    def chi_square(self) -> float:
        """Return the believed rows' sum of squares over their total variance."""
        at, variance = self.solution.at, self.solution.state.variance
        return float(np.sum(at.good * at.residual**2 / variance))


def free_globals(problem: Problem, *, play: bool) -> Mask:
    """Return which globals the observations may move."""
    free = np.ones(problem.size, dtype=bool)
    free[BACKLASH] = play
    free[ALPHA] = bool(np.ptp(problem.warmth) > 0.0)
    free[problem.first_bend : problem.first_stray] = free[ALPHA]
    return free


def count_parameters(problem: Problem, solution: Solution, free: Mask) -> float:
    """Return how many parameters the fit spends; the transition counts only off its bounds."""
    theta = solution.state.theta
    inside = 1e-3 < theta[TRANSITION] < 1.99 * theta[BACKLASH]
    spent = float(np.count_nonzero(free)) - (0.0 if inside or not free[TRANSITION] else 1.0)
    believed = problem.prior_precision(solution.state.theta)[free]
    spent -= float(np.sum(believed / np.maximum(np.diag(solution.arrow.matrix)[free], 1e-300)))
    return spent + float(np.count_nonzero(solution.state.free_slack & (solution.arrow.slack_matrix > 0.0)))


def fit_all(problem: Problem, layout: Layout, runs: Runs | None, *, play: float | None = None) -> Settled:
    """Return the best of several starts, each settled; ``play`` holds the backlash at that value.

    Raises ``Underdetermined`` when no start can be solved.
    """
    plays = candidate_plays(problem) if play is None else np.array([play])
    first_rows: tuple[int, ...] = ()
    if runs is not None:
        first_rows = tuple(first_guess_of_turns(runs))
        layout = lay_out(runs, problem.position, first_rows)
    common = problem if problem.slopes == 1 else replace(problem, slopes=1)
    free = free_globals(common, play=play is None)
    states: list[State] = []
    begun: list[State] = []
    for slack in (0.0, TAKEN_UP):
        starts = starts_from(common, layout, plays, slack)
        if not all(_among(start, begun) for start in starts):
            promising = _promising(common, layout, starts, free)
            states += [state for state in promising if not _among(state, states)]
        begun = starts
    if not states:
        raise Underdetermined(f"{len(problem.value)} observations are too few to start a fit from")
    ends = _apart(optimise_all(common, layout, states, free))
    settled = [settle(common, layout, runs, first_rows, end.state, free) for end in ends]
    best = _with_scaled_transition(min(settled, key=lambda item: item.total_cost), runs)
    return _retold(_reopened(best, runs))


def _among(state: State, others: Sequence[State]) -> bool:
    """Tell whether a state is one of others to the last digit: where moves are known, many starts are."""
    return any(
        np.array_equal(state.theta, other.theta)
        and np.array_equal(state.slack, other.slack)
        and np.array_equal(state.free_slack, other.free_slack)
        and np.array_equal(state.variance, other.variance)
        for other in others
    )


def _apart(ends: Sequence[Solution]) -> list[Solution]:
    """Return the solutions that differ: from where others are already, a fit would only come to the same."""
    kept: list[Solution] = []
    for end in ends:
        if not any(_agree(end, other) for other in kept):
            kept.append(end)
    return kept


def _agree(one: Solution, other: Solution) -> bool:
    """Tell whether two solutions tell the same stories and lie within a hundredth of -2 log likelihood."""
    here, there = one.state, other.state
    if not np.array_equal(story_of(here), story_of(there)):
        return False
    away, loose = here.theta - there.theta, here.free_slack
    slack = here.slack[loose] - there.slack[loose]
    coupled = 2.0 * slack @ one.arrow.coupling[loose] @ away + one.arrow.slack_matrix[loose] @ slack**2
    wider = np.max(np.abs(np.log(here.variance / there.variance)))
    return bool(away @ one.arrow.matrix @ away + coupled < ALIKE and wider < ALIKE_VARIANCE)


def _with_scaled_transition(settled: Settled, runs: Runs | None) -> Settled:
    """Return the fit again, the transition now judged by the size of the play that was found."""
    moved = np.abs(np.diff(settled.problem.position))
    least = float(np.median(moved[moved > 0.0])) if np.any(moved > 0.0) else 1.0
    play = max(float(settled.solution.state.theta[BACKLASH]), least)
    problem = replace(settled.problem, transition_scale=TRANSITION_SHARE * play)
    state = settled.solution.state
    return settle(problem, settled.layout, runs, settled.first_rows, state, settled.free)


def with_bend(settled: Settled, runs: Runs | None, shape_c: Array) -> Settled:
    """Return the fit again with one more way (n, deg C) in which the temperature may be wrong."""
    problem = replace(settled.problem, bends=np.column_stack([settled.problem.bends, shape_c]))
    old, place = settled.solution.state, settled.problem.first_stray
    state = replace(old, theta=np.insert(old.theta, place, 0.0))
    free = np.insert(settled.free, place, True)
    return settle(problem, settled.layout, runs, settled.first_rows, state, free)


def opened(settled: Settled, strays: Array) -> tuple[Problem, State, Mask]:
    """Return problem, state and free globals with shapes (n, k; steps) of the place added, none taken yet."""
    problem = replace(settled.problem, strays=np.column_stack([settled.problem.strays, strays]))
    old = settled.solution.state
    state = replace(old, theta=np.append(old.theta, np.zeros(strays.shape[1])))
    return problem, state, np.append(settled.free, np.ones(strays.shape[1], dtype=bool))


def with_strays(settled: Settled, strays: Array, *, slips: int = 0) -> Settled:
    """Return the fit again with further shapes (n, k; steps, one standard deviation high) of the place.

    Which look belongs to which pass stays as it was found: the shapes may hang on it. ``slips`` of the shapes
    are a steady slip's.
    """
    problem, state, free = opened(settled, strays)
    problem = replace(problem, slips=problem.slips + slips)
    return settle(problem, settled.layout, None, settled.first_rows, state, free)


def with_play_unknown(settled: Settled, runs: Runs | None) -> Settled:
    """Return the fit with the play held where it happens to be, since the looks cannot tell it."""
    free = free_globals(settled.problem, play=False)
    state = settled.solution.state
    return settle(settled.problem, settled.layout, runs, settled.first_rows, state, free)


def with_play_held(settled: Settled, runs: Runs | None, play: float, side: int) -> Settled:
    """Return the fit of looks that one side alone supports: the play held at ``play``, longer than any seen.

    Where the dead zone ends in each pass, and so everything on that side, stays as it was found.
    """
    problem, layout, old = settled.problem, settled.layout, settled.solution.state
    longer = play - float(old.theta[BACKLASH])
    theta = old.theta.copy()
    theta[BACKLASH] = play
    if side == OUTWARD:
        theta[FIRST_SLOPE + problem.slopes : problem.first_bend] -= longer
    loose = np.isfinite(old.slack) & ~layout.known
    state = replace(old, theta=theta, slack=np.where(loose, old.slack + longer, old.slack), free_slack=loose)
    free = free_globals(problem, play=False)
    kept = settle(problem, layout, runs, settled.first_rows, state, free)
    fresh = fit_all(problem, layout, runs, play=play)
    # Without any look past the play the temperature can be made to explain everything: that is no fit.
    responding = [item for item in (kept, fresh) if engaged_rows(item).any()]
    return min(responding or (kept, fresh), key=lambda item: item.total_cost)


def _promising(problem: Problem, layout: Layout, starts: list[State], free: Mask) -> list[State]:
    """Return the best starts after a few steps each."""
    ranked: list[tuple[float, int, State]] = []
    for order, solution in enumerate(optimise_all(problem, layout, starts, free, iterations=QUICK_STEPS)):
        _, state = _with_scatter(problem, solution, free)
        cost = float(cost_of(problem, layout, state)) + story_cost(layout, state, solution.arrow.slack_matrix)
        ranked.append((cost, order, state))
    return [state for *_, state in sorted(ranked, key=lambda item: item[:2])[:STARTS_KEPT]]


def _reopened(settled: Settled, runs: Runs | None) -> Settled:
    """Return the fit from another transition where that is better: a narrow one has no slope to follow."""
    problem, layout, free = settled.problem, settled.layout, settled.free
    moved = np.abs(np.diff(problem.position))
    if not free[TRANSITION] or not np.any(moved > 0.0):
        return settled
    step = float(np.median(moved[moved > 0.0]))
    state, cost = settled.solution.state, settled.solution.cost - BETTER
    states = []
    for width in (0.5 * step, step, 2.0 * step, 0.5 * state.theta[BACKLASH]):
        theta = state.theta.copy()
        theta[TRANSITION] = min(width, 2.0 * theta[BACKLASH])
        states.append(replace(state, theta=theta))
    for trial in optimise_all(problem, layout, states, free):
        if trial.cost < cost:
            state, cost = trial.state, trial.cost
    if state is settled.solution.state:
        return settled
    return settle(problem, layout, runs, settled.first_rows, state, free)


def _retold(settled: Settled) -> Settled:
    """Return the fit with another story for any pass whose own fit turns out better."""
    for _ in range(RETELLINGS):
        rivals = rivals_of(settled.problem, settled.layout, settled.solution, settled.free)
        better = min(rivals, key=lambda rival: rival.excess, default=None)
        if better is None or better.excess > -BETTER:
            break
        solution = better.solution
        settled = _settled(settled.problem, settled.layout, settled.first_rows, solution, settled.free)
    return settled


def settle(
    problem: Problem,
    layout: Layout,
    runs: Runs | None,
    first_rows: tuple[int, ...],
    state: State,
    free: Mask,
) -> Settled:
    """Alternate between the minimum, the scatter, the turns and the slacks until nothing changes."""
    solution = optimise(problem, layout, state, free)
    seen: set[tuple[object, ...]] = set()
    for _ in range(ROUNDS):
        _, state = _with_scatter(problem, solution, free)
        if runs is not None:
            chosen = choose_turns(problem, runs, first_rows, layout, state)
            layout, state = relaid(problem, runs, chosen, layout, state)
            first_rows = tuple(chosen)
        state = choose_slacks(problem, layout, state, redescend=True)
        solution = optimise(problem, layout, state, free)
        key = _fingerprint(first_rows, state, solution.state)
        if key in seen:
            break
        seen.add(key)
    return _settled(problem, layout, first_rows, solution, free)


def _fingerprint(first_rows: tuple[int, ...], state: State, end: State) -> tuple[object, ...]:
    stories = story_of(state)
    scale = float(np.exp(np.mean(np.log(end.variance))))
    return first_rows, tuple(stories.tolist()), round(np.log(scale) / 0.02)


def _with_scatter(problem: Problem, solution: Solution, free: Mask) -> tuple[Array, State]:
    spent = count_parameters(problem, solution, free)
    at = solution.at
    scatter = settled_scatter(at.residual, at.good, problem.u, problem.filter_index, problem.filters, spent)
    floor = (1e-9 * problem.outlier_width) ** 2
    variance = np.maximum(problem.u**2 + scatter[problem.filter_index], floor)
    return scatter, replace(solution.state, variance=variance)


def _settled(
    problem: Problem, layout: Layout, first_rows: tuple[int, ...], solution: Solution, free: Mask
) -> Settled:
    scatter, state = _with_scatter(problem, solution, free)
    solution = optimise(problem, layout, state, free)
    total = solution.cost + story_cost(layout, solution.state, solution.arrow.slack_matrix)
    spent = count_parameters(problem, solution, free)
    return Settled(problem, layout, first_rows, solution, free, spent, total, scatter)


def with_own_slopes(settled: Settled, runs: Runs | None) -> Settled:
    """Return the fit again with a slope for each filter."""
    problem = replace(settled.problem, slopes=settled.problem.filters)
    old = settled.solution.state
    theta = np.concatenate([old.theta[:3], np.full(problem.filters, old.theta[3]), old.theta[4:]])
    free = free_globals(problem, play=bool(settled.free[BACKLASH]))
    return settle(problem, settled.layout, runs, settled.first_rows, replace(old, theta=theta), free)


def engaged_rows(settled: Settled) -> npt.NDArray[np.bool_]:
    """Return which rows (n) are believed and past all of the play."""
    from routines.estimate.play import places

    theta, state = settled.solution.state.theta, settled.solution.state
    at = places(settled.layout.route, state.slack, theta[BACKLASH], theta[TRANSITION])
    mask: npt.NDArray[np.bool_] = (at.engaged > 0.95) & (settled.solution.at.good > 0.5)
    return mask
