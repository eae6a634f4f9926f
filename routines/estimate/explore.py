"""The nodes over which intervals are taken: play and transition set, everything else minimised anew.

Ranges, walks through plays and neighbouring transitions are solved side by side: what counts is how often one
waits for another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.intervals import Mixture, Nodes, density_at
from routines.estimate.model import BACKLASH, TRANSITION, Mask, Problem, State, cost_of, together
from routines.estimate.passes import Layout
from routines.estimate.play import NARROWEST_TRANSITION_STEPS, Array
from routines.estimate.rivals import Rival, rivals_of
from routines.estimate.solve import Solution, covariance_of, covariances_of, loose_slacks, optimise_all

BACKLASH_REACH = 4.2
BACKLASH_NODES = 13
TRANSITION_NODES = 6
FAR_COST = 14.0
STEPS = 12
# Whether a likelihood has all but vanished is told well enough by so much of -2 log of it.
ROUGHLY = 1e-3
# A start is better than what was found from another by more than the minima are told to.
CLEARLY_BETTER = 0.01


def explore(problem: Problem, layout: Layout, best: Solution, free: Mask, degrees: float) -> Mixture:
    """Return the mixture around the best solution, over transition and play where they are free."""
    starts = _transition_nodes(problem, layout, best, free)
    nodes, groups = _play_nodes(problem, layout, starts, free)
    excess = nodes.cost - np.min(nodes.cost)
    weights = density_at(excess, degrees) * nodes.spacing
    weights /= np.sum(weights)
    rivals = rivals_of(problem, layout, best, free)
    if rivals:
        nodes = _with_rivals(nodes, rivals)
        weights = np.append(weights, density_at(np.array([rival.excess for rival in rivals]), degrees))
    return Mixture(nodes, weights / np.sum(weights), degrees, groups)


def _with_rivals(nodes: Nodes, rivals: Sequence[Rival]) -> Nodes:
    return Nodes(
        np.concatenate([nodes.theta, [rival.solution.state.theta for rival in rivals]]),
        np.concatenate([nodes.covariance, [rival.covariance for rival in rivals]]),
        np.append(nodes.cost, [rival.solution.cost for rival in rivals]),
        np.append(nodes.spacing, np.zeros(len(rivals))),
    )


def _held(free: Mask, *names: int) -> Mask:
    held = free.copy()
    held[list(names)] = False
    return held


def _nodes_at(solutions: Sequence[Solution], free: Mask, spacing: Array) -> Nodes:
    """Return the nodes at solutions; their cost is the likelihood's, with everything else integrated out."""
    covariance, determinant = covariances_of(solutions, free)
    theta = np.array([solution.state.theta for solution in solutions])
    reach = theta[:, BACKLASH] + 0.5 * theta[:, TRANSITION]
    loose = np.array([np.count_nonzero(loose_slacks(solution)) for solution in solutions])
    prior = 2.0 * loose * np.log(np.maximum(reach, 1e-9))
    cost = np.array([solution.cost for solution in solutions]) + determinant + prior
    return Nodes(theta, covariance, cost, spacing)


def _transition_nodes(
    problem: Problem, layout: Layout, best: Solution, free: Mask
) -> list[tuple[Solution, float]]:
    """Return solutions at transitions spread over what the likelihood allows, with their spacing."""
    if not free[TRANSITION]:
        return [(best, 1.0)]
    low, high = _transition_range(problem, layout, best, free)
    points, weights = np.polynomial.legendre.leggauss(TRANSITION_NODES)
    widths = low + 0.5 * (high - low) * (1.0 + points)
    held = _held(free, TRANSITION)
    states = [_set(best, TRANSITION, width) for width in widths]
    found = optimise_all(problem, layout, states, held, iterations=STEPS)
    fresh = set(range(TRANSITION_NODES))
    while fresh:
        fresh = _led_on(problem, layout, held, widths, found, fresh)
    spacing = 0.5 * (high - low) * weights
    return [(node, float(own)) for node, own in zip(found, spacing, strict=True)]


def _led_on(
    problem: Problem, layout: Layout, held: Mask, widths: Array, found: list[Solution], fresh: set[int]
) -> set[int]:
    """Solve the transitions again from those neighbours that are fresh; return which are better for it."""
    tries = [(k, near) for near in sorted(fresh) for k in (near - 1, near + 1) if 0 <= k < len(widths)]
    states = [_set(found[near], TRANSITION, widths[k]) for k, near in tries]
    better = set()
    for (k, _), solution in zip(
        tries, optimise_all(problem, layout, states, held, iterations=STEPS), strict=True
    ):
        if solution.cost < found[k].cost - CLEARLY_BETTER:
            found[k] = solution
            better.add(k)
    return better


def _set(near: Solution, name: int, value: float) -> State:
    """Return a solution's state with the play or the transition set."""
    theta = near.state.theta.copy()
    theta[name] = value
    if name == TRANSITION:
        theta[BACKLASH] = max(theta[BACKLASH], 0.5 * value)
    return replace(near.state, theta=theta)


def _transition_range(problem: Problem, layout: Layout, best: Solution, free: Mask) -> tuple[float, float]:
    """Return the transitions beyond which the likelihood has all but vanished."""
    held = _held(free, TRANSITION)
    covariance, _ = covariance_of(best, held)
    reach = BACKLASH_REACH * float(np.sqrt(covariance[BACKLASH, BACKLASH])) if held[BACKLASH] else 0.0
    widest = 2.0 * (float(best.state.theta[BACKLASH]) + reach) + NARROWEST_TRANSITION_STEPS
    centre = float(best.state.theta[TRANSITION])

    inner = np.array([centre, centre])
    outer = np.array([NARROWEST_TRANSITION_STEPS, max(widest, centre * 1.01)])
    # An eighth, and of that a quarter: as five halvings would, but with few waits for the next one.
    for parts in (8, 4):
        inner, outer = _narrowed(problem, layout, best, held, inner, outer, parts)
    return float(outer[0]), float(outer[1])


def _narrowed(
    problem: Problem, layout: Layout, best: Solution, held: Mask, inner: Array, outer: Array, parts: int
) -> tuple[Array, Array]:
    """Return, of ranges (k) of the transition cut into parts, the first part at whose end the cost is far."""
    widths = inner[:, None] + (outer - inner)[:, None] * np.arange(parts + 1) / parts
    states = [_set(best, TRANSITION, width) for width in widths[:, 1:].ravel()]
    found = optimise_all(problem, layout, states, held, iterations=STEPS, tolerance=ROUGHLY)
    excess = np.array([item.cost for item in found]).reshape(len(inner), parts) - best.cost
    far = excess >= FAR_COST
    # Where none is far the end is the outer one, and there is nothing to narrow.
    last = np.where(far.any(axis=1), np.argmax(far, axis=1) + 1, parts)
    rows = np.arange(len(inner))
    return np.where(far.any(axis=1), widths[rows, last - 1], outer), widths[rows, last]


def _play_nodes(
    problem: Problem, layout: Layout, starts: Sequence[tuple[Solution, float]], free: Mask
) -> tuple[Nodes, tuple[slice, ...]]:
    """Return the nodes of the profiles over the play, and those of each transition with its spacing."""
    held = _held(free, TRANSITION, BACKLASH)
    spacing = np.array([own for _, own in starts])
    if not free[BACKLASH]:
        nodes = _nodes_at([start for start, _ in starts], held, spacing)
        return nodes, tuple(slice(k, k + 1) for k in range(len(starts)))
    ranges = _play_ranges(problem, layout, [start for start, _ in starts], free)
    values = [np.linspace(low, high, BACKLASH_NODES) for low, high in ranges]
    walks = [
        walk for (start, _), plays in zip(starts, values, strict=True) for walk in _both_ways(plays, start)
    ]
    _walk(problem, layout, held, walks)
    solved = [
        node
        for down, up in zip(walks[::2], walks[1::2], strict=True)
        for node in (*down.solved[:0:-1], *up.solved)
    ]
    steps = spacing * np.array([plays[1] - plays[0] for plays in values])
    nodes = _nodes_at(solved, held, np.repeat(steps, BACKLASH_NODES))
    return nodes, tuple(slice(k, k + BACKLASH_NODES) for k in range(0, len(solved), BACKLASH_NODES))


@dataclass(frozen=True, slots=True)
class _Walk:
    """A walk through evenly spaced plays (k), each solved from those before.

    The next may lie in another valley.
    """

    plays: Array
    start: Solution
    solved: list[Solution]

    def next_start(self) -> State:
        """Return the state before as it is, at the next play."""
        return _set((self.solved or [self.start])[-1], BACKLASH, self.plays[len(self.solved)])

    def in_line(self, layout: Layout) -> State:
        """Return where the next state is to be expected by going on as between the two before."""
        before, last = (solution.state for solution in self.solved[-2:])
        slack, loose = last.slack.copy(), last.free_slack & before.free_slack
        slack[loose] = np.maximum(2.0 * slack[loose] - before.slack[loose], layout.lowest[loose])
        theta = 2.0 * last.theta - before.theta
        theta[BACKLASH] = self.plays[len(self.solved)]
        return replace(last, theta=theta, slack=slack)


def _both_ways(plays: Array, start: Solution) -> tuple[_Walk, _Walk]:
    """Return the walks from a solution down and up through plays (k, rising), from the nearest of them."""
    middle = int(np.argmin(np.abs(plays - start.state.theta[BACKLASH])))
    return _Walk(plays[middle::-1], start, []), _Walk(plays[middle:], start, [])


def _walk(problem: Problem, layout: Layout, held: Mask, walks: Sequence[_Walk]) -> None:
    """Make all the walks, side by side."""
    for step in range(max(len(walk.plays) for walk in walks)):
        going = [walk for walk in walks if step < len(walk.plays)]
        states = [walk.next_start() for walk in going]
        if step > 1:
            states = _nearer(problem, layout, states, [walk.in_line(layout) for walk in going])
        found = optimise_all(problem, layout, states, held, iterations=STEPS)
        for walk, solution in zip(going, found, strict=True):
            walk.solved.append(solution)


def _nearer(
    problem: Problem, layout: Layout, states: Sequence[State], others: Sequence[State]
) -> list[State]:
    """Return, of each state and another, the one that the looks rather fit."""
    costs = cost_of(problem, layout, together([*states, *others])).reshape(2, len(states))
    return [
        (one, other)[best] for one, other, best in zip(states, others, np.argmin(costs, axis=0), strict=True)
    ]


def _play_ranges(
    problem: Problem, layout: Layout, starts: Sequence[Solution], free: Mask
) -> list[tuple[float, float]]:
    """Return, for each transition's solution, the plays beyond which the likelihood has all but vanished."""
    edges = []
    covariances, _ = covariances_of(starts, _held(free, TRANSITION))
    for start, covariance in zip(starts, covariances, strict=True):
        spread = max(float(np.sqrt(covariance[BACKLASH, BACKLASH])), 1e-9)
        edges += [_Edge(start, sign * spread) for sign in (-1.0, 1.0)]
    held = _held(free, TRANSITION, BACKLASH)
    for _ in range(8):
        waiting = [edge for edge in edges if not edge.done]
        states = [_set(edge.start, BACKLASH, edge.play) for edge in waiting]
        found = optimise_all(problem, layout, states, held, iterations=STEPS, tolerance=ROUGHLY)
        for edge, item in zip(waiting, found, strict=True):
            edge.judge(item.cost - edge.start.cost)
    return [(low.play, high.play) for low, high in zip(edges[::2], edges[1::2], strict=True)]


class _Edge:
    """The play on one side of a solution beyond which the likelihood has all but vanished."""

    def __init__(self, start: Solution, reach: float) -> None:
        self.start, self.reach = start, reach
        self.centre = float(start.state.theta[BACKLASH])
        self.floor = 0.5 * float(start.state.theta[TRANSITION])
        self.distance, self.done = BACKLASH_REACH, False
        self.play = max(self.centre + self.distance * reach, self.floor)

    def judge(self, excess: float) -> None:
        """Stop here or go further out, by the excess of -2 log likelihood at the play tried last."""
        self.done = excess >= FAR_COST or self.play == self.floor
        if not self.done:
            self.distance *= 1.5
            self.play = max(self.centre + self.distance * self.reach, self.floor)
        elif excess >= 4.0 * FAR_COST:
            self.play = self.centre + 0.7 * self.distance * self.reach
