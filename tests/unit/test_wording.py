"""Numbers are written with as many digits as their uncertainty warrants."""

from __future__ import annotations

import pytest

from routines.quantity import Quantity
from routines.wording import (
    counted,
    decimals_for,
    fixed,
    format_interval,
    format_quantity,
    format_u,
    format_value,
    listed,
    short,
    whole,
)


# Review of Particle Physics, introduction, section 5.3: 0.827 +/- 0.119 becomes 0.83 +/- 0.12, and
# 0.827 +/- 0.367 becomes 0.8 +/- 0.4 (both from memory of the printed text).
@pytest.mark.parametrize(("u", "written"), [(0.119, "0.83 ± 0.12"), (0.367, "0.8 ± 0.4")])
def test_published_rounding_examples(u: float, written: str) -> None:
    assert format_value(0.827, u) == written


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [
        (93.42, 0.8, "93.4 ± 0.8"),
        (93.42, 0.096, "93.42 ± 0.10"),
        (93.42, 0.951, "93.4 ± 1.0"),
        (93.42, 3.54, "93.4 ± 3.5"),
        (93.42, 3.56, "93 ± 4"),
        (12345.0, 123.0, "12340 ± 120"),
        (-0.02, 0.4, "0.0 ± 0.4"),
        (5.0, 0.0, "5 ± 0"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u: float, written: str) -> None:
    expected = "5" if u == 0.0 else written
    assert format_value(value, u) == expected


def test_leading_digits_that_round_up_to_the_next_decade() -> None:
    assert decimals_for(0.0999) == decimals_for(0.1)
    assert format_value(1.0, 0.0999) == "1.00 ± 0.10"


@pytest.mark.parametrize("u", [0.0, -1.0, float("nan"), float("inf")])
def test_an_impossible_uncertainty_is_refused(u: float) -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        decimals_for(u)


def test_quantities_in_words() -> None:
    known = Quantity.gaussian(-12.345, 0.27)
    assert format_quantity(known, "steps", signed=True) == "-12.35 ± 0.27 steps"
    assert format_interval(known) == "-12.87 to -11.82"
    assert format_u(known) == "0.27"
    assert format_quantity(None, "steps") == "not known"
    assert format_quantity(Quantity.upper_limit(12.3), "steps") == "at most 12.3 steps (95 %)"
    assert format_interval(Quantity.upper_limit(12.3)) == "0 to 12.3"


def test_no_negative_zero_and_no_sign_on_zero() -> None:
    assert fixed(-0.001, 1, signed=True) == "0.0"
    assert whole(-0.3, signed=True) == "0"


def test_halves_round_away_from_zero() -> None:
    assert [whole(x, signed=True) for x in (2.5, -2.5, 0.4)] == ["+3", "-3", "0"]


def test_short_numbers_and_lists() -> None:
    assert [short(x) for x in (0.01234, 1.2345, 123.45, 12345.6)] == ["0.0123", "1.23", "123", "12346"]
    assert counted(1, "look") == "1 look"
    assert listed(["R", "G", "B"]) == "R, G and B"
