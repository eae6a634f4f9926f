"""Recorded wire sessions replayed: the driver goes the same way over the same bytes, or is told where not."""

from __future__ import annotations

import time

import pytest
from peers import SleptClock
from wire_session import replayed, turns_of

from drivers import description
from drivers.device import Device
from drivers.errors import Refused
from drivers.filter_wheel import SerialFilterWheel
from drivers.trace import HEARD, SENT, Trace

# Recorded on the simulated wheel, words protocol, as an error message shows it.
WHEEL = """
    -2.412 s > 77 68 6f 0a  |who.|
    -2.411 s < 77 68 65 65 6c 20 77 6f 72 64 73 20 31 20 33 2e 32 0d 0a  |wheel words 1 3.2..|
    -2.410 s > 73 6c 6f 74 73 0a  |slots.|
    -2.410 s < 73 6c 6f 74 73 20 37 0d 0a  |slots 7..|
    -2.409 s > 73 6c 6f 74 73 0a  |slots.|
    -2.409 s < 73 6c 6f 74 73 20 37 0d 0a  |slots 7..|
    -2.300 s > 77 68 69 63 68 0a  |which.|
    -2.300 s < 73 6c 6f 74 20 33 0d 0a  |slot 3..|
    -2.299 s > 73 74 61 74 65 0a  |state.|
    -2.299 s < 77 68 65 65 6c 20 73 74 69 6c 6c 0d 0a  |wheel still..|
"""
# From the worked examples of the frames protocol's manual: position 12345, then a move that is refused.
FOCUSER = """
  -0.200 s > a6 00 10 3e 0f  |...>.|
  -0.199 s < a6 04 90 00 00 30 39 d4 8c  |......09..|
  -0.100 s > a6 04 11 00 0d bb a0 f6 93  |.........|
  -0.099 s < a6 02 ff 11 03 ea a9 f3  |........|
"""


def test_a_wheel_is_opened_and_asked_as_recorded() -> None:
    with replayed(WHEEL) as session:
        wheel = SerialFilterWheel.connect("wheel_words", session.path, {"B": 3}, clock=SleptClock())
        assert wheel.current() == "B"
        wheel.close()


def test_the_manuals_frames_as_a_session() -> None:
    with replayed(FOCUSER) as session:
        device = Device(description.load("focuser_frames"), session.path)
        device.line.open()
        assert device.request("position") == {"position": 12345}
        with pytest.raises(Refused, match="outside the controller's own range"):
            device.request("move", {"position": 900000})
        device.close()


def test_another_way_than_the_recorded_one_is_told() -> None:
    with (
        pytest.raises(AssertionError, match=r"sent b'which\\n' where the recording has b'who\\n'"),
        replayed(WHEEL) as session,
    ):
        device = Device(description.load("wheel_words"), session.path)
        device.line.open()
        device.line.send(b"which\n")
        time.sleep(0.05)
        device.close()


def test_a_session_that_is_not_played_to_its_end_fails() -> None:
    with pytest.raises(AssertionError, match="the recording goes on: 2 turns"), replayed(FOCUSER):
        pass


def test_what_a_trace_shows_can_be_read_back() -> None:
    trace = Trace()
    trace.add(1.0, SENT, b"where\n")
    trace.add(1.1, HEARD, b"at 5|7\r\n")
    trace.add(1.2, HEARD, b"more")
    turns = turns_of(f"it went wrong; the last bytes:\n{trace.show(2.0)}")
    assert [(turn.sent, turn.heard) for turn in turns] == [(b"where\n", b"at 5|7\r\nmore")]


@pytest.mark.parametrize("text", ["", "nothing", "  -0.1 s < 61  |a|", "  -0.1 s > 61 ...  |a|"])
def test_what_is_no_whole_session_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no whole session"):
        turns_of(text)
