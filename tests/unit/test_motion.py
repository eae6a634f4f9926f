"""The judge of a move, fed with readings: pure, no line."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.motion import MoveRules, MoveWatch

RULES = MoveRules(speed_steps_per_s=1000.0, settle_s=0.2)


def watch(start: int = 0, target: int = 1000, rules: MoveRules = RULES) -> MoveWatch:
    return MoveWatch(start, target, 0.0, rules)


def test_in_place_but_still_moving_is_not_arrived() -> None:
    move = watch()
    assert move.feed(0.5, 500, "moving") == "going"
    assert move.feed(1.0, 1000, "moving") == "going"
    assert move.feed(2.0, 1000, "still") == "going"  # still for the first time: not yet steady
    assert move.feed(2.3, 1000, "still") == "arrived"


def test_one_step_beside_the_target_is_not_arrived_without_tolerance() -> None:
    assert _last(watch(), 999) == "going"
    tolerant = watch(rules=MoveRules(speed_steps_per_s=1000.0, tolerance_steps=1))
    assert _last(tolerant, 999) == "arrived"


def _last(move: MoveWatch, position: int) -> str:
    for at in (1.0, 1.2, 1.5):
        verdict = move.feed(at, position, "still")
    return verdict


def test_a_move_is_over_as_soon_as_the_motor_has_stood_for_long_enough_and_takes_few_readings() -> None:
    move, at, readings, verdict = watch(), 0.0, 0, "going"
    while verdict == "going":
        position = min(1000, int(1000.0 * at))
        verdict = move.feed(at, position, "moving" if position < 1000 else "still")
        readings += 1
        at += move.pause_s(position) if verdict == "going" else 0.0
    assert verdict == "arrived"
    assert 1.0 + RULES.settle_s <= at < 1.0 + RULES.settle_s + 0.1
    assert readings <= 14


def test_a_single_strange_reading_is_no_fault() -> None:
    move = watch()
    assert move.feed(0.5, 500, "moving") == "going"
    assert move.feed(0.6, 90600, "moving") == "going"
    assert move.feed(0.7, 700, "moving") == "going"
    assert move.fault == ""


def test_after_one_strange_reading_near_the_target_the_true_ones_are_no_way_back() -> None:
    move = watch(start=21245, target=21060)
    readings = [(0.1, 21220), (0.2, 21078), (0.3, 21180), (0.4, 21160), (0.5, 21130)]
    assert [move.feed(at, position, "moving") for at, position in readings] == ["going"] * 5
    assert move.fault == ""


def test_a_motor_that_turns_round_on_its_way_is_a_fault() -> None:
    move = watch(start=21245, target=21060)
    positions = (21200, 21100, 21090, 21130, 21160)
    verdicts = [move.feed(0.1 * n, at, "moving") for n, at in enumerate(positions, 1)]
    assert verdicts[-1] == "fault"
    assert "distance grows at 21160" in move.fault


def test_a_jump_seen_twice_is_a_fault() -> None:
    move = watch(start=20000, target=30000)
    assert move.feed(0.5, 20500, "moving") == "going"
    assert move.feed(0.6, 0, "still") == "going"
    assert move.feed(0.7, 0, "still") == "fault"
    assert "jumped from 20500 to 0" in move.fault


def test_a_controllers_own_compensation_may_stray_by_its_amount_only() -> None:
    rules = MoveRules(speed_steps_per_s=1000.0, allowance_steps=100)
    move = watch(1000, 0, rules)
    readings = [(0.9, 100), (1.0, 0), (1.1, -100), (1.2, 0)]
    assert all(move.feed(at, position, "moving") == "going" for at, position in readings)
    move = watch(1000, 0, rules)
    verdicts = [move.feed(1.0 + number / 10, -100 * number, "moving") for number in range(5)]
    assert verdicts[-1] == "fault"


def test_a_failed_state_is_told_in_its_own_words() -> None:
    move = watch()
    move.feed(0.1, 100, "failed", "the motor ran into a limit switch")
    assert move.feed(0.2, 100, "failed", "the motor ran into a limit switch") == "fault"
    assert "ran into a limit switch" in move.fault


@given(
    st.integers(0, 50000), st.integers(0, 50000), st.floats(20.0, 5000.0), st.floats(0.02, 0.5),
    st.booleans(),
)  # fmt: skip
def test_an_honest_motor_is_never_suspected(
    start: int, target: int, speed: float, pause_s: float, tells_state: bool
) -> None:
    move = watch(start, target, MoveRules(speed_steps_per_s=speed, stall_s=max(2.0, 5.0 / speed)))
    sign = 1 if target >= start else -1
    at = 0.0
    for _ in range(100_000):
        at += max(pause_s, abs(target - start) / speed / 50)
        travelled = min(speed * at, abs(target - start))
        position = round(start + sign * travelled)
        moving = travelled < abs(target - start)
        verdict = move.feed(at, position, ("moving" if moving else "still") if tells_state else None)
        assert verdict != "fault", move.fault
        if verdict == "arrived":
            assert position == target
            return
    raise AssertionError("never arrived")
