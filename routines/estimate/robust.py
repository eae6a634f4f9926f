"""Scatter and outliers: a mixture likelihood that says how far each row is believed.

Most rows are normal about the model with the frame's own variance plus the filter's scatter; a small share
may be anything (Jaynes, Probability Theory, 2003, section 21.3; Hogg, Bovy and Lang 2010, section 3). Nothing
is dropped: a row's weight is the probability that it belongs to the first kind.
"""

from __future__ import annotations

import math

import numpy as np

from routines.estimate.linear import Line, straight_line
from routines.estimate.play import Array, Index

# Shrinks each filter's scatter towards the common one as if this many further rows had agreed with it.
SHRINKAGE_ROWS = 8.0
OUTLIER_SHARE = 0.05
# The scatter's chi-square is made equal to what it shall be to this share.
SCATTER_TOLD = 1e-6
# A line is at rest once no row is believed by more or less than before.
BELIEF_SETTLED = 1e-4


def mixture(residual: Array, variance: Array, outlier_share: float, width: float) -> tuple[Array, Array]:
    """Return -2 log likelihood and the probability of being good, for residuals of any shape.

    ``variance`` broadcasts to ``residual``; an outlier is spread evenly over ``width`` (same unit).
    """
    good = np.log((1.0 - outlier_share) / np.sqrt(2.0 * math.pi * variance)) - residual**2 / (2.0 * variance)
    bad = math.log(outlier_share / width)
    both = np.logaddexp(good, bad)
    return -2.0 * both, np.exp(good - both)


def settled_scatter(
    residual: Array, good: Array, u: Array, filter_index: Index, filters: int, parameters: float
) -> Array:
    """Return each filter's scatter variance beyond the frames' own ``u`` (n), shrunk to the common one.

    The common variance makes the chi-square of the believed rows equal n - p; it is zero where the frames'
    own uncertainty explains everything.
    """
    count = float(np.sum(good))
    free = max(count - parameters, 1.0)
    common = _matching_variance(residual, good, u, free)
    squares = good * residual**2 / (u**2 + common + 1e-300)
    rows = np.bincount(filter_index, good, filters)
    ratio = np.bincount(filter_index, squares, filters) + SHRINKAGE_ROWS * min(
        1.0, float(np.sum(squares)) / free
    )
    ratio /= rows * free / max(count, 1.0) + SHRINKAGE_ROWS
    own = np.bincount(filter_index, good * u**2, filters) / np.maximum(rows, 1e-9)
    scatter: Array = np.maximum(ratio * (own + common) - own, 0.0)
    return scatter


def _matching_variance(residual: Array, good: Array, u: Array, free: float) -> float:
    """Return the added variance at which the weighted sum of squares is ``free`` (0 when u is enough)."""

    squares, own = good * residual**2, u**2
    high = float(np.sum(squares)) / free + 1e-300
    if not np.any(own):
        return high
    # The free over the sum is a concave and nearly straight function of the variance: a few of Newton's steps
    # for it are enough, from below and never beyond.
    variance = 0.0 if np.all(own > 0.0) else 1e-12 * high
    for _ in range(60):
        parts = squares / (own + variance)
        found = float(np.sum(parts))
        if found <= free * (1.0 + SCATTER_TOLD):
            break
        variance += (found / free - 1.0) * found / float(np.sum(parts / (own + variance)))
    return variance


def robust_line(x: Array, y: Array, u: Array | None = None) -> Line:
    """Fit a straight line like ``straight_line``, rows weighted by the probability that they are no outliers.

    The scatter comes from the rows beyond their own ``u``, with n - 2 degrees of freedom. Raises
    ``Underdetermined`` for fewer than two distinct x.
    """
    own = np.zeros(len(y)) if u is None else np.asarray(u, dtype=float)
    low, high = np.percentile(y, [5.0, 95.0])
    width = 3.0 * float(high - low) + 1e-12
    line = straight_line(x, y)
    variance = own**2 + max(1.4826 * float(np.median(np.abs(line.residuals))), 1e-9 * width) ** 2
    before = np.zeros(len(y))
    one_filter = np.zeros(len(y), dtype=np.intp)
    for _ in range(12):
        _, good = mixture(line.residuals, variance, OUTLIER_SHARE, width)
        line = straight_line(x, y, np.sqrt(variance / np.maximum(good, 1e-12)))
        _, good = mixture(line.residuals, variance, OUTLIER_SHARE, width)
        if np.max(np.abs(good - before)) < BELIEF_SETTLED:
            break
        before = good
        scatter = settled_scatter(line.residuals, good, own, one_filter, 1, 2.0)[0]
        variance = np.maximum(own**2 + scatter, (1e-9 * width) ** 2)
    return line
