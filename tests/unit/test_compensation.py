"""Overshoot and approach: the legs, where the drawtube stands meanwhile, and clients that overshoot too."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.port_move import PortMove
from routines.compensation import Approach, OvershootHabit, Slack

INWARD = Approach(final_sign=-1, overshoot_steps=150, backlash_steps=100.0)


def settled(approach: Approach = INWARD, at: int = 5000) -> Slack:
    slack = Slack(approach, at - approach.final_sign * 500)
    slack.moved(at)
    return slack


def test_a_place_on_the_final_way_is_gone_to_straight() -> None:
    slack = settled()
    assert slack.engaged
    assert slack.legs_to(4700) == (4700,)
    assert slack.legs_to(5000) == ()


def test_any_other_place_is_passed_first() -> None:
    assert settled().legs_to(5001) == (5151, 5001)
    assert settled(Approach(1, 150, 100.0)).legs_to(4999) == (4849, 4999)


def test_what_is_not_surely_engaged_goes_past_even_to_where_it_stands() -> None:
    fresh = Slack(INWARD, 5000)
    assert fresh.legs_to(5000) == (5150, 5000)
    assert fresh.legs_to(4900) == (5050, 4900)
    assert fresh.legs_to(4850) == (4850,)  # the way itself takes up all play


def test_the_drawtube_lags_by_the_play_after_a_turn() -> None:
    slack = settled()
    slack.moved(5030)
    assert slack.tube_steps == 5000  # still inside the play
    slack.moved(5300)
    assert slack.tube_steps == 5200
    slack.moved(5250)
    assert slack.tube_steps == 5200
    slack.moved(5150)
    assert slack.tube_steps == 5150


@pytest.mark.parametrize("sign", [-1, 1])
def test_it_agrees_with_gears_followed_step_by_step(sign: int) -> None:
    """The gears as a clamp (the play operator: Visintin 1994, Differential Models of Hysteresis, III.2)."""
    rng = np.random.default_rng(4)
    approach = Approach(sign, 150, 100.0)
    slack, motor, tube = settled(approach), 5000.0, 5000.0
    for target in rng.integers(4000, 6000, 60):
        way = np.linspace(motor, float(target), 200)
        for motor in way:
            low, high = sorted((motor, motor + sign * 100.0))
            tube = min(max(tube, low), high)
        slack.moved(int(target))
        assert slack.tube_steps == pytest.approx(tube)


def test_a_lost_motor_is_settled_by_the_next_long_way() -> None:
    slack = settled()
    slack.lost(7000)
    assert slack.lag_steps is None
    assert slack.tube_steps == 7000
    slack.moved(7100)
    assert slack.lag_steps is None
    slack.moved(7160)
    assert slack.tube_steps == 7060


def test_the_place_told_goes_straight_over_hidden_legs() -> None:
    move = PortMove(5000, 5100, (5000, 5250, 5100))
    first = [move.place_at(motor) for motor in (5000, 5125, 5250)]
    move.leg = 1
    second = [move.place_at(motor) for motor in (5250, 5175, 5100)]
    assert first == [5000, 5031, 5062]
    assert second == [5062, 5081, 5099]  # not 5100: the move is not over until its mover says so


def habit_of(*moves: tuple[int, float]) -> list[int | None]:
    habit, at, found = OvershootHabit(), 0.0, []
    for travel, pause_s in moves:
        at += pause_s
        found.append(habit.began(travel, at))
        at += 1.0
        habit.ended(at)
    return found


def test_a_client_that_comes_back_by_the_same_steps_twice_is_noticed() -> None:
    assert habit_of((300, 60), (-80, 1), (500, 60), (-80, 1)) == [None, None, None, 80]
    assert habit_of((300, 60), (-80, 1), (-250, 60), (-80, 1)) == [None, None, None, 80]


@pytest.mark.parametrize(
    "moves",
    [
        [(300, 60), (-20, 5), (-20, 5), (-20, 5), (-20, 5)],  # a sweep in even steps
        [(50, 60), (-50, 5), (50, 5), (-50, 5)],  # back and forth
        [(300, 60), (-80, 60), (500, 60), (-80, 60)],  # too slow: single wishes of a person
        [(300, 60), (-80, 1), (500, 60), (-35, 1)],  # not the same
    ],
)
def test_other_habits_are_left_alone(moves: list[tuple[int, float]]) -> None:
    assert habit_of(*moves) == [None] * len(moves)
