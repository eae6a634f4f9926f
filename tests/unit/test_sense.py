"""Which way the star moves with the focuser: what may tell it, and what may not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routines.observations import INWARD, OUTWARD, Observation
from routines.sense import checked, sense_of

BOUND_STEPS = 200.0
PLAY_STEPS, PX_PER_STEP = 150.0, 0.066


def look(
    number: int, position_steps: float, value_px: float, side: int, travel: float, **more: object
) -> Observation:
    facts = Observation(number, "L", position_steps, value_px=value_px, u_px=0.05)
    return replace(facts, side=side, travel_since_reversal_steps=travel, flags=("sign_unchecked",), **more)  # type: ignore[arg-type]  # any field


@pytest.mark.parametrize("sense", [1, -1])
def test_two_looks_on_one_engaged_flank_tell(sense: int) -> None:
    looks = [look(0, 1000, 3.0, OUTWARD, 260), look(1, 1060, 3.0 + sense * 60 * PX_PER_STEP, OUTWARD, 320)]
    assert sense_of(looks, BOUND_STEPS) == sense
    assert sense_of(looks[:1], BOUND_STEPS) == 0


def test_two_looks_without_a_reversal_between_tell_though_the_first_was_not_engaged() -> None:
    looks = [look(0, 1000, 3.0, INWARD, 20, pass_id=4), look(1, 900, 1.0, INWARD, 120, pass_id=4)]
    assert sense_of(looks, BOUND_STEPS) == 1


def test_play_taken_up_between_two_flanks_is_no_half_turn() -> None:
    # From the inward flank at 1000 to the outward one at 1060 the drawtube goes back by play less move.
    there = look(1, 1060, (60 - PLAY_STEPS) * PX_PER_STEP, OUTWARD, 260)
    assert sense_of([look(0, 1000, 0.0, INWARD, 260), there], BOUND_STEPS) == 0


def test_looks_of_other_filters_or_with_no_clear_difference_tell_nothing() -> None:
    first = look(0, 1000, 3.0, OUTWARD, 260)
    assert sense_of([first, replace(look(1, 1060, -4.0, OUTWARD, 320), filter="B")], BOUND_STEPS) == 0
    assert sense_of([first, look(1, 1060, 2.7, OUTWARD, 320)], BOUND_STEPS) == 0
    assert sense_of([first, replace(look(1, 1060, -4.0, OUTWARD, 320), method="width")], BOUND_STEPS) == 0


def test_a_sign_that_was_remembered_is_settled_or_said_to_be_mirrored() -> None:
    seen = look(0, 1000, 3.0, OUTWARD, 260)
    assert checked(seen, 0).flags == ("sign_unchecked",)
    assert checked(seen, 1).flags == ()
    assert checked(checked(seen, -1), -1).flags == ("mask_reversed",)
    assert checked(replace(seen, flags=("sign_unknown",)), -1).flags == ("sign_unknown",)
