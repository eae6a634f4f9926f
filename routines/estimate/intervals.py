"""Standard uncertainties and 95 % intervals from a mixture over what the model is not smooth in.

The play and its transition enter with kinks, so they are laid out on nodes; at each node everything else
is minimised anew and its normal approximation kept (nested Laplace; Rue, Martino and Chopin 2009, section 3).
The profile over the play is the profile likelihood; the mixture carries its shape into every other number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.model import BACKLASH, TRANSITION, Mask, Problem, State
from routines.estimate.passes import Layout
from routines.estimate.play import NARROWEST_TRANSITION_STEPS, Array
from routines.estimate.rivals import rivals_of
from routines.estimate.solve import Solution, covariance_of, loose_slacks, optimise_all
from routines.quantity import Quantity

TAIL = 0.025
BACKLASH_REACH = 4.2
BACKLASH_NODES = 13
TRANSITION_NODES = 6
FAR_COST = 14.0
LIGHTEST = 1e-5
# Zero is excluded when its density is below this share of the highest (2.8 standard uncertainties away).
LIMIT_DENSITY = 0.02


@dataclass(frozen=True, slots=True)
class Component:
    """One node of the mixture: globals (q), their covariance (q, q; zero where held) and -2 log evidence."""

    theta: Array
    covariance: Array
    cost: float
    spacing: float


@dataclass(frozen=True, slots=True)
class Mixture:
    """Normal components with weights that sum to 1; Student's t with ``degrees_of_freedom`` in the tails.

    ``groups`` gathers the components by transition, each a profile over the play; components beyond them are
    other stories of the slacks, in which the play is normal too.
    """

    components: tuple[Component, ...]
    weights: Array
    degrees_of_freedom: float
    groups: tuple[tuple[int, ...], ...]

    def moments(self, transform: Array) -> tuple[Array, Array]:
        """Return mean (k) and covariance (k, k) of ``transform`` (k, q) applied to the globals."""
        means = np.array([transform @ item.theta for item in self.components])
        mean = self.weights @ means
        total = np.zeros((len(mean), len(mean)))
        for weight, item, own in zip(self.weights, self.components, means, strict=True):
            away = own - mean
            total += weight * (transform @ item.covariance @ transform.T + np.outer(away, away))
        return mean, total

    def given_none(self, places: slice) -> Mixture:
        """Return the mixture where the globals at ``places`` are known to be zero."""
        components = []
        for item in self.components:
            shared = item.covariance[:, places]
            gain = shared @ np.linalg.pinv(item.covariance[places, places])
            theta, covariance = item.theta - gain @ item.theta[places], item.covariance - gain @ shared.T
            components.append(replace(item, theta=theta, covariance=covariance))
        return replace(self, components=tuple(components))

    def quantity(self, gradient: Array) -> Quantity:
        """Return value, u and interval of ``gradient @ globals``; the play itself needs ``of_play``."""
        means = np.array([gradient @ item.theta for item in self.components])
        variances = np.array([gradient @ item.covariance @ gradient for item in self.components])
        spreads = np.sqrt(np.maximum(variances, 0.0))
        return _mixture_quantity(means, spreads, self.weights, self.degrees_of_freedom)


def _student_cdf(x: Array, degrees: float) -> Array:
    from scipy.special import ndtr, stdtr

    return np.asarray(ndtr(x) if degrees > 1e6 else stdtr(degrees, x))


def _mixture_quantity(means: Array, spreads: Array, weights: Array, degrees: float) -> Quantity:
    value = float(weights @ means)
    u = float(np.sqrt(weights @ (spreads**2 + (means - value) ** 2)))
    if u == 0.0:
        return Quantity(value, 0.0, value, value)
    heavy = weights > LIGHTEST * np.max(weights)
    means, spreads, weights = means[heavy], np.maximum(spreads[heavy], 1e-3 * u), weights[heavy]
    weights = weights / np.sum(weights)
    below, above = np.full(2, value - 40.0 * u), np.full(2, value + 40.0 * u)
    for _ in range(20):
        middle = 0.5 * (below + above)
        share = _student_cdf((middle[:, None] - means) / spreads, degrees) @ weights
        short = share < np.array([TAIL, 1.0 - TAIL])
        below, above = np.where(short, middle, below), np.where(short, above, middle)
    low, high = 0.5 * (below + above)
    return Quantity(value, u, float(low), float(high))


def explore(problem: Problem, layout: Layout, best: Solution, free: Mask, degrees: float) -> Mixture:
    """Return the mixture around the best solution, over transition and play where they are free."""
    components: list[Component] = []
    groups: list[tuple[int, ...]] = []
    for nodes in _play_nodes(problem, layout, _transition_nodes(problem, layout, best, free), free):
        groups.append(tuple(range(len(components), len(components) + len(nodes))))
        components.extend(nodes)
    cost = np.array([item.cost for item in components])
    excess = cost - np.min(cost)
    spacing_of = np.array([item.spacing for item in components])
    weights = _density(excess, degrees) * spacing_of
    weights /= np.sum(weights)
    for rival in rivals_of(problem, layout, best, free):
        held = _held(free, TRANSITION)
        covariance, _ = covariance_of(problem, layout, rival.solution, held)
        components.append(Component(rival.solution.state.theta, covariance, rival.solution.cost, 0.0))
        weights = np.append(weights, _density(np.array(rival.excess), degrees))
    return Mixture(tuple(components), weights / np.sum(weights), degrees, tuple(groups))


def _density(excess: Array, degrees: float) -> Array:
    """Return the likelihood of an excess of -2 log likelihood, the scatter integrated out."""
    if degrees > 1e6:
        return np.exp(-0.5 * excess)
    return (1.0 + np.maximum(excess, -0.5 * degrees) / degrees) ** (-0.5 * (degrees + 1.0))


def _held(free: Mask, *names: int) -> Mask:
    held = free.copy()
    held[list(names)] = False
    return held


def _evidence(problem: Problem, layout: Layout, solution: Solution, free: Mask, spacing: float) -> Component:
    """Return a node's component; its cost is the likelihood's, with everything else integrated out."""
    covariance, determinant = covariance_of(problem, layout, solution, free)
    state = solution.state
    reach = state.theta[BACKLASH] + 0.5 * state.theta[TRANSITION]
    loose = float(np.count_nonzero(loose_slacks(solution)))
    prior = 2.0 * loose * np.log(max(reach, 1e-9))
    return Component(state.theta, covariance, solution.cost + determinant + prior, spacing)


def _transition_nodes(
    problem: Problem, layout: Layout, best: Solution, free: Mask
) -> list[tuple[Solution, float]]:
    """Return solutions at transitions spread over what the likelihood allows, with their spacing."""
    if not free[TRANSITION]:
        return [(best, 1.0)]
    low, high = _transition_range(problem, layout, best, free)
    points, weights = np.polynomial.legendre.leggauss(TRANSITION_NODES)
    held = _held(free, TRANSITION)
    nodes: list[tuple[Solution, float]] = []
    start = best
    for point, weight in zip(points, weights, strict=True):
        width = low + 0.5 * (high - low) * (1.0 + point)
        # From the node before, which is near, and from the best, lest one gone astray leads all after it.
        states = [_set(near, TRANSITION, width) for near in (start, best)]
        tried = optimise_all(problem, layout, states, held, iterations=12)
        start = min(tried, key=lambda solution: solution.cost)
        nodes.append((start, float(0.5 * (high - low) * weight)))
    return nodes


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
    covariance, _ = covariance_of(problem, layout, best, held)
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
    found = optimise_all(problem, layout, states, held, iterations=12)
    excess = np.array([item.cost for item in found]).reshape(len(inner), parts) - best.cost
    far = excess >= FAR_COST
    # Where none is far the end is the outer one, and there is nothing to narrow.
    last = np.where(far.any(axis=1), np.argmax(far, axis=1) + 1, parts)
    rows = np.arange(len(inner))
    return np.where(far.any(axis=1), widths[rows, last - 1], outer), widths[rows, last]


def _play_nodes(
    problem: Problem, layout: Layout, starts: Sequence[tuple[Solution, float]], free: Mask
) -> list[list[Component]]:
    """Return, for each transition with its spacing, the profile over the play as components."""
    held = _held(free, TRANSITION, BACKLASH)
    if not free[BACKLASH]:
        return [[_evidence(problem, layout, start, held, spacing)] for start, spacing in starts]
    ranges = _play_ranges(problem, layout, [start for start, _ in starts], free)
    values = [np.linspace(low, high, BACKLASH_NODES) for low, high in ranges]
    walks = [
        walk for (start, _), plays in zip(starts, values, strict=True) for walk in _both_ways(plays, start)
    ]
    _walk(problem, layout, held, walks)
    found = []
    for k, ((_, spacing), plays) in enumerate(zip(starts, values, strict=True)):
        down, up = walks[2 * k].solved, walks[2 * k + 1].solved
        step = spacing * float(plays[1] - plays[0])
        found.append([_evidence(problem, layout, node, held, step) for node in (*down[:0:-1], *up)])
    return found


@dataclass(slots=True)
class _Walk:
    """A walk through plays, each solved from the one before: the next may lie in another valley."""

    plays: Array
    near: Solution
    solved: list[Solution]


def _both_ways(plays: Array, start: Solution) -> tuple[_Walk, _Walk]:
    """Return the walks from a solution down and up through plays (k, rising), from the nearest of them."""
    middle = int(np.argmin(np.abs(plays - start.state.theta[BACKLASH])))
    return _Walk(plays[middle::-1], start, []), _Walk(plays[middle:], start, [])


def _walk(problem: Problem, layout: Layout, held: Mask, walks: Sequence[_Walk]) -> None:
    """Make all the walks, side by side."""
    for step in range(max(len(walk.plays) for walk in walks)):
        going = [walk for walk in walks if step < len(walk.plays)]
        states = [_set(walk.near, BACKLASH, walk.plays[step]) for walk in going]
        found = optimise_all(problem, layout, states, held, iterations=12)
        for walk, solution in zip(going, found, strict=True):
            walk.near = solution
            walk.solved.append(solution)


def _play_ranges(
    problem: Problem, layout: Layout, starts: Sequence[Solution], free: Mask
) -> list[tuple[float, float]]:
    """Return, for each transition's solution, the plays beyond which the likelihood has all but vanished."""
    edges = []
    for start in starts:
        covariance, _ = covariance_of(problem, layout, start, _held(free, TRANSITION))
        spread = max(float(np.sqrt(covariance[BACKLASH, BACKLASH])), 1e-9)
        edges += [_Edge(start, sign * spread) for sign in (-1.0, 1.0)]
    held = _held(free, TRANSITION, BACKLASH)
    for _ in range(8):
        waiting = [edge for edge in edges if not edge.done]
        states = [_set(edge.start, BACKLASH, edge.play) for edge in waiting]
        for edge, item in zip(
            waiting, optimise_all(problem, layout, states, held, iterations=12), strict=True
        ):
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


def of_play(mixture: Mixture, name: int) -> Quantity:
    """Return the quantity for the play or the transition, from the profile's own shape.

    A play that zero is not excluded for is an upper limit at 95 %.
    """
    grid, density = _density_over(mixture, name)
    cdf = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(grid))])
    cdf /= cdf[-1]
    mean = float(np.trapezoid(grid * density, grid) / np.trapezoid(density, grid))
    u = float(np.sqrt(np.trapezoid((grid - mean) ** 2 * density, grid) / np.trapezoid(density, grid)))
    if _zero_is_likely(mixture, name, grid, density):
        return Quantity.upper_limit(float(np.interp(0.95, cdf, grid)))
    low, high = np.interp([TAIL, 1.0 - TAIL], cdf, grid)
    return Quantity(mean, u, float(low), float(high))


def _zero_is_likely(mixture: Mixture, name: int, grid: Array, density: Array) -> bool:
    """Tell whether zero play, or a sharp transition, is not excluded: then only a limit can be given."""
    if name == TRANSITION:
        return bool(
            grid[0] <= 2.0 * NARROWEST_TRANSITION_STEPS and density[0] > LIMIT_DENSITY * np.max(density)
        )
    narrowest = [mixture.components[k] for k in mixture.groups[0]]
    least = narrowest[0].theta
    if least[BACKLASH] > 0.5 * least[TRANSITION] + 1e-6:
        return False
    excess = narrowest[0].cost - min(item.cost for item in narrowest)
    return float(_density(np.array(excess), mixture.degrees_of_freedom)) > LIMIT_DENSITY


def _density_over(mixture: Mixture, name: int) -> tuple[Array, Array]:
    """Return a fine grid and the (unscaled) marginal density on it."""
    values = np.array([item.theta[name] for item in mixture.components])
    spread = np.sqrt(np.maximum([item.covariance[name, name] for item in mixture.components], 0.0))
    grid = np.linspace(max(np.min(values - 4.5 * spread), 0.0), np.max(values + 4.5 * spread), 2401)
    if name == TRANSITION:
        return _transition_density(mixture, values)
    total = np.zeros_like(grid)
    for group in mixture.groups:
        rows = np.array(group)
        spacing = np.array([mixture.components[k].spacing for k in group])
        log = np.log(np.maximum(mixture.weights[rows] / spacing, 1e-300))
        transition_share = float(spacing[0]) / max(float(np.mean(np.diff(values[rows]))), 1e-300)
        total += transition_share * _interpolated(values[rows], log, grid)
    total *= float(sum(np.sum(mixture.weights[list(group)]) for group in mixture.groups)) / float(
        np.trapezoid(total, grid)
    )
    for k in np.flatnonzero(spread > 0.0):
        normal = np.exp(-0.5 * ((grid - values[k]) / spread[k]) ** 2)
        total += mixture.weights[k] * normal / float(np.trapezoid(normal, grid))
    return grid, total


def _interpolated(nodes: Array, log_density: Array, grid: Array) -> Array:
    """Return the density between nodes; what is interpolated is its departure from a normal one."""
    weights = np.exp(log_density - np.max(log_density))
    mean = float(np.average(nodes, weights=weights))
    variance = max(float(np.average((nodes - mean) ** 2, weights=weights)), 1e-300)
    normal = -0.5 * (nodes - mean) ** 2 / variance
    rest = np.interp(grid, nodes, log_density - normal) - 0.5 * (grid - mean) ** 2 / variance
    inside = (grid >= nodes[0]) & (grid <= nodes[-1])
    density: Array = np.where(inside, np.exp(np.minimum(rest, 700.0)), 0.0)
    return density


def _transition_density(mixture: Mixture, values: Array) -> tuple[Array, Array]:
    nodes = np.array([values[group[0]] for group in mixture.groups])
    shares = np.array([np.sum(mixture.weights[list(group)]) for group in mixture.groups])
    points, weights = np.polynomial.legendre.leggauss(len(nodes))
    half = (nodes[-1] - nodes[0]) / (points[-1] - points[0])
    low, high = nodes[0] - half * (1.0 + points[0]), nodes[-1] + half * (1.0 - points[-1])
    grid = np.linspace(max(low, NARROWEST_TRANSITION_STEPS), high, 801)
    if high - low < 1e-9:
        return np.array([low, high + 1e-9]), np.ones(2)
    log = np.log(np.maximum(shares / weights, 1e-300))
    coefficients = np.polynomial.polynomial.polyfit((nodes - low) / (high - low), log, 4)
    smooth = np.polynomial.polynomial.polyval((grid - low) / (high - low), coefficients)
    return grid, np.exp(smooth - np.max(smooth))
