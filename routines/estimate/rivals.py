"""Other stories of what happened unseen, weighed against the chosen one and kept where they are likely.

A pass may as well have begun with the play taken up as with a little of it left, when noise hides the
difference. Choosing one story and forgetting the rest would make every interval too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.choose import BETWEEN, TIDY_ODDS, story_of, weigh_stories
from routines.estimate.model import BACKLASH, TRANSITION, Mask, Problem, State
from routines.estimate.passes import Layout
from routines.estimate.play import Array
from routines.estimate.solve import Solution, covariances_of, loose_slacks, optimise_all

# In -2 log: a story so much worse before its own fit is not tried; so much worse after it is dropped.
HOPELESS = 40.0
NEGLIGIBLE = 9.0


@dataclass(frozen=True, slots=True)
class Rival:
    """Another story's solution, and how much worse its evidence is than the chosen one's (-2 log).

    ``covariance`` (q, q) is that of its globals, the transition held.
    """

    solution: Solution
    covariance: Array
    excess: float


def _evidence(solution: Solution, determinant: float) -> float:
    """Return -2 log evidence of a solution: everything free is integrated out (Laplace's method)."""
    state = solution.state
    loose = float(np.count_nonzero(loose_slacks(solution)))
    reach = max(float(state.theta[BACKLASH] + 0.5 * state.theta[TRANSITION]), 1e-9)
    prior = loose * (2.0 * math.log(reach * TIDY_ODDS) - math.log(2.0 * math.pi))
    return solution.cost + determinant + prior


def rivals_of(problem: Problem, layout: Layout, best: Solution, free: Mask) -> list[Rival]:
    """Return the stories that differ from the best one in a single pass and are not negligible."""
    held = free.copy()
    held[TRANSITION] = False
    states = list(_other_states(problem, layout, best.state))
    solutions = [best, *optimise_all(problem, layout, states, held, iterations=12)]
    covariances, determinants = covariances_of(solutions, held)
    chosen, *others = (_evidence(one, float(log)) for one, log in zip(solutions, determinants, strict=True))
    return [
        Rival(solution, covariance, own - chosen)
        for solution, covariance, own in zip(solutions[1:], covariances[1:], others, strict=True)
        if own - chosen < NEGLIGIBLE
    ]


def _other_states(problem: Problem, layout: Layout, state: State) -> Iterator[State]:
    """Yield the states in which one pass tells another story."""
    stories = weigh_stories(problem, layout, state, redescend=True)
    told = story_of(state)
    for group in np.flatnonzero(~layout.known):
        current = stories.cost[group, told[group]]
        for story in range(3):
            if story == told[group] or stories.cost[group, story] > current + HOPELESS:
                continue
            slack, loose = state.slack.copy(), state.free_slack.copy()
            slack[group], loose[group] = stories.slack[group, story], story == BETWEEN
            yield replace(state, slack=slack, free_slack=loose)
