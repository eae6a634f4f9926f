"""The linear core: exact where it can be, refused where it must be."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from routines.estimate.linear import Underdetermined, solve_weighted, straight_line


def exact_line(x: list[Fraction], y: list[Fraction], w: list[Fraction]) -> tuple[Fraction, Fraction]:
    """Weighted least squares in rational arithmetic: intercept and slope."""
    sw = sum(w)
    sx = sum(a * b for a, b in zip(w, x, strict=True))
    sy = sum(a * b for a, b in zip(w, y, strict=True))
    sxx = sum(a * b * b for a, b in zip(w, x, strict=True))
    sxy = sum(a * b * c for a, b, c in zip(w, x, y, strict=True))
    slope = (sw * sxy - sx * sy) / (sw * sxx - sx * sx)
    return (sy - slope * sx) / sw, slope


def test_agrees_with_rational_arithmetic_far_from_the_origin() -> None:
    x = [Fraction(10_000 + 20 * k) for k in range(12)]
    y = [Fraction(7 * k * k + 31 * k - 200, 64) for k in range(12)]
    w = [Fraction(1 + k % 4, 3) for k in range(12)]
    intercept, slope = exact_line(x, y, w)
    line = straight_line(
        np.array(x, dtype=float), np.array(y, dtype=float), 1.0 / np.sqrt(np.array(w, dtype=float))
    )
    assert line.slope == pytest.approx(float(slope), rel=1e-9)
    assert line.intercept == pytest.approx(float(intercept), rel=1e-9)
    assert line.crossing().value == pytest.approx(float(-intercept / slope), rel=1e-9)


def test_scatter_counts_the_parameters() -> None:
    line = straight_line(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.0]))
    # The mean is 1/3 and the slope 0: residuals -1/3, 2/3, -1/3, so the sum of squares is 2/3 on one degree.
    assert line.scatter == pytest.approx((2.0 / 3.0) ** 0.5)
    assert line.degrees_of_freedom == 1


def test_given_uncertainties_are_taken_at_their_word() -> None:
    x = np.arange(5.0)
    line = straight_line(x, 2.0 * x, np.full(5, 0.3))
    assert line.u_slope == pytest.approx(0.3 / 10.0**0.5)
    assert line.predict(2.0).u == pytest.approx(0.3 / 5.0**0.5)


def test_crossing_uncertainty_by_simulation() -> None:
    rng = np.random.default_rng(5)
    x = np.linspace(-40.0, 160.0, 11)
    lines = [
        straight_line(x, 0.2 * (x - 70.0) + 0.4 * rng.normal(size=11), np.full(11, 0.4)) for _ in range(2000)
    ]
    found = np.array([line.crossing().value for line in lines])
    assert np.std(found) == pytest.approx(lines[0].crossing().u, rel=0.06)


@pytest.mark.parametrize(
    "design",
    [np.ones((4, 2)), np.column_stack([np.ones(3), np.zeros(3)]), np.ones((1, 2))],
    ids=["twice the same column", "an empty column", "too few rows"],
)
def test_refuses_what_cannot_be_determined(design: np.ndarray) -> None:
    with pytest.raises(Underdetermined):
        solve_weighted(design, np.zeros(len(design)))
