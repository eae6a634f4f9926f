"""The moves that end in focus."""

from __future__ import annotations

import math

import pytest
from profile_cases import ALPHA, T_REF, case_facts, case_fit

from routines.advice import AdviceRefused, AdviceRequest, advise
from routines.flags import flag
from routines.profile import Profile
from routines.profile_build import build_profile
from routines.quantity import Quantity


def crossing(profile: Profile, name: str) -> float:
    entry = profile.filter_named(name)
    assert entry is not None and entry.crossing_inward_steps is not None
    return entry.crossing_inward_steps.value or 0.0


def test_target_is_the_crossing_moved_by_the_temperature() -> None:
    profile = build_profile(case_fit(), case_facts())
    advice = advise(profile, AdviceRequest("R", temperature_c=T_REF - 1.0))
    expected = crossing(profile, "R") - ALPHA
    assert advice.target_steps.value == pytest.approx(expected)
    assert advice.target_steps.u == pytest.approx(math.hypot(0.6, 0.9))
    past, last = advice.moves
    assert last.position_steps == round(expected)
    assert past.position_steps == last.position_steps + (profile.overshoot_steps or 0)


def test_counts_from_a_filter_in_focus_with_the_offsets_covariance() -> None:
    profile = build_profile(case_fit(), case_facts())
    advice = advise(profile, AdviceRequest("B", 10.0, from_position_steps=20000.0, focused_filter="R"))
    assert advice.target_steps.value == pytest.approx(20000.0 - 21.7 - 18.4)
    # Variances 0.49 each, covariance 0.2: the common reference cancels in part.
    assert advice.target_steps.u == pytest.approx(math.sqrt(0.49 + 0.49 - 2 * 0.2))
    assert "counted from R in focus at 20000" in advice.notes


def test_the_same_filter_needs_no_offset_and_adds_no_uncertainty_of_its_own() -> None:
    profile = build_profile(case_fit(), case_facts())
    request = AdviceRequest(
        "R", 9.4, from_position_steps=15000.0, focused_filter="R", focused_temperature_c=11.4
    )
    advice = advise(profile, request)
    assert advice.target_steps.value == pytest.approx(15000.0 - 2.0 * ALPHA)
    assert advice.target_steps.u == pytest.approx(2.0 * 0.9)


def test_one_move_suffices_where_it_takes_up_all_play() -> None:
    profile = build_profile(case_fit(), case_facts())
    far, near = (
        advise(profile, AdviceRequest("L", T_REF, from_position_steps=crossing(profile, "L") + ahead))
        for ahead in (400.0, 60.0)
    )
    assert len(far.moves) == 1
    assert len(near.moves) == 2


@pytest.mark.parametrize(("side", "outward", "sign"), [("inward", "rising", 1), ("outward", "rising", -1)])
def test_overshoot_lies_on_the_far_side(side: str, outward: str, sign: int) -> None:
    profile = build_profile(case_fit(), case_facts(final_side=side, outward=outward))
    past, last = advise(profile, AdviceRequest("L", T_REF)).moves
    assert past.position_steps - last.position_steps == sign * (profile.overshoot_steps or 0)


def test_moves_beyond_the_limits_are_refused_with_both_numbers() -> None:
    profile = build_profile(case_fit(), case_facts(limits=(0.0, 15300.0)))
    with pytest.raises(AdviceRefused, match=r"a move to 153\d\d .* leaves the limits 0 to 15300"):
        advise(profile, AdviceRequest("L", T_REF))


def test_what_the_profile_lacks_is_refused_with_its_reason() -> None:
    words = "the focuser never reversed"
    fit = case_fit(
        crossings_inward_steps={}, flags=(flag("not_identifiable", "filters.L.crossing_inward_steps", words),)
    )
    profile = build_profile(fit, case_facts())
    with pytest.raises(AdviceRefused, match=f"best focus in L is not known: {words}"):
        advise(profile, AdviceRequest("L", T_REF))
    with pytest.raises(AdviceRefused, match="'S2'; it knows L, R, G, B, Ha"):
        advise(profile, AdviceRequest("S2", T_REF))


def test_no_overshoot_no_advice() -> None:
    profile = build_profile(case_fit(backlash_steps=None), case_facts())
    with pytest.raises(AdviceRefused, match="how far to go past the target is not known"):
        advise(profile, AdviceRequest("L", T_REF))


def test_a_focused_filter_needs_its_position() -> None:
    with pytest.raises(AdviceRefused, match="at which position"):
        advise(build_profile(case_fit(), case_facts()), AdviceRequest("L", focused_filter="R"))


@pytest.mark.parametrize("request_", [AdviceRequest("L", math.nan), AdviceRequest("L", 3.0, math.inf)])
def test_numbers_that_are_none_are_refused(request_: AdviceRequest) -> None:
    with pytest.raises(AdviceRefused, match="must be a finite number"):
        advise(build_profile(case_fit(), case_facts()), request_)


def test_doubts_are_said() -> None:
    fit = case_fit(temperature_coefficient_steps_per_c=None)
    plain = advise(build_profile(fit, case_facts()), AdviceRequest("L", T_REF - 4.0))
    assert "no temperature coefficient is known: a change of -4.0 C is left out" in plain.notes
    far = advise(build_profile(case_fit(), case_facts(simulated=True)), AdviceRequest("L", T_REF - 20.0))
    words = " ".join(far.notes)
    assert "extrapolated" in words and "wider than the focus zone" in words and "simulated rig" in words
    unknown = advise(build_profile(case_fit(), case_facts()), AdviceRequest("L"))
    assert "no temperature is known: its effect is left out" in unknown.notes


def test_json_form_is_plain() -> None:
    advice = advise(build_profile(case_fit(), case_facts()), AdviceRequest("L", T_REF)).as_dict()
    assert set(advice) == {"filter", "temperature_c", "target_steps", "moves", "focus_zone_steps", "notes"}
    assert Quantity.from_dict(advice["target_steps"]).value == pytest.approx(15230.0, abs=3.0)
