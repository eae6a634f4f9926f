"""Standard uncertainties and 95 % intervals from a mixture over what the model is not smooth in.

The play and its transition enter with kinks, so they are laid out on nodes; at each node everything else
is minimised anew and its normal approximation kept (nested Laplace; Rue, Martino and Chopin 2009, section 3).
The profile over the play is the profile likelihood; the mixture carries its shape into every other number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.model import BACKLASH, TRANSITION
from routines.estimate.play import NARROWEST_TRANSITION_STEPS, Array
from routines.quantity import Quantity

TAIL = 0.025
LIGHTEST = 1e-5
# Zero is excluded when its density is below this share of the highest (2.8 standard uncertainties away).
LIMIT_DENSITY = 0.02
# A density is not taken to be higher between its nodes than at the highest of them by more than this (log).
HIGHER_BETWEEN = 5.0


@dataclass(frozen=True, slots=True)
class Nodes:
    """Nodes (m) of a mixture: globals (m, q), covariances (m, q, q; zero where held), -2 log evidence (m).

    ``spacing`` (m) is what each stands for of the plays and transitions.
    """

    theta: Array
    covariance: Array
    cost: Array
    spacing: Array


@dataclass(frozen=True, slots=True)
class Mixture:
    """Normal nodes (m) with weights that sum to 1; Student's t with ``degrees_of_freedom`` in the tails.

    ``groups`` gathers the nodes by transition, each a profile over the play; nodes beyond them are other
    stories of the slacks, in which the play is normal too.
    """

    nodes: Nodes
    weights: Array
    degrees_of_freedom: float
    groups: tuple[slice, ...]

    def moments(self, transform: Array) -> tuple[Array, Array]:
        """Return mean (k) and covariance (k, k) of ``transform`` (k, q) applied to the globals."""
        means = self.nodes.theta @ transform.T
        mean = self.weights @ means
        away = means - mean
        within = np.tensordot(self.weights, self.nodes.covariance, axes=1)
        total: Array = transform @ within @ transform.T + (away.T * self.weights) @ away
        return mean, total

    def given_none(self, places: slice) -> Mixture:
        """Return the mixture where the globals at ``places`` are known to be zero."""
        theta, covariance = self.nodes.theta, self.nodes.covariance
        shared = covariance[:, :, places]
        gain = shared @ np.linalg.pinv(covariance[:, places, places])
        theta = theta - (gain @ theta[:, places, None])[..., 0]
        covariance = covariance - gain @ np.swapaxes(shared, -1, -2)
        return replace(self, nodes=replace(self.nodes, theta=theta, covariance=covariance))

    def quantity(self, gradient: Array) -> Quantity:
        """Return value, u and interval of ``gradient @ globals``; the play itself needs ``of_play``."""
        means, variances = self.nodes.theta @ gradient, (self.nodes.covariance @ gradient) @ gradient
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


def density_at(excess: Array | float, degrees: float) -> Array:
    """Return the likelihood of an excess of -2 log likelihood, the scatter integrated out."""
    if degrees > 1e6:
        return np.exp(-0.5 * excess)
    return (1.0 + np.maximum(excess, -0.5 * degrees) / degrees) ** (-0.5 * (degrees + 1.0))


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
    narrowest = mixture.groups[0]
    least, costs = mixture.nodes.theta[narrowest][0], mixture.nodes.cost[narrowest]
    if least[BACKLASH] > 0.5 * least[TRANSITION] + 1e-6:
        return False
    return float(density_at(costs[0] - np.min(costs), mixture.degrees_of_freedom)) > LIMIT_DENSITY


def _density_over(mixture: Mixture, name: int) -> tuple[Array, Array]:
    """Return a fine grid and the (unscaled) marginal density on it."""
    nodes, weights = mixture.nodes, mixture.weights
    values = nodes.theta[:, name]
    spread = np.sqrt(np.maximum(nodes.covariance[:, name, name], 0.0))
    grid = np.linspace(max(np.min(values - 4.5 * spread), 0.0), np.max(values + 4.5 * spread), 2401)
    if name == TRANSITION:
        return _transition_density(mixture, values)
    total = np.zeros_like(grid)
    for group in mixture.groups:
        spacing, own = nodes.spacing[group], values[group]
        log = np.log(np.maximum(weights[group] / spacing, 1e-300))
        transition_share = float(spacing[0]) / max(float(np.mean(np.diff(own))), 1e-300)
        total += transition_share * _interpolated(own, log, grid)
    total *= float(sum(np.sum(weights[group]) for group in mixture.groups)) / float(np.trapezoid(total, grid))
    for k in np.flatnonzero(spread > 0.0):
        normal = np.exp(-0.5 * ((grid - values[k]) / spread[k]) ** 2)
        total += weights[k] * normal / float(np.trapezoid(normal, grid))
    return grid, total


def _interpolated(nodes: Array, log_density: Array, grid: Array) -> Array:
    """Return the density between nodes; what is interpolated is its departure from a normal one."""
    weights = np.exp(log_density - np.max(log_density))
    mean = float(np.average(nodes, weights=weights))
    variance = max(float(np.average((nodes - mean) ** 2, weights=weights)), 1e-300)
    normal = -0.5 * (nodes - mean) ** 2 / variance
    rest = np.interp(grid, nodes, log_density - normal) - 0.5 * (grid - mean) ** 2 / variance
    inside = (grid >= nodes[0]) & (grid <= nodes[-1])
    density: Array = np.where(inside, np.exp(np.minimum(rest, np.max(log_density) + HIGHER_BETWEEN)), 0.0)
    return density


def _transition_density(mixture: Mixture, values: Array) -> tuple[Array, Array]:
    nodes = np.array([values[group][0] for group in mixture.groups])
    shares = np.array([np.sum(mixture.weights[group]) for group in mixture.groups])
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
