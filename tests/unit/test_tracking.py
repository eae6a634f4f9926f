"""What the tracker expects, and what tells it of a mask put back half a turn round, and what must not."""

from __future__ import annotations

import pytest

from daemon.tracking import Tracker

SLOPE_UM_PER_STEP, U_UM = 1.5, 2.0


def engaged(
    positions_steps: list[float], side: float = 1.0, play_steps: float = 0.0
) -> list[tuple[float, float]]:
    """Return positions with their defocus on one flank; ``side`` -1 shows focus from the other side."""
    return [(p, side * SLOPE_UM_PER_STEP * (p - play_steps)) for p in positions_steps]


def notices(before: list[tuple[float, float]], now: list[tuple[float, float]]) -> list[bool]:
    """Return for each look of ``now`` whether half a turn is noticed there."""
    tracker = Tracker()
    for position, defocus in before:
        tracker.take("G", position, defocus, 3.0)
    seen = []
    for position, defocus in now:
        seen.append(tracker.sees_half_a_turn("G", position, defocus, U_UM))
        tracker.take("G", position, defocus, 3.0)
    return seen


BEFORE = engaged([-80.0, -50.0, 40.0, 70.0])


def test_half_a_turn_is_noticed_at_the_first_pair() -> None:
    assert notices(BEFORE, engaged([60.0, 30.0], side=-1.0)) == [False, True]


def test_looks_as_expected_are_not() -> None:
    assert notices(BEFORE, engaged([60.0, 30.0, -20.0, -60.0])) == [False] * 4


@pytest.mark.parametrize("play_steps", [10.0, 40.0, 60.0, 90.0, 150.0])
@pytest.mark.parametrize("apart_steps", [-60.0, -30.0, -20.0, 20.0, 30.0, 45.0, 75.0])
def test_play_between_two_looks_is_not(play_steps: float, apart_steps: float) -> None:
    """With a play of twice the distance the star moves against the focuser by just as much."""
    first = engaged([60.0])[0]
    other_flank = engaged([60.0 + apart_steps, 60.0 + 2 * apart_steps], play_steps=play_steps)
    assert not any(notices(BEFORE, [first, *other_flank]))
    assert not any(notices(BEFORE, [*other_flank, first]))


def test_the_third_look_is_expected_in_line_with_the_first_two() -> None:
    tracker = Tracker()
    tracker.take("G", -80.0, SLOPE_UM_PER_STEP * -80.0, 3.0)
    assert tracker.hint("G", -50.0) is None
    tracker.take("G", -50.0, SLOPE_UM_PER_STEP * -50.0, 3.0)
    hint = tracker.hint("G", -20.0)
    assert hint is not None
    assert hint.defocus_um == pytest.approx(SLOPE_UM_PER_STEP * -20.0)


def test_nothing_is_noticed_before_the_slope_is_known() -> None:
    assert notices([], engaged([60.0, 30.0, -30.0], side=-1.0)) == [False] * 3


def test_after_the_notice_the_latest_look_is_on_its_own_side() -> None:
    tracker = Tracker()
    for position, defocus in [*BEFORE, *engaged([60.0], side=-1.0)]:
        tracker.take("G", position, defocus, 3.0)
    assert tracker.sees_half_a_turn("G", 30.0, -SLOPE_UM_PER_STEP * 30.0, U_UM)
    tracker.turn_back_last()
    hint = tracker.hint("G", 30.0)
    assert hint is not None
    assert hint.defocus_um == pytest.approx(SLOPE_UM_PER_STEP * 30.0)
