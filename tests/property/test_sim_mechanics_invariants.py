"""What must hold of play whatever the motor does."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.mechanics import FocusTrain, Train

TRAINS = st.builds(
    Train,
    play_steps=st.floats(0.0, 250.0),
    spread_steps=st.floats(0.0, 30.0),
    preload=st.floats(0.0, 1.0),
)
MOVES = st.lists(st.floats(-3000.0, 3000.0), min_size=1, max_size=20)


def after(train: Train, moves: list[float], start: float = 0.0) -> FocusTrain:
    made = FocusTrain(train, start)
    for move in moves:
        made.turn_to(move)
    return made


@given(TRAINS, MOVES)
def test_drawtube_is_never_outside_the_gap(train: Train, moves: list[float]) -> None:
    made = after(train, moves)
    widest = train.lost_motion_steps + train.transition_steps / 2.0
    assert moves[-1] - widest - 1e-9 <= made.place_steps <= moves[-1] + 1e-9


@given(TRAINS, MOVES, st.floats(-3000.0, 3000.0))
def test_past_the_play_only_the_last_direction_counts(train: Train, moves: list[float], end: float) -> None:
    widest = train.lost_motion_steps + train.transition_steps / 2.0
    inward = after(train, [*moves, end + widest + 1.0, end]).place_steps
    assert inward == pytest.approx(end, abs=1e-6)
    outward = after(train, [*moves, end - widest - 1.0, end]).place_steps
    gap = after(train, [end - 5000.0, end]).place_steps
    assert outward == pytest.approx(gap, abs=1e-6)


@given(TRAINS, MOVES)
def test_stopping_on_the_way_changes_nothing(train: Train, moves: list[float]) -> None:
    halfway: list[float] = []
    last = 0.0
    for move in moves:
        halfway += [(last + move) / 2.0, move]
        last = move
    assert after(train, halfway).place_steps == pytest.approx(after(train, moves).place_steps, abs=1e-6)


@given(TRAINS, MOVES, st.floats(-500.0, 500.0))
def test_the_zero_of_the_counter_is_arbitrary(train: Train, moves: list[float], shift: float) -> None:
    train = replace(train, periodic_steps=0.0)
    moved = after(train, [move + shift for move in moves], start=shift).place_steps
    assert moved - shift == pytest.approx(after(train, moves).place_steps, abs=1e-6)


@given(st.floats(40.0, 250.0), MOVES)
def test_turned_round_the_train_is_its_mirror_image(play: float, moves: list[float]) -> None:
    """A train seen from its other side lags on the other branch: mirrored, it differs by the play alone."""
    train = Train(play_steps=play)
    straight = after(train, moves).place_steps
    mirrored = FocusTrain(train, 0.0, slack_share=1.0)
    for move in moves:
        mirrored.turn_to(-move)
    assert -mirrored.place_steps - play == pytest.approx(straight, abs=1e-6)
