"""Weighted linear least squares: the core that every straight line of the project goes through.

Solved by QR of the weighted design, never by normal equations, so that a line far from its origin keeps
its digits. The joint fit's inner solve and the calibration line of a crossing are the same code.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# A column of unit length that is so little of its own depends on the others.
LEAST_INDEPENDENT = 1e-12


class Underdetermined(ValueError):
    """The observations cannot determine all the coefficients of a linear model."""


@dataclass(frozen=True, slots=True)
class LinearSolution:
    """Coefficients (p), their covariance (p, p) for unit weights, residuals (n) and weighted chi-square."""

    coefficients: Array
    covariance: Array
    residuals: Array
    chi_square: float
    degrees_of_freedom: int


def solve_weighted(design: Array, values: Array, weights: Array | None = None) -> LinearSolution:
    """Minimise ``sum(weights * (values - design @ coefficients)**2)``.

    ``design`` is (n, p), ``values`` (n), ``weights`` (n) are inverse variances, or None for all 1. The
    covariance is for these weights; scaling it by the scatter is the caller's choice. Raises
    ``Underdetermined`` when the columns do not determine the coefficients.
    """
    root = np.ones(len(values)) if weights is None else np.sqrt(weights)
    weighted = design * root[:, None]
    scale = np.sqrt(np.sum(weighted**2, axis=0))
    if not design.shape[1] or len(values) < design.shape[1] or not np.all(scale > 0.0):
        raise Underdetermined(f"{len(values)} observations cannot determine {design.shape[1]} coefficients")
    q, inverse, told = _factored(weighted, scale)
    if not told:
        raise Underdetermined("the columns of the linear model depend on each other")
    coefficients = inverse @ (q.T @ (values * root))
    residuals = values - design @ coefficients
    chi_square = float(np.sum((residuals * root) ** 2))
    return LinearSolution(
        coefficients, inverse @ inverse.T, residuals, chi_square, len(values) - design.shape[1]
    )


def _factored(weighted: Array, scale: Array) -> tuple[Array, Array, Array]:
    """Return Q (.., n, p), the inverse of R (.., p, p) of a design (.., n, p), and whether it is one (..)."""
    q, r = np.linalg.qr(weighted / scale[..., None, :])
    told = np.min(np.abs(np.diagonal(r, axis1=-2, axis2=-1)), axis=-1) >= LEAST_INDEPENDENT
    sound = np.where(told[..., None, None], r, np.eye(r.shape[-1]))
    return q, np.asarray(np.linalg.inv(sound)) / scale[..., None], told


def solve_many_weighted(
    design: Array, values: Array, weights: Array
) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
    """Return coefficients (k, p) and residuals (k, n) of many models, and which of them (k) are determined.

    Like ``solve_weighted`` for each ``design`` (k, n, p) with its ``weights`` (k, n); ``values`` (n) are
    those of all of them.
    """
    root = np.sqrt(weights)
    weighted = design * root[..., None]
    scale = np.sqrt(np.sum(weighted**2, axis=-2))
    told = np.all(scale > 0.0, axis=-1)
    if not 0 < design.shape[-1] <= len(values):
        told[:] = False
        return np.zeros(scale.shape), np.broadcast_to(values, weights.shape), told
    q, inverse, independent = _factored(weighted, np.where(scale > 0.0, scale, 1.0))
    projected = np.swapaxes(q, -1, -2) @ (values * root)[..., None]
    coefficients = (inverse @ projected)[..., 0]
    residuals = values - (design @ coefficients[..., None])[..., 0]
    return coefficients, residuals, told & independent


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and the degrees of freedom behind it."""

    value: float
    u: float
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted straight line ``y = intercept + slope * (x - origin)``.

    ``covariance`` is that of (intercept, slope). ``scatter`` is the standard deviation of one observation
    of unit weight, with n - 2 degrees of freedom (None for two points).
    """

    intercept: float
    slope: float
    covariance: Array
    scatter: float | None
    degrees_of_freedom: int
    origin: float
    residuals: Array

    @property
    def u_intercept(self) -> float:
        """Return the standard uncertainty of the intercept."""
        return sqrt(self.covariance[0, 0])

    @property
    def u_slope(self) -> float:
        """Return the standard uncertainty of the slope."""
        return sqrt(self.covariance[1, 1])

    @property
    def correlation(self) -> float:
        """Return the correlation of intercept and slope."""
        return float(self.covariance[0, 1]) / (self.u_intercept * self.u_slope)

    def predict(self, x: float) -> Estimate:
        """Return the line's value at ``x`` (JCGM 100:2008, H.3.4)."""
        gradient = np.array([1.0, x - self.origin])
        u = sqrt(float(gradient @ self.covariance @ gradient))
        return Estimate(self.intercept + self.slope * (x - self.origin), u, self.degrees_of_freedom)

    def crossing(self) -> Estimate:
        """Return where the line is zero; ZeroDivisionError for a flat line."""
        distance = -self.intercept / self.slope
        gradient = np.array([-1.0, -distance]) / self.slope
        u = sqrt(float(gradient @ self.covariance @ gradient))
        return Estimate(self.origin + distance, u, self.degrees_of_freedom)


def straight_line(x: Array, y: Array, u: Array | None = None, *, origin: float = 0.0) -> Line:
    """Fit a straight line through (n) points, weighted by 1/u**2 where ``u`` (n) is given.

    Uncertainties follow from the scatter with n - 2 degrees of freedom when ``u`` is None, else from ``u``
    itself. Raises ``Underdetermined`` for fewer than two distinct x.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    weights = None if u is None else 1.0 / np.asarray(u, dtype=float) ** 2
    centre = float(np.average(x, weights=weights))
    design = np.column_stack([np.ones_like(x), x - centre])
    solution = solve_weighted(design, y, weights)
    free = solution.degrees_of_freedom
    scatter = sqrt(solution.chi_square / free) if free > 0 else None
    factor = 1.0 if u is not None or scatter is None else scatter**2
    # Centred on the mean for the solve, then moved to the caller's origin: exact, and it keeps the digits.
    shift = np.array([[1.0, origin - centre], [0.0, 1.0]])
    intercept, slope = shift @ solution.coefficients
    covariance = shift @ (solution.covariance * factor) @ shift.T
    return Line(float(intercept), float(slope), covariance, scatter, free, origin, solution.residuals)
