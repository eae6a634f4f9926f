"""What a script asks about where to look, and the answer: plain data, targets from the zone, honest ends."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from routines.errand import Errand, NextLooks, Place
from routines.estimate.errands import next_looks
from routines.estimate.next_look import PlannedLook, after, before_the_first_look
from routines.observations import INWARD, OUTWARD

FILTERS = ("L", "R", "H")
ERRAND = Errand(
    wants=("backlash", "offsets"),
    filters=FILTERS,
    reference_filter="L",
    sides=(INWARD, OUTWARD),
    low_limit_steps=0.0,
    high_limit_steps=3000.0,
    reach_px=3.0,
    zone_px=2.0,
    overshoot_steps=150.0,
    exposures_s=(2.0, 2.0, 8.0),
    readout_s=2.0,
    wheel_s=2.0,
    settle_s=0.5,
    seconds_per_step=0.01,
    left_s=4000.0,
    most_looks=8,
    at=Place("L", 1000.0, INWARD),
)


def knowledge(looks: int = 2):
    known = before_the_first_look(
        FILTERS,
        slope_px_per_step=0.1,
        noise_px={"L": 0.1, "R": 0.1, "H": 0.1},
        largest_play_steps=200.0,
        crossing_steps=1000.0,
        crossing_u_steps=200.0,
    )
    made = [PlannedLook(name, 1000.0 + away, INWARD) for name in FILTERS for away in (-15.0, 15.0)]
    return after(known, made * looks)


def test_an_errand_and_its_answer_survive_the_journal() -> None:
    assert Errand.from_dict(json.loads(json.dumps(ERRAND.as_dict()))) == ERRAND
    answer = next_looks(ERRAND, knowledge(), {})
    assert NextLooks.from_dict(json.loads(json.dumps(answer.as_dict()))) == answer


def test_targets_follow_the_zone_and_never_fall_below_a_step() -> None:
    assert ERRAND.targets_steps(0.1) == {"offsets": 20.0 / 16.0, "backlash": 20.0 / 8.0}
    assert ERRAND.targets_steps(-1.0) == {"offsets": 1.0, "backlash": 2.0}
    assert replace(ERRAND, zone_px=0.0).targets_steps(0.1)["offsets"] == 1.0
    assert replace(ERRAND, offset_half_width_steps=3.0).targets_steps(0.1)["backlash"] == 6.0


def test_the_other_side_is_looked_at_for_the_backlash_and_only_where_allowed() -> None:
    assert any(look.side == OUTWARD for look in next_looks(ERRAND, knowledge(8), {}).looks)
    kept = next_looks(replace(ERRAND, sides=(INWARD,)), knowledge(), {}).looks
    assert kept
    assert all(look.side == INWARD for look in kept)


def test_looks_stay_half_a_reach_from_focus() -> None:
    """At focus itself a drawtube that follows no more would look like one that does."""
    for look in next_looks(ERRAND, knowledge(), {}).looks:
        away = look.position_steps - 1000.0 - (100.0 if look.side == OUTWARD else 0.0)
        assert abs(away) == pytest.approx(15.0, abs=2.0)


def test_the_fits_own_interval_decides_when_it_is_enough() -> None:
    narrow = {"backlash": 0.1, "offset.R.L": 0.1, "offset.H.L": 0.1}
    assert next_looks(ERRAND, knowledge(), narrow).reached
    wide = narrow | {"offset.H.L": 9.0}
    answer = next_looks(ERRAND, knowledge(40), wide)
    assert not answer.reached
    assert answer.half_widths_steps["offset.H.L"] == 9.0


def test_no_time_left_names_no_looks() -> None:
    answer = next_looks(replace(ERRAND, left_s=1.0), knowledge(), {})
    assert (answer.looks, answer.reached) == ((), False)


def test_a_reference_that_is_no_longer_seen_asks_for_no_offsets() -> None:
    answer = next_looks(
        replace(ERRAND, filters=("R", "H"), exposures_s=(2.0, 8.0), wants=("offsets",)), knowledge(), {}
    )
    assert answer == NextLooks()
