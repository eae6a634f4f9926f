"""The simulated rig's clock: paced, it wakes when somebody is due."""

from types import SimpleNamespace

import pytest

from drivers.simulated.clockwork import TICK_S, Clockwork, Waiter


def waiting(speed: float, due_s: float) -> Clockwork:
    clockwork = Clockwork(SimpleNamespace(time_s=0.0), speed)  # type: ignore[arg-type]  # only its time counts
    clockwork.add(Waiter(iter([due_s]), lambda: None))
    return clockwork


@pytest.mark.parametrize(("speed", "due_s"), [(1.0, 0.001), (10.0, 0.01)])
def test_a_paced_clock_wakes_when_somebody_is_due_and_not_a_tick_later(speed: float, due_s: float) -> None:
    assert waiting(speed, due_s).patience_s() <= 0.001 < TICK_S


def test_a_paced_clock_looks_at_every_tick_and_one_without_pace_does_not_wait() -> None:
    assert waiting(1.0, 1e6).patience_s() == TICK_S
    assert waiting(0.0, 1e6).patience_s() == 0.0
