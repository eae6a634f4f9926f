"""Lost motion in closed form against plays pushed one by one."""

from __future__ import annotations

import numpy as np
import pytest

from routines.estimate.passes import find_runs, follow_history, lay_out
from routines.estimate.play import Route, places, swallowed
from routines.observations import Move, Observation

BACKLASH, TRANSITION = 90.0, 28.0


class Plays:
    """Two thousand plays pushed along, as mechanics has it."""

    def __init__(self) -> None:
        share = (np.arange(2000) + 0.5) / 2000 - 0.5
        self.width = BACKLASH + TRANSITION * share
        self.tube = np.zeros(2000)

    def go(self, motor: float) -> float:
        self.tube = np.clip(self.tube, motor - self.width, motor)
        return float(np.mean(self.tube))


def look(number: int, position: float) -> Observation:
    return Observation(number, "L", float(position), value_px=0.0)


def test_history_with_nested_reversals() -> None:
    rng = np.random.default_rng(2)
    path = [
        *range(-300, 200, 7),
        *range(200, -300, -7),
        *rng.uniform(-150, 150, 80),
        -500.0,
        400.0,
        380.0,
        395.0,
    ]
    plays = Plays()
    plays.go(-600.0)
    true = [plays.go(position) for position in path]
    layout = follow_history([look(k, p) for k, p in enumerate(path)], [Move(0, -600.0)])
    found = places(layout.route, np.zeros(layout.groups), BACKLASH, TRANSITION).place
    assert np.max(np.abs(found - true)) < 1e-3


def test_unknown_start_is_one_number() -> None:
    plays = Plays()
    plays.go(300.0)
    plays.go(100.0)
    plays.go(160.0)  # 60 steps of the play are taken up before anybody looks
    path = np.arange(160.0, 400.0, 5.0)
    true = [plays.go(p) for p in path]
    runs = find_runs(path, ["L"] * len(path), 0.5)
    layout = lay_out(runs, path, [])
    found = places(layout.route, np.array([60.0]), BACKLASH, TRANSITION).place
    assert np.max(np.abs(found - true)) < 1e-3


def test_engaged_places_differ_by_the_backlash() -> None:
    position = np.array([5.0, 5.0])
    route = Route(
        np.array([1.0, -1.0]), position, np.zeros(2), np.array([0, 1]), np.zeros((2, 0)), np.zeros((2, 0))
    )
    outward, inward = places(route, np.array([np.inf, np.inf]), BACKLASH, TRANSITION).place
    assert inward == pytest.approx(5.0)
    assert outward == pytest.approx(5.0 - BACKLASH)


@pytest.mark.parametrize("travel", [0.0, 50.0, 80.0, 90.0, 103.9, 104.0, 300.0])
def test_derivatives(travel: float) -> None:
    layout = follow_history([look(0, 0.0), look(1, 200.0), look(2, 200.0 - travel)], [Move(0, -400.0)])
    slack = np.zeros(layout.groups)
    at = places(layout.route, slack, BACKLASH, TRANSITION)
    step = 1e-5

    def moved(b: float = 0.0, w: float = 0.0, s: float = 0.0) -> np.ndarray:
        ahead = places(layout.route, slack + s, BACKLASH + b, TRANSITION + w).place
        behind = places(layout.route, slack - s, BACKLASH - b, TRANSITION - w).place
        return (ahead - behind) / (2.0 * step)

    assert at.by_backlash == pytest.approx(moved(b=step), abs=1e-4)
    assert at.by_transition == pytest.approx(moved(w=step), abs=1e-4)
    assert at.by_slack == pytest.approx(moved(s=step), abs=1e-4)


def test_sharp_transition_is_the_limit() -> None:
    travel = np.array([10.0, 89.0, 91.0, 200.0])
    assert swallowed(travel, 90.0, 0.0) == pytest.approx(np.minimum(travel, 90.0), abs=1e-6)
