"""A drawtube that slips a little with its travel: what the numbers allow for, and what is said."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "campaigns"))

from random_rigs import random_night
from test_estimate_joint import BACKLASH, SLOPE, agrees, back, codes, fit, out, sweep

from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.flags import CAUTIONS, DOUBTS
from routines.observations import Move, Observation


def slipping(looks: Sequence[Observation], share: float) -> list[Observation]:
    """Return the looks of a drawtube that loses a share of its travel, without temperatures."""
    place = [look.position_steps for look in looks]
    gone = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(place)))])
    return [
        replace(look, value_px=look.value_px - SLOPE * share * lost, temperature_c=None)
        for look, lost in zip(looks, gone, strict=True)
    ]


def told(result: JointFit, field: str) -> set[str]:
    return {flag.code for flag in result.flags if flag.field == field}


def known_moves(looks: Sequence[Observation]) -> list[Move]:
    return [Move(look.number, look.position_steps) for look in looks]


def test_known_moves_settle_a_steady_slip_without_a_doubt() -> None:
    looks = slipping(sweep([out(), back(), out(), back()]), 0.0007)
    found = fit(looks, known_moves(looks))
    assert "steady_slip" in codes(found)
    assert not codes(found) & DOUBTS
    assert agrees(found.backlash_steps, BACKLASH)
    assert agrees(found.slope_px_per_step, SLOPE)


def test_a_slip_of_many_u_is_a_doubt_though_the_moves_are_known() -> None:
    """Nothing slips so steadily that its hundredth part could be relied upon."""
    looks = slipping(sweep([out(), back(), out(), back()]), 0.03)
    found = fit(looks, known_moves(looks))
    assert "slip" in codes(found)
    assert "steady_slip" not in codes(found)


def test_a_table_may_hide_moves_that_slipped_too() -> None:
    found = fit(slipping(sweep([out(), back(), out(), back()]), 0.03))
    assert "slip" in codes(found)
    assert "steady_slip" not in codes(found)


def test_a_sound_drawtube_is_not_said_to_slip() -> None:
    for seed in range(8):
        looks = slipping(sweep([out(), back(), out(), back()], seed=seed), 0.0)
        assert not {"slip", "steady_slip"} & (codes(fit(looks)) | codes(fit(looks, known_moves(looks))))


def test_two_passes_hide_a_slip_in_the_play_and_the_slope_allows_for_it() -> None:
    """Outward is looked at most, where the travel lost makes the slope smaller."""
    looks = sweep([out(step=10.0), back(step=20.0)])
    found, steady = fit(slipping(looks, 0.01)), fit(slipping(looks, 0.0))
    assert agrees(found.slope_px_per_step, SLOPE)
    assert "slip" in codes(found)
    assert not codes(steady) & DOUBTS
    assert "not_repeated" in told(steady, "backlash_steps")
    assert not told(steady, "slope_px_per_step") & CAUTIONS


def test_a_coefficient_that_a_slip_could_pass_for_is_cautioned() -> None:
    """These looks allow for one kind of slip; the other kind would run with the night's steady cooling."""
    night = random_night(28)
    setup = FitSetup(night.filters, night.filters[0], alpha_prior_steps_per_c=night.alpha_prior)
    found = fit_jointly(night.observations, night.moves, setup)
    assert found.temperature_coefficient_steps_per_c is not None
    assert "drift_confounded" in told(found, "temperature_coefficient_steps_per_c")
