"""Standard uncertainties and 95 % intervals from a mixture over what the model is not smooth in.

The play and its transition enter with kinks, so they are laid out on nodes; at each node everything else
is minimised anew and its normal approximation kept (nested Laplace; Rue, Martino and Chopin 2009, section 3).
The profile over the play is the profile likelihood; the mixture carries its shape into every other number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.model import BACKLASH, TRANSITION, Problem
from routines.estimate.passes import Layout
from routines.estimate.play import NARROWEST_TRANSITION_STEPS, Array
from routines.estimate.rivals import rivals_of
from routines.estimate.solve import Mask, Solution, covariance_of, loose_slacks, optimise
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
    for start, spacing in _transition_nodes(problem, layout, best, free):
        nodes = _play_nodes(problem, layout, start, free, spacing)
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
        tried = [_at(problem, layout, near, held, TRANSITION, width) for near in (start, best)]
        start = min(tried, key=lambda solution: solution.cost)
        nodes.append((start, float(0.5 * (high - low) * weight)))
    return nodes


def _at(problem: Problem, layout: Layout, start: Solution, held: Mask, name: int, value: float) -> Solution:
    theta = start.state.theta.copy()
    theta[name] = value
    if name == TRANSITION:
        theta[BACKLASH] = max(theta[BACKLASH], 0.5 * value)
    return optimise(problem, layout, replace(start.state, theta=theta), held, iterations=12)


def _transition_range(problem: Problem, layout: Layout, best: Solution, free: Mask) -> tuple[float, float]:
    """Return the transitions beyond which the likelihood has all but vanished."""
    held = _held(free, TRANSITION)
    covariance, _ = covariance_of(problem, layout, best, held)
    reach = BACKLASH_REACH * float(np.sqrt(covariance[BACKLASH, BACKLASH])) if held[BACKLASH] else 0.0
    widest = 2.0 * (float(best.state.theta[BACKLASH]) + reach) + NARROWEST_TRANSITION_STEPS
    centre = best.state.theta[TRANSITION]

    def excess(width: float) -> float:
        return _at(problem, layout, best, held, TRANSITION, width).cost - best.cost

    def edge(inner: float, outer: float) -> float:
        if excess(outer) < FAR_COST:
            return outer
        for _ in range(5):
            middle = 0.5 * (inner + outer)
            inner, outer = (middle, outer) if excess(middle) < FAR_COST else (inner, middle)
        return outer

    return edge(centre, NARROWEST_TRANSITION_STEPS), edge(centre, max(widest, centre * 1.01))


def _play_nodes(
    problem: Problem, layout: Layout, start: Solution, free: Mask, spacing: float
) -> list[Component]:
    """Return the profile over the play at one transition, as components."""
    held = _held(free, TRANSITION, BACKLASH)
    if not free[BACKLASH]:
        return [_evidence(problem, layout, start, held, spacing)]
    covariance, _ = covariance_of(problem, layout, start, _held(free, TRANSITION))
    spread = max(float(np.sqrt(covariance[BACKLASH, BACKLASH])), 1e-9)
    centre = start.state.theta[BACKLASH]
    low, high = (_play_edge(problem, layout, start, held, centre, sign * spread) for sign in (-1.0, 1.0))
    values = np.linspace(low, high, BACKLASH_NODES)
    middle = int(np.argmin(np.abs(values - centre)))
    solved: dict[int, Solution] = {}
    for order in (range(middle, -1, -1), range(middle + 1, len(values))):
        near = start
        for k in order:
            near = _at(problem, layout, near, held, BACKLASH, float(values[k]))
            solved[k] = near
    step = (high - low) / (BACKLASH_NODES - 1)
    return [_evidence(problem, layout, solved[k], held, spacing * step) for k in sorted(solved)]


def _play_edge(
    problem: Problem, layout: Layout, start: Solution, held: Mask, centre: float, reach: float
) -> float:
    """Return the play on one side beyond which the likelihood has all but vanished."""
    floor = 0.5 * float(start.state.theta[TRANSITION])
    edge = floor
    distance = BACKLASH_REACH
    for _ in range(8):
        edge = max(centre + distance * reach, floor)
        cost = _at(problem, layout, start, held, BACKLASH, edge).cost - start.cost
        if cost >= FAR_COST or edge == floor:
            return edge if cost < 4.0 * FAR_COST else centre + 0.7 * distance * reach
        distance *= 1.5
    return edge


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
