"""Each routine is driven against a small focus train of the test's own; what it asks for is checked."""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from daemon.desk import estimated_from
from routines.estimate.errands import answered
from routines.estimate.joint import FitSetup, fit_jointly
from routines.observations import INWARD, OUTWARD, Move, Observation
from routines.quantity import Quantity
from routines.scripts.adaptive import Targets
from routines.scripts.backlash import backlash
from routines.scripts.catalogue import ROUTINES, parameters_to_dict, script_from_dict
from routines.scripts.characterise import Characterise, characterise
from routines.scripts.common import Focus, TrainFacts, concluded, overshoot_from
from routines.scripts.find_focus import find_focus
from routines.scripts.flanks import Flanks
from routines.scripts.listing import PretendedTrain, list_steps
from routines.scripts.offsets import offsets
from routines.scripts.proof import Proof, drawn_looks, proof_looks
from routines.scripts.recheck import KnownFocus, Recheck
from routines.steps import (
    Approach,
    Arrived,
    Await,
    Estimate,
    Estimated,
    Failed,
    Noted,
    Observe,
    Released,
    Seen,
    Selected,
    SelectFilter,
    Travel,
    answer_from_dict,
    answer_to_dict,
    answered_in_parts,
    legs_of,
)

FILTERS = ("Clear", "Red", "Green", "Blue")
FACTS = TrainFacts(
    start_position_steps=5200.0,
    low_limit_steps=0.0,
    high_limit_steps=10_000.0,
    play_bound_steps=250.0,
    final_side=INWARD,
    filters=FILTERS,
    reference_filter="Clear",
    reach_px=2.0,
    expected_slope_px_per_step=0.05,
)


class Train:
    """Play with a sharp edge, a straight line for the star, noise by the number of the look."""

    def __init__(self, *, play=90.0, slope=0.05, focus=5000.0, offsets=(0.0, 24.0, -9.0, -30.0), **faults):
        self.play, self.slope, self.focus = play, slope, focus
        self.offsets = dict(zip(FILTERS, offsets, strict=True))
        self.seen_px = faults.get("seen_px", 30.0)
        self.stuck = faults.get("stuck", False)
        self.sees = faults.get("sees", True)
        self.blind = faults.get("blind", ())
        self.wrong = faults.get("wrong", {})
        self.noise = np.random.default_rng(5).normal(0.0, 0.03, 1000)
        self.motor = faults.get("start", FACTS.start_position_steps)
        self.tube = self.motor
        self.steps, self.looks, self.places = [], [], [self.motor]
        self.asked = []

    def go(self, place):
        self.motor = place
        self.places.append(place)
        if not self.stuck:
            self.tube = min(max(self.tube, place - self.play), place)

    def look(self, step):
        error = self.slope * (self.tube - self.focus - self.offsets[step.filter])
        number = len(self.looks)
        seen = self.sees and abs(error) < self.seen_px and number not in self.blind
        observation = Observation(
            number=number,
            filter=step.filter,
            position_steps=self.motor,
            value_px=error + self.noise[number] if seen else None,
            u_px=0.03 if seen else None,
            flags=() if seen else ("no_star",),
            marker=step.marker,
        )
        self.looks.append((observation, self.tube))
        return Seen(observation)

    def believed(self):
        """Return what a good fit would say; ``wrong`` adds a mistake to a filter's crossing."""
        numbers = {
            "backlash_steps": Quantity.gaussian(self.play, 2.0),
            "slope_px_per_step": Quantity.gaussian(self.slope, 0.001 * abs(self.slope)),
        }
        for name, offset in self.offsets.items():
            place = self.focus + offset + self.wrong.get(name, 0.0)
            numbers[f"crossing_inward_steps.{name}"] = Quantity.gaussian(place, 0.5)
            numbers[f"crossing_outward_steps.{name}"] = Quantity.gaussian(place + self.play, 0.5)
        return {name: value.as_dict() for name, value in numbers.items()}

    def __call__(self, step):
        self.asked.append(step)
        return answered_in_parts(step, self.answer)

    def answer(self, step):
        self.steps.append(step)
        if isinstance(step, (Travel, Approach)):
            for place in legs_of(step):
                self.go(place)
            return Arrived(self.motor, 0, 0.0)
        if isinstance(step, Observe):
            return self.look(step)
        if isinstance(step, SelectFilter):
            return Selected(step.filter)
        if isinstance(step, Estimate):
            return Estimated(self.believed())
        return Released(0.0) if isinstance(step, Await) else Noted()


class FittedTrain(Train):
    """A train whose looks are really fitted; it may lock, and looks may be spoilt (by px, by number)."""

    def __init__(self, **facts):
        self.locks_after, self.spoilt = facts.pop("locks_after", None), facts.pop("spoilt", {})
        noise_px = facts.pop("noise_px", 0.03)
        self.moves = []
        super().__init__(**facts)
        self.noise = self.noise / 0.03 * noise_px
        self.u_px = noise_px

    def go(self, place):
        if self.locks_after is not None and len(self.looks) >= self.locks_after:
            self.stuck = True
        self.moves.append(Move(len(self.looks), place))
        super().go(place)

    def look(self, step):
        seen = super().look(step).observation
        if seen.value_px is not None:
            off = self.spoilt.get(seen.number, 0.0)
            seen = replace(seen, value_px=float(seen.value_px) + off, u_px=self.u_px)
        self.looks[-1] = (seen, self.tube)
        return Seen(seen)

    def fit(self):
        observed = [look for look, _ in self.looks]
        setup = FitSetup(
            FILTERS, "Clear", expected_slope_px_per_step=0.05, longest_play_steps=FACTS.play_bound_steps
        )
        return fit_jointly(observed, self.moves, setup)

    def answer(self, step):
        if not isinstance(step, Estimate):
            return super().answer(step)
        self.steps.append(step)
        fit = self.fit()
        known = estimated_from(fit)
        if step.ask is None:
            return known
        answer = answered(json.loads(json.dumps(step.ask)), fit, [look for look, _ in self.looks])
        return replace(known, numbers=known.numbers | {"next_looks": answer})


def mirrored(facts):
    return replace(
        facts,
        start_position_steps=-facts.start_position_steps,
        low_limit_steps=-facts.high_limit_steps,
        high_limit_steps=-facts.low_limit_steps,
    )


@pytest.mark.parametrize("slope", [0.05, -0.05, 0.008, -0.2])
@pytest.mark.parametrize("start", [4990.0, 5200.0, 4700.0])
@pytest.mark.parametrize("expected", [0.05, None])
@pytest.mark.parametrize("side", [INWARD, OUTWARD])
def test_find_focus_ends_at_the_crossing_of_the_final_side(slope, start, expected, side):
    train = Train(slope=slope, start=start)
    facts = replace(FACTS, start_position_steps=start, expected_slope_px_per_step=expected, final_side=side)
    result = list_steps(find_focus(facts), train).result
    crossing = 5000.0 if side == INWARD else 5090.0
    assert result["outcome"] == "done"
    # Three of the noise's standard deviations, in steps, on both looks that made the line.
    assert result["position_steps"] == pytest.approx(crossing, abs=max(3.0, 4 * 0.03 / abs(slope)))
    assert result["slope_px_per_step"] == pytest.approx(slope, rel=0.25)
    assert sum(look.measured for look, _ in train.looks) <= 8


def test_find_focus_searches_both_ways_when_nothing_is_seen_at_the_start():
    train = Train(start=5600.0, seen_px=12.0)
    facts = replace(FACTS, start_position_steps=5600.0)
    result = list_steps(find_focus(facts), train).result
    assert result["outcome"] == "done"
    assert result["position_steps"] == pytest.approx(5000.0, abs=3.0)


@pytest.mark.parametrize("side", [INWARD, OUTWARD])
def test_the_first_stride_is_made_while_the_first_frame_is_measured(side):
    """It is the frame that takes longest, and the stride does not hang on it."""
    train = Train()
    list_steps(find_focus(replace(FACTS, final_side=side)), train)
    looks = [step for step in train.asked if isinstance(step, Observe)]
    (onward,) = looks[0].then
    first, second = (look.position_steps for look, _ in train.looks[:2])
    assert onward.position_steps == second
    assert (second - first) * side > 0.0
    assert looks[1].then == ()
    assert [step for step in train.steps if step == onward] == [onward]


@pytest.mark.parametrize("counted", [-1.0, 1.0])
def test_a_counter_that_is_a_step_off_does_not_turn_the_second_look_back(counted):
    been = []

    class Miscounting(Train):
        def look(self, step):
            been.append(len(self.places))
            seen = super().look(step).observation
            return Seen(replace(seen, position_steps=seen.position_steps + counted * (seen.number == 0)))

    train = Miscounting()
    list_steps(find_focus(FACTS), train)
    between = train.places[been[0] - 1 : been[1]]
    assert len(between) > 1
    assert all((later - earlier) * FACTS.final_side > 0.0 for earlier, later in pairwise(between))


def test_a_first_frame_without_a_star_is_made_again_a_stride_on():
    train = Train(blind=(0,))
    result = list_steps(find_focus(FACTS), train).result
    assert result["outcome"] == "done"
    (first, _), (again, _), (further, _) = train.looks[:3]
    assert not first.measured
    assert first.position_steps > again.position_steps > further.position_steps  # final side: inward


def test_no_stride_beyond_the_limits_goes_with_the_first_look():
    at_the_end = replace(FACTS, low_limit_steps=FACTS.start_position_steps)
    train = Train(focus=FACTS.start_position_steps + 60.0)
    list_steps(find_focus(at_the_end), train)
    first = next(step for step in train.asked if isinstance(step, Observe))
    assert first.then == ()
    assert min(train.places) >= at_the_end.low_limit_steps


def test_no_star_is_refused_by_name_after_the_search():
    train = Train(sees=False)
    result = list_steps(find_focus(FACTS), train).result
    assert (result["outcome"], result["code"]) == ("failed", "no_star")
    assert "bright star" in result["message"]


def test_a_drawtube_that_does_not_follow_is_named_with_its_causes_in_order():
    result = list_steps(find_focus(FACTS), Train(stuck=True)).result
    assert result["code"] == "does_not_follow"
    causes = [result["message"].index(word) for word in ("locked", "coupling", "grease", "end stop")]
    assert causes == sorted(causes)


def test_a_place_beyond_the_limits_is_refused_with_both():
    narrow = replace(FACTS, low_limit_steps=5100.0, high_limit_steps=5700.0)
    train = Train()
    result = list_steps(find_focus(narrow), train).result
    assert result["code"] == "outside_limits"
    assert "5100" in result["message"]
    assert min(train.places) >= 5100.0
    assert max(train.places) <= 5700.0


@pytest.mark.parametrize("play", [0.0, 12.0, 90.0, 210.0])
@pytest.mark.parametrize("side", [INWARD, OUTWARD])
@pytest.mark.parametrize("slope", [0.05, -0.05])
def test_backlash_visits_both_flanks_and_the_dead_zone(play, side, slope):
    train = FittedTrain(play=play, slope=slope)
    result = list_steps(backlash(replace(FACTS, final_side=side)), train).result
    assert result["outcome"] == "done"
    assert result["targets"]["reached"]
    on_inward = [look for look, tube in train.looks if abs(tube - look.position_steps) < 1e-6]
    on_outward = [look for look, tube in train.looks if abs(tube - look.position_steps + play) < 1e-6]
    between = [1 for look, tube in train.looks if 0.5 < look.position_steps - tube < play - 0.5]
    assert len(on_inward) >= 2
    assert len(on_outward) >= 2
    if play > 50.0:
        assert len(between) >= 3
    fit = train.fit()
    assert fit.backlash_steps.low95 - 1.0 <= play <= fit.backlash_steps.high95 + 1.0
    # Every look stays near focus: the whole course is played within the reach of the spike error.
    late = train.looks[6:]
    assert max(abs(look.value_px) for look, _ in late) < 1.6 * FACTS.reach_px


def test_marker_looks_return_to_the_same_place_on_the_same_side():
    train = FittedTrain()
    list_steps(backlash(FACTS), train)
    markers = [(look.position_steps, tube) for look, tube in train.looks if look.marker]
    assert len(markers) == 2
    assert markers[0] == markers[1]


@pytest.mark.parametrize("locks_after", [4, 6, 9, 12, 15])
def test_a_drawtube_that_stops_following_on_the_way_is_an_error_with_its_causes(locks_after):
    """Locked at the first reversal, or the coupling works loose later: never a number, never a huge play."""
    train = FittedTrain(locks_after=locks_after)
    result = list_steps(characterise(FACTS), train).result
    assert (result["outcome"], result["code"]) == ("failed", "does_not_follow")
    causes = [result["message"].index(word) for word in ("locked", "coupling", "grease", "end stop")]
    assert causes == sorted(causes)


def test_most_looks_are_measured_on_the_way_to_the_next():
    train = FittedTrain()
    list_steps(characterise(FACTS), train)
    looks = [step for step in train.asked if isinstance(step, Observe)]
    assert sum(bool(step.then) for step in looks) > 0.5 * len(looks)


def test_no_single_look_without_a_value_ends_the_routine():
    whole = FittedTrain()
    list_steps(characterise(FACTS), whole)
    for number in range(1, len(whole.looks), 5):
        train = FittedTrain(blind=(number,))
        result = list_steps(characterise(FACTS), train).result
        assert result["outcome"] == "done", number
        assert result["proof"]["status"] == "passed", number
        assert result["unseen_filters"] == [], number


def test_a_star_that_is_gone_in_the_dead_zone_ends_the_routine_there():
    whole = FittedTrain()
    list_steps(backlash(FACTS), whole)
    behind = [(look.number, look.position_steps - tube) for look, tube in whole.looks]
    inside = next(number for number, steps in behind if 1.0 < steps < whole.play - 1.0)
    train = FittedTrain(blind=range(inside, 1000))
    result = list_steps(backlash(FACTS), train).result
    assert (result["outcome"], result["code"]) == ("failed", "no_star")
    assert len(train.looks) == inside + 2


def test_a_proof_looks_again_where_it_saw_nothing():
    train = Train()
    list_steps(characterise(FACTS), train)
    last = len(train.looks) - 1
    again = Train(blind=(last - 1,))
    proof = list_steps(characterise(FACTS), again).result["proof"]
    assert proof["status"] == "passed"
    assert len(again.looks) == last + 2


def test_a_drawtube_that_locks_at_the_very_end_fails_the_proof():
    result = list_steps(characterise(FACTS), FittedTrain(locks_after=22)).result
    assert result["outcome"] == "failed" or result["proof"]["status"] == "failed"


def test_one_spoilt_look_is_not_blamed_on_the_drawtube():
    for spoilt in range(12):
        train = FittedTrain(spoilt={spoilt: 1.5})
        assert list_steps(backlash(FACTS), train).result["outcome"] == "done", spoilt


@pytest.mark.parametrize("off_px", [3.0, 1.5, -1.5, -3.0])
@pytest.mark.parametrize("spoilt", range(3))
def test_one_spoilt_look_does_not_bend_the_slope(spoilt, off_px):
    result = list_steps(find_focus(FACTS), FittedTrain(spoilt={spoilt: off_px})).result
    assert result["outcome"] == "done"
    assert result["slope_px_per_step"] == pytest.approx(0.05, rel=0.25)


def test_looks_stop_when_every_target_holds_and_not_before():
    train = FittedTrain()
    result = list_steps(characterise(FACTS), train).result
    assert result["outcome"] == "done"
    assert result["targets"]["reached"]
    harder = FittedTrain()
    how = Characterise(targets=Targets(offset_half_width_steps=0.6, backlash_half_width_steps=0.9))
    targets = list_steps(characterise(FACTS, how), harder).result["targets"]
    assert targets["reached"]
    for name, wanted in targets["targets_steps"].items():
        assert (
            targets["half_widths_steps"][name] <= wanted == pytest.approx(0.9 if name == "backlash" else 0.6)
        )
    assert len(harder.looks) > len(train.looks)


def test_a_night_too_short_ends_with_what_it_reached():
    train = FittedTrain()
    how = Characterise(targets=Targets(offset_half_width_steps=0.1, budget_s=200.0))
    result = list_steps(characterise(FACTS, how), train).result
    assert result["outcome"] == "done"
    assert not result["targets"]["reached"]
    looks = sum(isinstance(step, Observe) for step in train.steps)
    assert looks * 4.0 < 200.0 + 4.0 * (12 + 2 * len(FILTERS))


def test_more_noise_takes_more_looks():
    counts = []
    for noise_px in (0.02, 0.06, 0.12):
        train = FittedTrain(noise_px=noise_px)
        list_steps(offsets(FACTS), train)
        counts.append(len(train.looks))
    assert counts == sorted(counts)
    assert counts[0] < counts[-1]


def test_the_overshoot_is_the_bound_until_the_play_is_known_and_then_its_upper_bound():
    assert overshoot_from(Estimated(), FACTS) == 250.0
    known = Estimated(
        {
            "backlash_steps": Quantity(90.0, 2.0, 86.0, 94.0).as_dict(),
            "transition_steps": Quantity.upper_limit(12.0).as_dict(),
        }
    )
    assert overshoot_from(known, FACTS) == 94.0 + 12.0 + FACTS.margin_steps


def test_a_slack_beyond_the_play_bound_is_no_backlash():
    train = Train(play=600.0)
    result = list_steps(backlash(FACTS), train).result
    assert (result["outcome"], result["code"]) == ("failed", "does_not_follow")


def test_offsets_take_every_filter_on_one_flank_to_and_fro():
    train = FittedTrain()
    result = list_steps(offsets(FACTS), train).result
    assert result["outcome"] == "done"
    seeds = train.looks[-2 * len(FILTERS) :] if result["targets"] is None else train.looks
    assert all(tube == look.position_steps for look, tube in train.looks)
    names = [look.filter for look, _ in seeds]
    first = next(k for k in range(len(names)) if set(names[k : k + 4]) == set(FILTERS))
    # A steady drift cancels in the first two rounds: no filter is looked at earlier, on the whole.
    assert names[first + 4 : first + 8] == names[first : first + 4][::-1]


def test_a_filter_in_which_nothing_is_seen_is_reported_and_does_not_end_the_run():
    train = Train(offsets=(0.0, 24.0, -9.0, 3000.0))
    result = list_steps(offsets(FACTS), train).result
    assert result["outcome"] == "done"
    assert result["unseen_filters"] == ["Blue"]


def test_a_filter_far_away_is_sought_on_both_sides():
    for far in (95.0, -95.0):
        train = FittedTrain(offsets=(0.0, far, -9.0, -30.0), seen_px=5.0)
        result = list_steps(offsets(FACTS), train).result
        assert result["unseen_filters"] == [], far
        assert train.fit().offsets_steps["Red"].value == pytest.approx(far, abs=3.0)


def test_characterise_takes_few_frames_and_ends_in_focus():
    train = FittedTrain()
    result = list_steps(characterise(FACTS), train).result
    assert result["outcome"] == "done"
    assert 24 <= len(train.looks) <= 60
    assert train.tube == pytest.approx(5000.0, abs=3.0)
    assert result["overshoot_steps"] < FACTS.play_bound_steps


def test_the_dry_run_predicts_about_what_a_night_reaches():
    quiet = replace(FACTS, noise_px=(0.03,) * len(FILTERS), start_position_steps=5000.0)
    pretended = PretendedTrain(quiet)
    list_steps(characterise(quiet), pretended)
    night = FittedTrain()
    list_steps(characterise(FACTS), night)
    found, predicted = night.fit(), pretended.predicted()
    assert found.backlash_steps.u == pytest.approx(predicted["backlash"], rel=0.6)
    for name in FILTERS[1:]:
        assert found.offsets_steps[name].u == pytest.approx(predicted[f"offset.{name}.Clear"], rel=0.6)


@pytest.mark.parametrize("side", [INWARD, OUTWARD])
@pytest.mark.parametrize("slope", [0.05, -0.05])
def test_right_numbers_are_proved_from_both_sides(side, slope):
    train = Train(slope=slope)
    proof = list_steps(characterise(replace(FACTS, final_side=side)), train).result["proof"]
    assert proof["status"] == "passed"
    assert {check["filter"] for check in proof["checks"]} == set(FILTERS)
    assert {check["side"] for check in proof["checks"]} == {"inward", "outward"}
    for check in proof["checks"]:
        assert abs(check["residual_steps"]) < 3.5 * check["predicted_u_steps"]


def test_a_wrong_offset_fails_the_proof_by_name():
    train = Train(wrong={"Red": 9.0})
    proof = list_steps(characterise(FACTS), train).result["proof"]
    assert (proof["status"], proof["responsible"]) == ("failed", "offset of Red")
    # The look that missed was taken again before the number was blamed.
    drawn = drawn_looks(FILTERS, FACTS.final_side, Proof())
    reds = [trip.filter for trip in drawn].count("Red")
    assert [look.filter for look, _ in train.looks[-(len(drawn) + reds) :]].count("Red") == 2 * reds


def test_a_wrong_best_focus_is_told_from_a_wrong_offset():
    proof = list_steps(characterise(FACTS), Train(wrong=dict.fromkeys(FILTERS, 6.0))).result["proof"]
    assert proof["status"] == "failed"
    assert "best focus" in proof["responsible"]


def test_a_wrong_backlash_fails_the_proof_by_name():
    class Longer(Train):
        def believed(self):
            numbers = super().believed()
            for name in FILTERS:
                place = self.focus + self.offsets[name] + self.play + 7.0
                numbers[f"crossing_outward_steps.{name}"] = Quantity.gaussian(place, 0.5).as_dict()
            return numbers

    proof = list_steps(characterise(FACTS), Longer()).result["proof"]
    assert (proof["status"], proof["responsible"]) == ("failed", "backlash")


def test_a_proof_draws_filters_sides_and_ways_from_its_seed():
    draws = [drawn_looks(FILTERS, INWARD, Proof(seed=seed)) for seed in range(40)]
    assert draws == [drawn_looks(FILTERS, INWARD, Proof(seed=seed)) for seed in range(40)]
    assert len({tuple(look.filter for look in drawn) for drawn in draws}) > 20
    for drawn in draws:
        assert {look.filter for look in drawn} == set(FILTERS)
        assert len(drawn) == len(FILTERS) + Proof().further_looks
        assert all(one.filter != next_one.filter for one, next_one in pairwise(drawn))
        assert [look.side for look in drawn].count(OUTWARD) == Proof().from_other_side
    ways = [look.away_px > 0.0 for drawn in draws for look in drawn]
    assert 0.3 < sum(ways) / len(ways) < 0.7


def test_a_proof_goes_where_the_temperature_has_moved_focus_to():
    """Half a degree colder than the numbers' own temperature: focus is expected two steps further in."""
    known = {
        "crossing_inward_steps.Clear": Quantity.gaussian(5000.0, 0.3).as_dict(),
        "temperature_coefficient_steps_per_c": Quantity.gaussian(4.0, 0.1).as_dict(),
        "reference_temperature_c": 8.0,
    }
    facts = replace(FACTS, filters=("Clear",))
    focus = Focus(5000.0, 0.05)
    looks = proof_looks(facts, focus, Estimated(known), 150.0, Proof(), span=(0.0, 1.0), temperature_c=7.5)
    train = Train(focus=4998.0, start=5000.0)
    proof = list_steps(concluded(looks), train).result
    assert [step.position_steps for step in train.steps if isinstance(step, Approach)] == [4998.0]
    assert proof["status"] == "passed"


def test_a_proof_without_numbers_is_not_run():
    train = Train()

    def answer(step):
        return Estimated() if isinstance(step, Estimate) else train(step)

    assert list_steps(characterise(FACTS), answer).result["proof"]["status"] == "not_run"


def test_a_failed_step_ends_the_run_with_its_code():
    train = Train()

    def answer(step):
        if len(train.looks) > 10 and isinstance(step, Observe):
            return Failed("link_lost", "the focuser's cable went")
        return train(step)

    result = list_steps(characterise(FACTS), answer).result
    assert (result["outcome"], result["code"]) == ("failed", "link_lost")


def test_a_mask_that_nobody_puts_on_ends_the_run():
    def answer(step):
        return Failed("mask_on", "nobody answered within 900 s") if isinstance(step, Await) else Noted()

    assert list_steps(characterise(FACTS), answer).result["code"] == "mask_on"


@pytest.mark.parametrize("routine", ROUTINES.values(), ids=ROUTINES.keys())
def test_every_routine_survives_a_trip_through_its_stored_parameters(routine):
    stored = json.loads(json.dumps(parameters_to_dict(FACTS, routine.parameters())))
    again = list_steps(script_from_dict(routine, stored), Train())
    assert again == list_steps(routine.make(FACTS, routine.parameters()), Train())


@pytest.mark.parametrize("routine", ROUTINES.values(), ids=ROUTINES.keys())
def test_every_routine_is_listed_without_hardware(routine):
    how = routine.parameters()
    if isinstance(how, Recheck):
        how = Recheck(known=KnownFocus(5205.0, 1.0, half_zone_steps=10.0, slope_px_per_step=0.05))
    listing = list_steps(routine.make(FACTS, how), PretendedTrain(FACTS))
    assert listing.result["outcome"] == "done"


def test_a_parameter_that_the_routine_does_not_know_is_refused():
    stored = parameters_to_dict(FACTS, Characterise())
    stored["how"]["wishes"] = 3
    with pytest.raises(TypeError, match="wishes"):
        script_from_dict(ROUTINES["characterise"], stored)


def test_answers_as_the_journal_returns_them_lead_to_the_same_steps():
    def recorded(train):
        return lambda step: answer_from_dict(json.loads(json.dumps(answer_to_dict(train(step)))))

    straight = list_steps(characterise(FACTS), FittedTrain())
    assert straight == list_steps(characterise(FACTS), recorded(FittedTrain()))
    assert any(isinstance(step, Estimate) and step.ask for step in straight.steps)


def test_bad_facts_and_parameters_are_refused():
    with pytest.raises(ValueError, match="reference"):
        replace(FACTS, reference_filter="Violet")
    with pytest.raises(ValueError, match="final_side"):
        replace(FACTS, final_side=0)
    with pytest.raises(ValueError, match="dead_looks"):
        Flanks(dead_looks=-1)


def test_a_hold_through_which_the_tube_cooled_is_no_drawtube_that_does_not_follow():
    class Held(FittedTrain):
        """After a number of looks the tube is 3 degrees colder than before, and the thermometer says so."""

        def look(self, step):
            seen = super().look(step).observation
            cold = len(self.looks) > 18
            value = seen.value_px if not cold else seen.value_px + 1.2
            seen = replace(seen, value_px=value, temperature_c=7.0 if cold else 10.0)
            self.looks[-1] = (seen, self.tube)
            return Seen(seen)

    warned = replace(FACTS, plausible_px_per_c=0.6)
    how = Characterise(targets=Targets(offset_half_width_steps=0.7))
    result = list_steps(characterise(warned, how), Held()).result
    assert result["outcome"] == "done", result
