"""The part of a crossing's uncertainty that belongs to a filter and not to a frame."""

from __future__ import annotations

import math

import pytest

from routines.estimate.result import JointFit
from routines.estimate.systematic import with_crossing_systematics
from routines.quantity import Quantity

FIT = JointFit(
    backlash_steps=Quantity.gaussian(90.0, 0.3),
    reference_filter="L",
    offsets_steps={"L": Quantity.gaussian(0.0, 0.0), "R": Quantity.gaussian(30.0, 0.4), "B": None},
    crossings_inward_steps={"L": Quantity.gaussian(1000.0, 0.3), "R": Quantity.gaussian(1030.0, 0.3)},
    offsets_order=("L", "R"),
    offsets_covariance_steps2=((0.0, 0.0), (0.0, 0.16)),
)


def test_an_offset_carries_both_filters_part_and_backlash_none() -> None:
    fit = with_crossing_systematics(FIT, {"L": 0.3, "R": 0.4}, common_u_steps=1.2)
    crossing = fit.crossings_inward_steps["R"]
    assert crossing is not None
    assert crossing.u == pytest.approx(math.sqrt(0.3**2 + 0.4**2 + 1.2**2))
    red, luminance = fit.offsets_steps["R"], fit.offsets_steps["L"]
    assert red is not None and luminance is not None
    assert red.u == pytest.approx(math.sqrt(0.16 + 0.09 + 0.16))
    assert red.high95 - red.low95 == pytest.approx(2 * 1.959964 * math.sqrt(0.41))
    assert luminance.u == 0.0
    assert fit.offsets_steps["B"] is None
    assert fit.backlash_steps == FIT.backlash_steps


def test_covariance_of_offsets_shares_the_reference() -> None:
    three = JointFit(
        reference_filter="L",
        offsets_order=("R", "G"),
        offsets_covariance_steps2=((0.16, 0.04), (0.04, 0.16)),
    )
    fit = with_crossing_systematics(three, {"L": 0.3, "R": 0.4, "G": 0.5})
    expected = ((0.16 + 0.09 + 0.16, 0.04 + 0.09), (0.04 + 0.09, 0.16 + 0.09 + 0.25))
    for row, told in zip(expected, fit.offsets_covariance_steps2, strict=True):
        assert told == pytest.approx(row)


def test_an_upper_limit_stays_as_it_is() -> None:
    limit = JointFit(reference_filter="L", crossings_inward_steps={"L": Quantity.upper_limit(3.0)})
    assert with_crossing_systematics(limit, {"L": 1.0}).crossings_inward_steps["L"] == Quantity.upper_limit(
        3.0
    )
