"""The temperature of each look, with the thermometer's noise and steps smoothed out.

A coefficient fitted to noisy readings comes out too small (errors in variables; Fuller, Measurement Error
Models, 1987, chapter 1), so the readings are replaced by the smoothest curve through them that their own
scatter allows. A tube is too massive to follow anything faster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from routines.estimate.linear import solve_weighted
from routines.estimate.play import Array

HIGHEST_DEGREE = 8
# A polynomial whose residuals exceed the look-to-look scatter by this much does not describe the night.
POOR_RATIO = 1.5


@dataclass(frozen=True, slots=True)
class SmoothTemperature:
    """Temperatures (n, deg C) at the looks, and the standard deviation of one reading about them."""

    celsius: Array
    reading_u_c: float


def smooth_temperature(when: Array, reading: Array) -> SmoothTemperature:
    """Return a smooth curve through readings (n) taken at ``when`` (n, any unit, not falling)."""
    span = float(np.ptp(when))
    if span == 0.0 or float(np.ptp(reading)) == 0.0 or len(reading) < 4:
        return SmoothTemperature(reading.astype(float), 0.0)
    x = 2.0 * (when - when[0]) / span - 1.0
    best, spread = _best_polynomial(x, reading)
    jitter = math.sqrt(0.5 * float(np.mean(np.diff(reading) ** 2)))
    if spread > POOR_RATIO * jitter and spread > 0.0:
        return SmoothTemperature(_running_line(x, reading), jitter)
    return SmoothTemperature(best, spread)


def _best_polynomial(x: Array, reading: Array) -> tuple[Array, float]:
    """Return the polynomial that Schwarz's criterion (1978) prefers, and the scatter about it."""
    count = len(reading)
    places = len(np.unique(x))
    found: list[tuple[float, Array, float]] = []
    for degree in range(min(HIGHEST_DEGREE, places - 2, count // 4) + 1):
        design = np.polynomial.chebyshev.chebvander(x, degree)
        solution = solve_weighted(design, reading)
        squares = max(solution.chi_square, count * 1e-8)
        score = count * math.log(squares / count) + (degree + 1) * math.log(count)
        spread = math.sqrt(squares / max(count - degree - 1, 1))
        found.append((score, reading - solution.residuals, spread))
    _, curve, spread = min(found, key=lambda item: item[0])
    return curve, spread


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
