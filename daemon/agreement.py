"""Found against true, and one verdict over all of it: a chi-square at 99 %.

Knows no rig: both sides come in as numbers. Only what has a value counts; an upper limit is shown and judged
by eye, since it has no place in a sum of squares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from routines.quantity import Quantity

CONFIDENCE = 0.99


@dataclass(frozen=True, slots=True)
class Comparison:
    """One number found (None when it was not) beside the truth, both in ``unit``."""

    name: str
    unit: str
    found: Quantity | None
    truth: float

    @property
    def deviation_u(self) -> float | None:
        """Return how many standard uncertainties the two are apart; None without a value."""
        if self.found is None or self.found.value is None or not self.found.u:
            return None
        return (self.found.value - self.truth) / self.found.u


@dataclass(frozen=True, slots=True)
class Agreement:
    """The verdict: chi-square over ``count`` numbers against its 99 % limit."""

    chi_square: float
    count: int
    limit: float
    missing: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Tell whether everything required was found and agrees within the stated uncertainty."""
        return not self.missing and self.count > 0 and self.chi_square <= self.limit


def judge_agreement(
    comparisons: Sequence[Comparison],
    *,
    required: Sequence[str],
    covariances: Mapping[tuple[str, str], float] | None = None,
) -> Agreement:
    """Return the verdict over all comparisons with a value.

    ``covariances`` hold what is known of pairs of names (unit squared); other pairs count as independent.
    ``required`` names must have a value or a limit.
    """
    from scipy.stats import chi2

    counted = [item for item in comparisons if item.deviation_u is not None]
    chi_square = _chi_square(counted, covariances or {})
    told = {item.name for item in comparisons if item.found is not None}
    missing = tuple(name for name in required if name not in told)
    limit = float(chi2.ppf(CONFIDENCE, len(counted))) if counted else 0.0
    return Agreement(chi_square, len(counted), limit, missing)


def _chi_square(counted: Sequence[Comparison], covariances: Mapping[tuple[str, str], float]) -> float:
    """Return the squared deviations, weighted by the inverse of the covariance matrix."""
    import numpy as np

    if not counted:
        return 0.0
    deviations = np.zeros(len(counted))
    covariance = np.zeros((len(counted), len(counted)))
    for row, one in enumerate(counted):
        assert one.found is not None and one.found.value is not None and one.found.u is not None
        deviations[row] = one.found.value - one.truth
        covariance[row, row] = one.found.u**2
        for column, other in enumerate(counted[:row]):
            pair = covariances.get((one.name, other.name), covariances.get((other.name, one.name), 0.0))
            covariance[row, column] = covariance[column, row] = pair
    return float(deviations @ np.linalg.solve(covariance, deviations))
