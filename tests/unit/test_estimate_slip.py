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
from test_estimate_joint import BACKLASH, CROSSING, SLOPE, agrees, back, codes, fit, out, sweep

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


def losing(looks: Sequence[Observation], lost_steps: Sequence[float], rows: int) -> list[Observation]:
    """Return the looks of a drawtube whose every pass (of so many rows) begins with some steps lost."""
    gone = np.cumsum(lost_steps)
    return [
        replace(look, value_px=look.value_px + SLOPE * gone[look.number // rows], temperature_c=None)
        for look in looks
    ]


def test_a_slip_that_shows_may_be_larger_at_one_reversal_than_at_another() -> None:
    """No motor starts equally badly each time: what passes tell of the lost motion is as unsure as that."""
    looks = sweep([out(), back(), out(), back(), out()])
    uneven, none = losing(looks, (0.0, 2.0, 4.0, 4.0, 2.0), 48), losing(looks, (0.0,) * 5, 48)
    found, steady = fit(uneven, known_moves(looks)), fit(none, known_moves(looks))
    assert not (codes(found) | codes(steady)) & DOUBTS
    for number in (found.lost_motion_to_outward_steps, found.lost_motion_to_inward_steps):
        assert number.low95 < BACKLASH < number.high95
        # Three tenths of 3 steps, over the root of two reversals each way, and no more than twice that.
        assert 0.3 < number.u < 1.3
    assert steady.lost_motion_to_outward_steps.u < 0.15


def test_looks_from_one_side_show_a_slip_too() -> None:
    """The crossing is that of the middle of the looks, when the second pass was made."""
    looks = sweep([out(), out(), out()], start=1000.0)
    found, steady = fit(losing(looks, (0.0, 3.0, 3.0), 48)), fit(losing(looks, (0.0,) * 3, 48))
    assert found.backlash_steps is None
    assert "slip" in codes(found)
    assert not codes(steady) & (DOUBTS | CAUTIONS)
    assert agrees(found.crossings_outward_steps["L"], CROSSING["L"] + BACKLASH - 3.0)
    assert found.crossings_outward_steps["L"].u < 0.15


def test_the_lost_motion_of_a_sound_drawtube_scatters_by_its_u() -> None:
    """Crossings and the slip are told by the same looks: what moves both together leaves their difference."""
    found = [
        fit(slipping(sweep([out(), back(), out()], seed=seed), 0.0)).lost_motion_to_outward_steps
        for seed in range(30)
    ]
    scatter = float(np.std([number.value for number in found], ddof=1))
    # The standard deviation of 30 is known to 13 %.
    assert 0.65 < scatter / float(np.mean([number.u for number in found])) < 1.35


def test_a_caution_tells_what_a_slip_would_come_to() -> None:
    """One per cent of 300 steps between two passes is 3 steps of backlash, and half as much of a crossing."""
    found = fit(slipping(sweep([out(), back()]), 0.0))
    said = {flag.field: flag.message for flag in found.flags if flag.code == "not_repeated"}
    assert said["backlash_steps"].endswith("would move it by 3 steps")


def test_a_play_is_no_surer_than_the_share_of_its_steps_that_slips() -> None:
    """One per cent of 60 steps: the motor's steps inside the play, or those between the crossings."""
    looks = sweep([out(), back(), out(), back()])
    found, steady = (fit(slipping(looks, share), known_moves(looks)) for share in (0.01, 0.0))
    assert 0.5 < found.backlash_steps.u < 0.9
    assert found.backlash_steps.low95 < BACKLASH < found.backlash_steps.high95
    assert steady.backlash_steps.u < 0.1
    # Half of it lies at each crossing.
    assert 0.25 < found.crossings_outward_steps["L"].u < 0.5
    assert 0.25 < found.crossings_inward_steps["L"].u < 0.5
