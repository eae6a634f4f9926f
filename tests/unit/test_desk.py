"""What the worker's desk makes of frames that are measured again."""

from __future__ import annotations

import pytest

from daemon.desk import _agreement, _measured_again
from daemon.frame_result import FrameResult
from routines.observations import Observation


def look(value_px: float | None, frames: int = 1) -> Observation:
    return Observation(0, "L", 100.0, value_px=value_px, u_px=0.1, frames=frames, path="a.fits")


def result(value_px: float | None) -> FrameResult:
    return FrameResult("a.fits", filter="L", spike_error_px=value_px, spike_error_u_px=0.05, flags=("faint",))


def test_a_run_keeps_the_sense_in_which_it_began() -> None:
    # The second look was first taken for the other side of focus (the mask had been turned before it).
    pairs = [
        (look(4.0), result(-4.1)),
        (look(2.0), result(2.0)),
        (look(-5.0), result(5.0)),
        (look(1.0), None),
    ]
    assert _agreement(pairs) == -1
    assert [_measured_again(*pair, sense=-1).value_px for pair in pairs] == [4.1, -2.0, -5.0, 1.0]
    assert _agreement([(look(4.0), result(3.9))]) == _agreement([]) == 1


@pytest.mark.parametrize(("first_frame_px", "kept_px"), [(-3.9, -4.0), (4.2, 4.0), (None, 4.0)])
def test_of_a_look_of_several_frames_only_the_side_may_change(
    first_frame_px: float | None, kept_px: float
) -> None:
    again = _measured_again(look(4.0, frames=3), result(first_frame_px), sense=1)
    assert again.value_px == kept_px and again.u_px == 0.1
