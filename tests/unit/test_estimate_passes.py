"""Which looks belong to one pass, with and without a history."""

from __future__ import annotations

import numpy as np

from routines.estimate.passes import find_runs, follow_history, lay_out
from routines.observations import Move, Observation


def test_a_turn_may_be_divided_where_the_filters_come_round_again() -> None:
    position = np.array([0, 0, 10, 10, 20, 20, 20, 20, 10, 10, 0, 0], dtype=float)
    runs = find_runs(position, list("LR" * 6), 0.5)
    assert runs.side == (1, -1)
    assert runs.turns[0].choices == (4, 6, 8)


def test_a_return_of_one_leap_is_a_pass_that_may_vanish() -> None:
    position = np.array([0, 10, 20, 30, 0, 10, 20, 30], dtype=float)
    runs = find_runs(position, ["L"] * 8, 0.5)
    assert runs.side == (1, -1, 1)
    layout = lay_out(runs, position, [4, 4])
    assert layout.groups == 2
    assert list(layout.pass_index) == [0] * 4 + [2] * 4


def test_slack_is_counted_from_the_turn() -> None:
    position = np.array([0, 10, 20, 10, 0], dtype=float)
    runs = find_runs(position, ["L"] * 5, 0.5)
    layout = lay_out(runs, position, [3])
    assert list(layout.route.travel) == [0, 10, 20, 10, 20]
    assert list(layout.lowest) == [0.0, -10.0]


def test_a_history_shows_the_overshoot_that_the_rows_do_not() -> None:
    looks = [Observation(k, "L", p, value_px=0.0) for k, p in enumerate([100.0, 120.0, 140.0, 120.0])]
    layout = follow_history(looks, [Move(0, 300.0), Move(0, -50.0), Move(3, 400.0)])
    # Approached outward from -50, then past the last look to 400 and back inward.
    assert list(layout.side_now) == [1, 1, 1, -1]
    assert list(layout.pass_index) == [1, 1, 1, 2]
    assert layout.route.travel[3] == 450.0


def test_jitter_of_the_readback_is_no_reversal() -> None:
    position = np.array([0, 0.01, 20, 19.99, 40, 40.02, 60], dtype=float)
    assert find_runs(position, list("LRLRLRL"), 0.5).side == (1,)
