"""The routines without a mask, and the check of a profile, against a small train with its own play."""

from dataclasses import replace
from datetime import UTC, datetime
from math import hypot

import numpy as np
import pytest
from profile_cases import ALPHA, case_facts, case_fit

from daemon.desk import estimated_from
from routines.estimate.joint import FitSetup, fit_jointly
from routines.estimate.width_join import with_widths
from routines.estimate.width_problem import WidthSetup
from routines.observations import INWARD, OUTWARD, Move, Observation
from routines.profile_build import build_profile
from routines.profile_update import checked_profile, profile_with_differences, with_kept_differences
from routines.quantity import Quantity
from routines.scripts.common import TrainFacts
from routines.scripts.mask_and_width import mask_and_width
from routines.scripts.recheck import KnownFocus, Recheck, in_words, recheck, recheck_by_mask
from routines.scripts.width_focus import find_focus_by_width
from routines.steps import (
    Approach,
    Arrived,
    Await,
    Estimate,
    Failed,
    Noted,
    Observe,
    Released,
    Remark,
    Seen,
    Selected,
    SelectFilter,
    Travel,
    legs_of,
)

FACTS = TrainFacts(
    start_position_steps=5200.0,
    low_limit_steps=0.0,
    high_limit_steps=10_000.0,
    play_bound_steps=250.0,
    final_side=INWARD,
    filters=("Clear",),
    reference_filter="Clear",
    reach_px=2.0,
    expected_slope_px_per_step=0.05,
)
KNOWN = KnownFocus(
    position_steps=5000.0,
    u_steps=1.0,
    temperature_c=8.0,
    overshoot_steps=150.0,
    half_zone_steps=11.0,
    slope_px_per_step=0.05,
    other_side_steps=5090.0,
    mask_minus_width_u_steps=1.0,
)


class OpenTrain:
    """Play with a sharp edge; widths by a hyperbola, spike errors by a line, noise by the look's number."""

    def __init__(self, *, focus=5000.0, play=90.0, masked=False, seed=1, apart=0.0, **faults):
        self.apart, self.obeys, self.sees = apart, faults.get("obeys", True), faults.get("sees", True)
        self.focus, self.play, self.masked = focus, play, masked
        self.motor = self.tube = 5200.0
        self.noise = np.random.default_rng(seed).standard_normal(200)
        self.looks, self.moves, self.asked = [], [], []
        self.temperature_c = 8.0

    def __call__(self, step):
        if isinstance(step, (Travel, Approach)):
            for place in legs_of(step):
                self.moves.append(Move(len(self.looks), place))
                self.motor = place
                self.tube = min(max(self.tube, place - self.play), place)
            return Arrived(self.motor, 1, 0.0)
        if isinstance(step, SelectFilter):
            return Selected(step.filter)
        if isinstance(step, Observe):
            self.looks.append(self.seen(step))
            return Seen(self.looks[-1])
        if isinstance(step, Estimate):
            setup = FitSetup(("Clear",), "Clear")
            fit = fit_jointly(self.looks, self.moves, setup)
            return estimated_from(with_widths(fit, self.looks, self.moves, WidthSetup(("Clear",), "Clear")))
        if isinstance(step, Await):
            self.asked.append(step.condition)
            if not self.obeys:
                return Failed(step.condition, "nobody came")
            self.masked = step.condition == "mask_on"
            return Released(1.0)
        assert isinstance(step, Remark)
        return Noted()

    def seen(self, step):
        number, away = len(self.looks), self.tube - self.focus
        noise = self.noise[number]
        look = Observation(number, "Clear", self.motor, step.method, temperature_c=self.temperature_c)
        if not self.sees:
            return replace(look, flags=("no_star",))
        if step.method == "mask":
            return replace(look, value_px=0.05 * (away - self.apart) + 0.03 * noise, u_px=0.03)
        if self.masked:
            return replace(look, flags=("mask_present",) if abs(away) < 100.0 else ("ambiguous",))
        if abs(away) > 600.0:
            return replace(look, flags=("no_star",))
        width = hypot(2.6, 0.09 * away)
        return replace(look, value_px=width + 0.05 * noise, u_px=0.03)


def run(script, train):
    """Drive a script to its end and return its result."""
    answer = None
    while True:
        try:
            step = script.send(answer)
        except StopIteration as end:
            return end.value
        answer = train(step)


@pytest.mark.parametrize("start", [4200.0, 4980.0, 5010.0, 5600.0])
@pytest.mark.parametrize("side", [INWARD, OUTWARD])
def test_focus_is_found_by_width_from_either_side(start, side):
    train = OpenTrain()
    train.motor = train.tube = start
    facts = replace(FACTS, start_position_steps=start, final_side=side)
    result = run(find_focus_by_width(facts), train)
    assert result["outcome"] == "done", result
    expected = 5000.0 + (90.0 if side == OUTWARD else 0.0)
    assert result["position_steps"] == pytest.approx(expected, abs=4.0 * result["u_steps"])
    assert result["u_steps"] < 6.0
    assert train.tube == pytest.approx(5000.0, abs=8.0)
    assert len(train.looks) <= 20


def test_a_mask_left_on_is_asked_to_be_taken_off():
    train = OpenTrain(masked=True)
    assert run(find_focus_by_width(FACTS), train)["outcome"] == "done"
    assert train.asked == ["mask_off"]


def test_a_mask_that_stays_on_ends_the_run_with_the_reason():
    result = run(find_focus_by_width(FACTS), OpenTrain(masked=True, obeys=False))
    assert result["outcome"] == "failed" and result["code"] == "mask_present"
    assert "nobody came" in result["message"]


def test_no_star_is_said_as_such():
    result = run(recheck(FACTS, Recheck(known=KNOWN)), OpenTrain(sees=False))
    assert result["code"] == "no_star" and "mask is off" in result["message"]


def test_limits_are_checked_before_anything_moves():
    facts = replace(FACTS, low_limit_steps=4990.0)
    train = OpenTrain()
    result = run(recheck(facts, Recheck(known=KNOWN)), train)
    assert result["code"] == "outside_limits" and not train.moves


@pytest.mark.parametrize("script", [recheck, recheck_by_mask])
def test_a_profile_that_holds_is_told_so_in_few_looks(script):
    train = OpenTrain(seed=3)
    result = run(script(FACTS, Recheck(known=KNOWN)), train)
    assert result["recheck"]["verdict"] == "holds"
    assert result["sentence"].startswith("The profile holds")
    assert len(train.looks) <= 4
    assert train.tube == pytest.approx(5000.0, abs=5.0)


@pytest.mark.parametrize("script", [recheck, recheck_by_mask])
@pytest.mark.parametrize("shift", [-60.0, 25.0, 90.0])
def test_a_focus_that_moved_is_found_and_the_shift_told(script, shift):
    result = run(script(FACTS, Recheck(known=KNOWN)), OpenTrain(focus=5000.0 + shift))
    check = result["recheck"]
    assert check["verdict"] == "moved"
    assert check["shift_steps"] == pytest.approx(shift, abs=3.5 * check["shift_u_steps"])
    assert check["shift_u_steps"] < 8.0
    assert ("outward" if shift > 0 else "inward") in result["sentence"]


def test_the_coefficient_predicts_focus_at_another_temperature():
    train = OpenTrain(focus=5000.0 - 30.0)
    train.temperature_c = 3.0
    known = replace(KNOWN, alpha_steps_per_c=6.0, alpha_u_steps_per_c=0.3, alpha_known=True)
    assert run(recheck(FACTS, Recheck(known=known)), train)["recheck"]["verdict"] == "holds"
    without = run(recheck(FACTS, Recheck(known=replace(KNOWN, plausible_steps_per_c=12.0))), train)
    assert without["recheck"]["verdict"] == "moved"
    assert "change of temperature may explain" in without["sentence"]


def test_a_backlash_that_changed_is_told():
    check = run(recheck_by_mask(FACTS, Recheck(known=KNOWN)), OpenTrain(play=130.0))["recheck"]
    assert check["verdict"] == "holds" and check["backlash_verdict"] == "moved"
    assert check["backlash_change_steps"] == pytest.approx(40.0, abs=4.0)
    assert "backlash has changed by +4" in in_words(check)


def test_another_mask_or_step_size_is_no_profile_of_this_train():
    known = replace(KNOWN, slope_px_per_step=0.08)
    result = run(recheck_by_mask(FACTS, Recheck(known=known)), OpenTrain())
    assert result["code"] == "slope_differs"


def test_without_a_profile_nothing_moves():
    for script in (recheck, recheck_by_mask):
        train = OpenTrain()
        result = run(script(FACTS), train)
        assert result["code"] == "no_profile" and not train.moves


@pytest.mark.parametrize("apart", [0.0, 6.0])
def test_mask_and_width_are_told_apart(apart):
    train = OpenTrain(apart=apart)
    result = run(mask_and_width(FACTS), train)
    assert result["outcome"] == "done", result
    assert train.asked == ["mask_on", "mask_off"]
    found = result["mask_minus_width"]["Clear"]
    assert found["low95"] < apart < found["high95"] and found["u"] < 2.0
    assert train.tube == pytest.approx(5000.0 + apart, abs=4.0)
    facts = replace(FACTS, filters=("Clear", "Red"))
    assert run(mask_and_width(facts), OpenTrain(obeys=False))["code"] == "mask_on"


def test_differences_enter_the_profile_with_its_own_sign():
    told = {"L": {"value": 3.0, "u": 0.5, "low95": 2.0, "high95": 4.0}, "R": None}
    for outward, sign in (("rising", 1.0), ("falling", -1.0)):
        before = build_profile(case_fit(), case_facts(outward=outward))
        after = profile_with_differences(before, told, datetime.now(UTC))
        assert after.filter_named("L").mask_minus_width_steps.value == sign * 3.0
        assert after.filter_named("R").mask_minus_width_steps is None
        assert after.filter_named("L").crossing_inward_steps == before.filter_named("L").crossing_inward_steps
        assert profile_with_differences(before, {"R": None}, datetime.now(UTC)) is None


def test_what_a_characterisation_does_not_measure_of_mask_and_width_is_kept():
    told = {"L": Quantity.gaussian(3.0, 0.4).as_dict()}
    earlier = profile_with_differences(build_profile(case_fit(), case_facts()), told, datetime.now(UTC))
    fresh = build_profile(case_fit(), case_facts())
    assert fresh.filter_named("L").mask_minus_width_steps is None
    kept = with_kept_differences(fresh, earlier)
    assert kept.filter_named("L").mask_minus_width_steps.value == 3.0
    field = "filters.L.mask_minus_width_steps"
    assert [item.code for item in kept.flags if item.field == field] == ["kept_from_earlier"]
    assert kept.filter_named("R").mask_minus_width_steps is None
    assert with_kept_differences(fresh, None) == fresh
    # Another rig's, or one counted the other way round, is nobody's.
    assert with_kept_differences(fresh, earlier.model_copy(update={"rig": "another"})) == fresh
    assert with_kept_differences(fresh, earlier.model_copy(update={"outward": "falling"})) == fresh
    # What the run itself measured stands.
    own = profile_with_differences(fresh, {"L": Quantity.gaussian(1.0, 0.2).as_dict()}, datetime.now(UTC))
    assert with_kept_differences(own, earlier).filter_named("L").mask_minus_width_steps.value == 1.0


def check_of(**changes):
    told = {
        "method": "width",
        "verdict": "moved",
        "shift_steps": 20.0,
        "shift_u_steps": 1.5,
        "found_steps": 5020.0,
        "found_u_steps": 1.2,
        "predicted_steps": 5000.0,
        "temperature_c": 3.0,
        "looks": 4,
    }
    return {**told, **changes}


@pytest.mark.parametrize("outward", ["rising", "falling"])
def test_a_moved_focus_enters_the_profile_and_the_rest_stays(outward):
    sign = 1.0 if outward == "rising" else -1.0
    before = build_profile(case_fit(), case_facts(outward=outward))
    when = datetime(2026, 3, 15, 1, 0, tzinfo=UTC)
    after = checked_profile(before, check_of(), when)
    for name in ("L", "Ha"):
        for side in ("inward", "outward"):
            old, new = (profile.filter_named(name).crossing(side) for profile in (before, after))
            assert new.value - old.value == pytest.approx(sign * 20.0)
            assert new.u >= 1.2
    assert after.best_focus.position_steps == after.filter_named("L").crossing_inward_steps
    assert after.backlash_steps == before.backlash_steps
    assert after.filter_named("Ha").offset_steps == before.filter_named("Ha").offset_steps
    # A coefficient is known, so the reference temperature stays and the shift is beyond it.
    assert after.reference_temperature_c == before.reference_temperature_c
    assert after.temperature_coefficient_steps_per_c.value == sign * ALPHA
    assert after.created == when
    assert any("moved outward by 20" in item.message for item in after.flags)
    assert any(f"in focus at {round(after.best_focus.position_steps.value)}" in rule for rule in after.rules)


def test_without_a_coefficient_the_new_focus_holds_at_the_new_temperature():
    fit = case_fit(temperature_coefficient_steps_per_c=None, flags=())
    after = checked_profile(build_profile(fit, case_facts()), check_of(), datetime.now(UTC))
    assert after.reference_temperature_c == after.best_focus.temperature_c == 3.0


def test_a_changed_backlash_takes_the_other_side_and_the_overshoot_along():
    before = build_profile(case_fit(), case_facts())
    check = check_of(
        verdict="holds",
        backlash_verdict="moved",
        backlash_change_steps=12.4,
        backlash_change_u_steps=1.0,
    )
    after = checked_profile(before, check, datetime.now(UTC))
    assert after.backlash_steps.value == pytest.approx(before.backlash_steps.value + 12.4)
    assert after.overshoot_steps == before.overshoot_steps + 13
    assert after.filter_named("L").crossing_inward_steps == before.filter_named("L").crossing_inward_steps
    moved = after.filter_named("L").crossing_outward_steps.value
    assert moved == pytest.approx(before.filter_named("L").crossing_outward_steps.value + 12.4)


def test_a_profile_that_holds_is_left_alone():
    before = build_profile(case_fit(), case_facts())
    assert checked_profile(before, check_of(verdict="holds", shift_steps=1.0), datetime.now(UTC)) is None
    assert checked_profile(before, check_of(verdict="unclear"), datetime.now(UTC)) is None
