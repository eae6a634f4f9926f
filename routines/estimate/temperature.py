"""The temperature of each look, with the thermometer's noise and steps smoothed out.

A coefficient fitted to noisy readings comes out too small (errors in variables; Fuller, Measurement Error
Models, 1987, chapter 1), so the readings are replaced by the smoothest curve through them that their own
scatter allows. A tube is too massive to follow anything faster. What a curve leaves open of its values it
leaves open of its rate many times over, and a tube behind its thermometer is off by the rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from routines.estimate.linear import solve_weighted
from routines.estimate.play import Array

HIGHEST_DEGREE = 8
# Degrees beyond the one that the readings ask for: shapes too weak for the thermometer still move the focus.
SPARE_DEGREES = 2
# A polynomial whose residuals exceed the look-to-look scatter by this much does not describe the night.
POOR_RATIO = 1.5


@dataclass(frozen=True, slots=True)
class SmoothTemperature:
    """Temperatures (n, deg C) at the looks, and how they may be wrong.

    ``bends_c`` (n, k) are independent shapes, each one standard uncertainty high, what a lag makes of the
    curve and of its errors among them; none where no polynomial describes the night. ``reading_u_c`` is the
    standard deviation of one reading about the curve. ``signal`` is how many standard uncertainties the
    temperature moved; below about ten, a ratio to it means little.
    """

    celsius: Array
    bends_c: Array
    reading_u_c: float
    signal: float


def smooth_temperature(when: Array, reading: Array, *, lag_u: float = 0.0) -> SmoothTemperature:
    """Return a smooth curve through readings (n) taken at ``when`` (n, any unit, not falling).

    ``lag_u`` (the same unit) is the standard deviation of what is believed about a lag either way.
    """
    span = float(np.ptp(when))
    straight = np.zeros((len(reading), 0))
    if span == 0.0 or float(np.ptp(reading)) == 0.0 or len(reading) < 4:
        return SmoothTemperature(reading.astype(float), straight, 0.0, _signal(reading, 0.0))
    x = 2.0 * (when - when[0]) / span - 1.0
    highest = min(HIGHEST_DEGREE, len(np.unique(x)) - 2, len(reading) // 4)
    degree, spread = _best_degree(x, reading, highest)
    jitter = math.sqrt(0.5 * float(np.mean(np.diff(reading) ** 2)))
    if spread > POOR_RATIO * jitter and spread > 0.0:
        curve = _running_line(x, reading)
        return SmoothTemperature(curve, straight, jitter, _signal(curve, jitter))
    degree = min(degree + SPARE_DEGREES, highest)
    shapes, mixing = np.linalg.qr(np.polynomial.chebyshev.chebvander(x, degree))
    factors = shapes.T @ reading
    curve, bends = shapes @ factors, shapes * spread
    if lag_u > 0.0:
        rates = (2.0 / span) * _derivatives(x, degree) @ np.linalg.inv(mixing)
        bends = _with_lag(bends, lag_u * rates, factors, spread)
    return SmoothTemperature(curve, bends, spread, _signal(curve, spread))


def _derivatives(x: Array, degree: int) -> Array:
    """Return the derivatives (n, degree + 1) of Chebyshev's polynomials."""
    chebyshev = np.polynomial.chebyshev
    columns = [chebyshev.chebval(x, chebyshev.chebder(one)) for one in np.eye(degree + 1)]
    return np.column_stack(columns)


def _with_lag(bends: Array, moved: Array, factors: Array, factor_u: float) -> Array:
    """Return the bends (n, k) with what a lag does to the curve, and to what is open of it, among them.

    One u of lag moves the curve's shapes by ``moved`` (n, k); their ``factors`` (k) have the standard
    uncertainty ``factor_u`` each. Lag and errors are independent, so that their product has the product's
    variance; all of it lies among k polynomials. Behind a steady change a reading is off by a constant,
    tonight as on other nights: only the rest matters.
    """
    moved = moved - np.mean(moved, axis=0)
    both = np.column_stack([bends, moved @ factors, factor_u * moved])
    shapes, sizes, _ = np.linalg.svd(both, full_matrices=False)
    count = bends.shape[1]
    return np.asarray((shapes * sizes)[:, :count])


def _signal(curve: Array, reading_u_c: float) -> float:
    """Return the curve's departure from its mean in units of its own standard uncertainty."""
    moved = float(np.sqrt(np.sum((curve - np.mean(curve)) ** 2)))
    return moved / max(reading_u_c, 1e-9) if moved > 0.0 else 0.0


def _best_degree(x: Array, reading: Array, highest: int) -> tuple[int, float]:
    """Return the polynomial degree that Schwarz's criterion (1978) prefers, and the scatter about it."""
    count = len(reading)
    found: list[tuple[float, int, float]] = []
    for degree in range(highest + 1):
        design: Array = np.asarray(np.polynomial.chebyshev.chebvander(x, degree), dtype=np.float64)
        squares = solve_weighted(design, reading).chi_square
        squares = max(squares, count * 1e-8)
        score = count * math.log(squares / count) + (degree + 1) * math.log(count)
        found.append((score, degree, math.sqrt(squares / max(count - degree - 1, 1))))
    _, degree, spread = min(found)
    return degree, spread


def _running_line(x: Array, reading: Array) -> Array:
    """Return local straight lines over the nearest nine readings."""
    half = 4
    curve = np.empty(len(reading))
    for k in range(len(reading)):
        near = slice(max(0, k - half), k + half + 1)
        slope, level = 0.0, float(np.mean(reading[near]))
        away = x[near] - float(np.mean(x[near]))
        if np.any(away != 0.0):
            slope = float(away @ reading[near] / (away @ away))
        curve[k] = level + slope * (x[k] - float(np.mean(x[near])))
    return curve
