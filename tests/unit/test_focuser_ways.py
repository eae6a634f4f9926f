"""Focusers of other ways: busy until they answer, telling positions by themselves, held by a current."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from peers import Peer, SleptClock, peer

from daemon.clock import RealClock
from drivers import description
from drivers.errors import DescriptionError, MotionFault, ReplyLate, Stopped
from drivers.focuser import SerialFocuser
from drivers.roles import Clock, Limits

LIMITS = Limits(0, 20000)
HEAD = """
description = 1
kind = "focuser"
name = "Of another way"
[line]
reply_within_s = 0.3
[framing]
kind = "text"
request_end = "\\n"
reply_end = "\\n"
[request.halt]
send = "H"
reply = []
"""
AT_THE_END = (
    HEAD
    + """
[motion]
busy = "reply"
speed_steps_per_s = 1000
[request.position]
send = "P"
reply = "P{position:int}"
[request.move]
send = "M{position:int}"
reply = "D"
"""
)
TOLD = (
    HEAD
    + """
[motion]
speed_steps_per_s = 1000
[request.move]
send = "M{position:int}"
reply = "K"
[[unsolicited]]
message = "P{position:int}"
means = "position"
scale = 0.5
"""
)
TOLD_WHEN_ASKED = (
    TOLD
    + """
[request.position]
send = "P"
reply = []
"""
)
HELD = (
    AT_THE_END.replace('busy = "reply"', 'busy = "position"')
    + """
[request.energise]
send = "C80"
reply = "C80"
[request.release]
send = "C20"
reply = "C20"
"""
)


@contextmanager
def focuser_on(
    text: str,
    handler: Callable[[bytes], bytes | None],
    moved: Callable[[float], None] = lambda seconds: None,
    clock: Clock | None = None,
) -> Iterator[tuple[SerialFocuser, Peer]]:
    dialect = description.parse(text, "way.toml")
    with peer(handler) as device:
        focuser = SerialFocuser(
            dialect, device.path, LIMITS, clock=clock or SleptClock(moved), reconnect_within_s=0.2
        )
        try:
            focuser.open()
            yield focuser, device
        finally:
            focuser.close()


class AnswersAtTheEnd:
    """A motor that is silent until it has arrived, later than a query may take to be answered."""

    def __init__(self, takes_s: float = 0.5) -> None:
        self.count, self.takes_s, self.halted = 5000, takes_s, threading.Event()

    def __call__(self, request: bytes) -> bytes | None:
        if request.startswith(b"M"):
            self.halted.wait(self.takes_s)
            self.count = int(request[1:])
            return b"D\n"
        return b"P%d\n" % self.count if request == b"P" else None


def test_a_reply_that_comes_at_the_end_is_waited_for() -> None:
    with focuser_on(AT_THE_END, AnswersAtTheEnd(), clock=RealClock()) as (focuser, _):
        began = time.monotonic()
        assert focuser.move_to(5500) == 5500
        assert time.monotonic() - began > 0.5  # longer than reply_within_s, which binds queries


def test_a_halt_ends_the_wait_for_such_a_reply() -> None:
    motor, stop = AnswersAtTheEnd(takes_s=3.0), threading.Event()
    with focuser_on(AT_THE_END, motor) as (focuser, device):
        halting = threading.Timer(0.2, lambda: (motor.halted.set(), focuser.halt()))
        halting.start()
        with pytest.raises((Stopped, MotionFault)):
            focuser.move_to(7000, stop)
        halting.join()
        assert b"H" in device.heard


def test_no_reply_at_all_is_an_error_and_halts() -> None:
    def mute(request: bytes) -> bytes | None:
        return b"P5000\n" if request == b"P" else None

    with focuser_on(AT_THE_END, mute) as (focuser, device):
        patient = focuser._rules()
        focuser._rules = lambda: replace(patient, slack_s=0.3)  # the deadline is meant, not its length
        with pytest.raises(ReplyLate):
            focuser.move_to(5010)
        assert b"H" in device.heard


class Tells:
    """A motor that tells its half steps whenever they change, and when asked if it can be."""

    def __init__(self) -> None:
        self.count, self.goal, self.device = 5000.0, 5000.0, None

    def __call__(self, request: bytes) -> bytes | None:
        if request.startswith(b"M"):
            self.goal = float(request[1:])
            return b"K\n"
        if request == b"H":
            self.goal = self.count
        return self.message() if request == b"P" else None

    def message(self) -> bytes:
        return b"P%d\n" % round(2 * self.count)

    def advance(self, seconds: float) -> None:
        step = min(1000.0 * seconds, abs(self.goal - self.count))
        self.count += step if self.goal > self.count else -step
        if step:
            self.device.say(self.message())


@pytest.mark.parametrize("text", [TOLD, TOLD_WHEN_ASKED])
def test_a_position_that_is_told_unasked_is_followed(text: str) -> None:
    motor = Tells()
    with focuser_on(text, motor, motor.advance) as (focuser, device):
        motor.device = device
        device.say(motor.message())
        assert focuser.position_steps() == 5000
        assert focuser.move_to(6500) == 6500
        assert focuser.position_steps() == 6500


def test_a_focuser_that_has_told_nothing_yet_has_no_position() -> None:
    with focuser_on(TOLD, Tells()) as (focuser, _), pytest.raises(ReplyLate, match="told no position"):
        focuser.position_steps()


def test_half_a_message_is_not_half_a_position() -> None:
    motor = Tells()
    with focuser_on(TOLD_WHEN_ASKED, motor, motor.advance) as (focuser, device):
        motor.device = device
        assert focuser.position_steps() == 5000
        device.say(b"P12")
        time.sleep(0.05)
        assert focuser.position_steps() == 5000


def test_descriptions_of_told_positions_are_checked() -> None:
    with pytest.raises(DescriptionError, match="lacks the field 'position'"):
        description.parse(TOLD.replace("P{position:int}", "P{place:int}"), "way.toml")
    with pytest.raises(DescriptionError, match=r"request.position.reply: must be \[\]"):
        asked = TOLD_WHEN_ASKED.replace('send = "P"\nreply = []', 'send = "P"\nreply = "P{position:int}"')
        description.parse(asked, "way.toml")


class Held:
    """A motor that moves only while its current is up."""

    def __init__(self) -> None:
        self.count, self.goal, self.stuck = 5000.0, 5000.0, False
        self.current = 20

    def __call__(self, request: bytes) -> bytes | None:
        if request.startswith(b"C"):
            self.current = int(request[1:])
            return request + b"\n"
        if request.startswith(b"M"):
            self.goal = float(request[1:])
            return b"D\n"
        if request == b"H":
            self.goal = self.count
        return b"P%d\n" % round(self.count) if request == b"P" else None

    def advance(self, seconds: float) -> None:
        if self.current >= 80 and not self.stuck:
            step = min(1000.0 * seconds, abs(self.goal - self.count))
            self.count += step if self.goal > self.count else -step


def test_the_holding_current_is_raised_for_a_move_and_lowered_after_it() -> None:
    motor = Held()
    with focuser_on(HELD, motor, motor.advance) as (focuser, device):
        assert focuser.move_to(5400) == 5400
        assert motor.current == 20
        orders = [request for request in device.heard if request[:1] in b"CM"]
        assert orders == [b"C80", b"M5400", b"C20"]


def test_after_a_fault_the_current_stays_up() -> None:
    motor = Held()
    motor.stuck = True
    with focuser_on(HELD, motor, motor.advance) as (focuser, _):
        with pytest.raises(MotionFault, match="no progress"):
            focuser.move_to(5400)
        assert motor.current == 80
