"""The serial focuser against motors that are stuck, wrong-way, slow, deaf, forgetful or wandering.

The motor is a small one written for these tests, behind the words protocol on a pseudo-terminal; its time is
a clock that moves only by sleeping.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import pytest
from peers import Peer, SleptClock, peer

from drivers import description
from drivers.errors import LimitExceeded, LinkLost, MotionFault, Refused, ReplyLate, Stopped, WrongDevice
from drivers.focuser import SerialFocuser
from drivers.roles import Limits

WORDS = description.load("focuser_words")
QUICK = replace(WORDS, line=replace(WORDS.line, reply_within_s=0.1))
LIMITS = Limits(1000, 50000)


@dataclass
class Motor:
    """A motor at 1000 steps/s with faults that tests switch on; speaks the words protocol."""

    count: float = 10000.0
    target: float = 10000.0
    direction: int = 1
    stuck: bool = False
    ignores_halt: bool = False
    factor: float = 1.0
    stops_short: int = 0
    overshoot: float = 0.0
    blocked: bool = False
    slack: int = 0
    follow: str = "off"
    span: str = "0 60000"
    on_request: Callable[[str], bytes | None] = lambda request: None
    heard: list[str] = field(default_factory=list)

    @property
    def moving(self) -> bool:
        return round(self.count) != round(self.target)

    def advance(self, seconds: float) -> None:
        if self.stuck or not self.moving:
            return
        step = min(1000.0 * self.factor * seconds, abs(self.target - self.count))
        self.count += self.direction * step * (1 if self.target > self.count else -1)

    def answer(self, request: bytes) -> bytes | None:
        words = request.decode()
        self.heard.append(words)
        special = self.on_request(words)
        if special is not None:
            return special or None
        return f"{self._reply(words)}\r\n".encode()

    def _reply(self, words: str) -> str:
        verb, *rest = words.split()
        if verb == "go":
            goal = int(rest[0])
            past = self.overshoot if goal >= self.count else -self.overshoot
            self.target = goal - self.stops_short + past
            return f"going {goal}"
        if verb == "halt":
            if not self.ignores_halt:
                self.target = self.count = float(round(self.count))
            return "halting"
        if verb in ("slack", "follow") and rest:
            setattr(self, verb, int(rest[0]) if verb == "slack" else rest[0])
        plain = {
            "who": "focuser words 1 3.2",
            "where": f"at {round(self.count)}",
            "state": "motor " + ("turning" if self.moving else "blocked" if self.blocked else "still"),
            "warmth": "warmth 4.5",
            "span": f"span {self.span}",
            "pace": "pace 1000",
            "slack": f"slack {self.slack}",
            "follow": f"follow {self.follow}",
        }
        return plain[verb]


@dataclass
class Rig:
    focuser: SerialFocuser
    motor: Motor
    device: Peer
    clock: SleptClock


@contextmanager
def rig(motor: Motor | None = None, dialect=QUICK, tolerance: int = 0) -> Iterator[Rig]:
    motor = motor or Motor()
    clock = SleptClock(motor.advance)
    with peer(motor.answer) as device:
        focuser = SerialFocuser(dialect, device.path, LIMITS, clock=clock, tolerance_steps=tolerance,
                                reconnect_within_s=0.2)  # fmt: skip
        try:
            focuser.open()
            yield Rig(focuser, motor, device, clock)
        finally:
            focuser.close()


def test_a_move_ends_where_it_was_sent_with_the_motor_at_rest() -> None:
    with rig() as r:
        assert r.focuser.move_to(12500) == 12500
        assert not r.motor.moving
        assert 2.5 <= r.clock.seconds - 1000.0 < 3.5  # 2,500 steps at 1,000 a second, then settled
        assert r.focuser.position_steps() == 12500
        assert r.focuser.move_to(12500) == 12500


def test_temperature_and_facts_are_read() -> None:
    with rig(Motor(slack=80, follow="on")) as r:
        assert r.focuser.temperature_c() == 4.5
        assert r.focuser.speed_steps_per_s == 1000
        assert r.focuser.compensation.backlash_steps == 80
        assert r.focuser.compensation.temperature is True
        r.focuser.suspend_compensation()
        assert (r.motor.slack, r.motor.follow) == (0, "off")
        assert not r.focuser.compensation.active
        r.focuser.restore_compensation()
        assert (r.motor.slack, r.motor.follow) == (80, "on")


@pytest.mark.parametrize("target", [999, 50001, -5])
def test_a_target_beyond_the_limits_moves_nothing(target: int) -> None:
    with rig() as r:
        with pytest.raises(LimitExceeded, match="limits 1000 to 50000 steps; nothing was moved"):
            r.focuser.move_to(target)
        assert not [words for words in r.motor.heard if words.startswith("go")]


def test_limits_beyond_the_controllers_range_are_refused_on_connect() -> None:
    with pytest.raises(LimitExceeded, match="narrow the limits"), rig(Motor(span="0 40000")):
        pass


def test_limits_need_travel_between_them() -> None:
    with pytest.raises(ValueError, match="hold no travel"):
        Limits(5, 5)


FAULTS = {
    "stuck": (Motor(stuck=True), "no progress"),
    "wrong way": (Motor(direction=-1), "the distance grows"),
    "far too slow": (Motor(factor=0.1), "still not there"),
    "overshoot": (Motor(overshoot=300.0), "the distance grows"),
    "stops short": (Motor(stops_short=5), "no progress"),
    "limit switch": (Motor(stops_short=400, blocked=True), "limit switch"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_faulty_motor_is_halted_and_needs_a_person(name: str) -> None:
    motor, complaint = FAULTS[name]
    with rig(replace(motor, heard=[])) as r:
        with pytest.raises(MotionFault, match=complaint):
            r.focuser.move_to(12500)
        assert "halt" in r.motor.heard
        assert not r.motor.moving
        with pytest.raises(MotionFault, match="awaits a person"):
            r.focuser.move_to(11000)
        for fault in ("stuck", "blocked"):
            setattr(r.motor, fault, False)
        r.motor.direction, r.motor.factor, r.motor.overshoot, r.motor.stops_short = 1, 1.0, 0.0, 0
        r.focuser.clear_fault()
        assert r.focuser.move_to(11000) == 11000


def test_a_wrong_way_motor_is_stopped_within_a_fraction_of_a_second() -> None:
    with rig(Motor(direction=-1)) as r:
        with pytest.raises(MotionFault):
            r.focuser.move_to(20000)
        assert 10000 - r.motor.count < 1000  # under a second of travel at 1,000 steps a second


def test_a_motor_that_ignores_the_halt_is_told_to_a_person() -> None:
    stop = threading.Event()
    with rig(Motor(ignores_halt=True)) as r:
        r.clock.moved = lambda seconds: (r.motor.advance(seconds), r.motor.count > 10500 and stop.set())
        with pytest.raises(Stopped):
            r.focuser.move_to(40000, stop)
        assert "ignores the halt: cut its power" in (r.focuser.fault or "")


def test_a_stop_signal_halts_at_once() -> None:
    stop = threading.Event()
    with rig() as r:
        r.clock.moved = lambda seconds: (r.motor.advance(seconds), r.motor.count > 10500 and stop.set())
        with pytest.raises(Stopped):
            r.focuser.move_to(40000, stop)
        assert not r.motor.moving
        assert r.motor.count - 10500 <= 1000 * 0.05  # 50 ms of travel
        assert r.focuser.fault is None


def test_a_halt_from_another_thread_ends_the_move() -> None:
    with rig() as r:

        def moved(seconds: float) -> None:
            r.motor.advance(seconds)
            if r.motor.count > 10500 and "halt" not in r.motor.heard:
                thread = threading.Thread(target=r.focuser.halt)
                thread.start()
                thread.join()

        r.clock.moved = moved
        with pytest.raises(Stopped):
            r.focuser.move_to(40000)
        assert not r.motor.moving


def test_a_stop_before_the_move_moves_nothing() -> None:
    stop = threading.Event()
    stop.set()
    with rig() as r:
        with pytest.raises(Stopped):
            r.focuser.move_to(20000, stop)
        assert not [words for words in r.motor.heard if words.startswith("go")]


@pytest.mark.parametrize("tells_state", [True, False])
def test_a_motor_found_turning_is_halted_before_the_first_move(tells_state: bool) -> None:
    """The program before us was killed in mid-move, and its motor goes on."""
    told = {name: one for name, one in QUICK.requests.items() if tells_state or name != "state"}
    motor = Motor(target=40000.0)

    def refused_while_turning(words: str) -> bytes | None:
        return b"refused turning\r\n" if words.startswith("go") and motor.moving else None

    motor.on_request = refused_while_turning
    with rig(motor, replace(QUICK, requests=told)) as r:
        assert r.focuser.move_to(12000) == 12000
        orders = [words for words in motor.heard if words.startswith(("go", "halt"))]
        assert orders == ["halt", "go 12000"]
        r.focuser.move_to(12500)
        assert motor.heard.count("halt") == 1


def test_unasked_motion_is_a_fault() -> None:
    with rig() as r:
        r.focuser.move_to(11000)
        r.motor.count = r.motor.target = 11040.0
        with pytest.raises(MotionFault, match="went from 11000 to 11040 steps without being asked to"):
            r.focuser.position_steps()


def test_one_garbled_reading_is_not_a_fault() -> None:
    with rig() as r:
        garbled = iter([b"at 91000\r\n"])
        r.focuser.move_to(11000)
        r.motor.on_request = lambda words: next(garbled, None) if words == "where" else None
        assert r.focuser.position_steps() == 11000


def test_a_reset_in_mid_move_is_a_fault_and_distrusts_the_position() -> None:
    with rig() as r:

        def moved(seconds: float) -> None:
            r.motor.advance(seconds)
            if r.motor.count > 10500 and r.motor.count < 20000 and r.focuser.distrust is None:
                r.motor.count = r.motor.target = 0.0
                r.device.say(b"awake focuser\r\n")

        r.clock.moved = moved
        with pytest.raises(MotionFault, match="reset in mid-move"):
            r.focuser.move_to(15000)
        assert r.focuser.distrust == "the controller says it was reset"
        r.focuser.trust_position()
        assert r.focuser.distrust is None


def test_a_silent_reset_shows_as_a_jump() -> None:
    with rig(Motor(count=30000, target=30000)) as r:

        def moved(seconds: float) -> None:
            r.motor.advance(seconds)
            if r.motor.count > 30500:
                r.motor.count = r.motor.target = 0.0

        r.clock.moved = moved
        with pytest.raises(MotionFault, match="the count jumped"):
            r.focuser.move_to(35000)


def test_a_move_whose_reply_is_lost_is_halted_and_sent_anew() -> None:
    with rig() as r:
        lost = iter([b""])
        r.motor.on_request = lambda words: next(lost, None) if words.startswith("go") else None
        assert r.focuser.move_to(12000) == 12000
        assert [words for words in r.motor.heard if words[:2] in ("go", "ha")] == [
            "go 12000",
            "halt",
            "go 12000",
        ]


def test_a_move_garbled_on_the_line_is_caught_by_its_acknowledgement() -> None:
    with rig() as r:
        garbled = iter([b"going 2000\r\n"])

        def on_request(words: str) -> bytes | None:
            if not words.startswith("go"):
                return None
            reply = next(garbled, None)
            if reply:
                r.motor.target = 2000.0
            return reply

        r.motor.on_request = on_request
        assert r.focuser.move_to(12000) == 12000
        assert r.motor.heard.count("halt") == 1


def test_a_controller_that_falls_silent_in_mid_move_is_an_error() -> None:
    with rig() as r:
        r.motor.on_request = lambda words: b"" if r.motor.count > 10500 else None
        with pytest.raises(ReplyLate):
            r.focuser.move_to(15000)
        assert "does not answer after the halt" in (r.focuser.fault or "")


def test_a_refusal_is_passed_on_with_its_meaning() -> None:
    with rig() as r:
        r.motor.on_request = lambda words: b"refused turning\r\n" if words.startswith("go") else None
        with pytest.raises(Refused, match="the motor is turning"):
            r.focuser.move_to(15000)


def test_a_lost_link_is_reported_and_the_position_distrusted() -> None:
    with rig() as r:

        def moved(seconds: float) -> None:
            r.motor.advance(seconds)
            if r.motor.count > 10500:
                r.device.vanish()

        r.clock.moved = moved
        with pytest.raises(LinkLost, match="may run on to its target"):
            r.focuser.move_to(15000)
        assert r.focuser.distrust is not None


def test_another_device_on_the_port_is_named() -> None:
    motor = Motor(on_request=lambda words: b"wheel words 1 3.2\r\n" if words == "who" else None)
    with pytest.raises(WrongDevice, match="is this the right port"), rig(motor):
        pass


def test_identification_survives_garbage_once() -> None:
    garbage = iter([b"\xfe\xfe\r\n"])
    with rig(Motor(on_request=lambda words: next(garbage, None))) as r:
        assert r.focuser.position_steps() == 10000


def test_its_own_backlash_compensation_is_no_fault() -> None:
    class TakesUp(Motor):
        """Runs past the target downward and comes back."""

        passing = 0.0

        def advance(self, seconds: float) -> None:
            super().advance(seconds)
            if self.passing and not self.moving:
                self.target, self.passing = self.passing, 0.0

        def _reply(self, words: str) -> str:
            reply = super()._reply(words)
            if words.startswith("go") and self.target < self.count:
                self.passing, self.target = self.target, self.target - self.slack
            return reply

    with rig(TakesUp(slack=200)) as r:
        assert r.focuser.move_to(9000) == 9000
        assert r.motor.count == 9000


def test_a_deaf_motor_is_moved_in_short_legs() -> None:
    deaf = replace(QUICK, motion=replace(QUICK.motion, hears_while_moving=False))
    motor = Motor()
    motor.on_request = lambda words: b"" if motor.moving else None
    with rig(motor, deaf) as r:
        assert r.focuser.move_to(12000) == 12000
        legs = [int(words.split()[1]) for words in motor.heard if words.startswith("go")]
        assert legs == [10500, 11000, 11500, 12000]


def test_a_relative_controller_reaches_absolute_targets() -> None:
    text = (description.BUILT_IN / "focuser_words.toml").read_text("utf-8")
    text = text.replace("[request.move]", "[request.move_by]").replace(
        '"go {position:int}"', '"by {steps:int}"'
    )
    text = text.replace('"going {position:int}"', '"by {steps:int}"').replace(
        "[motion]", "[motion]\nabsolute = false"
    )
    motor = Motor()

    def on_request(words: str) -> bytes | None:
        if not words.startswith("by"):
            return None
        motor.target = motor.count + int(words.split()[1])
        return f"{words}\r\n".encode()

    motor.on_request = on_request
    with rig(motor, description.parse(text, "relative.toml")) as r:
        assert r.focuser.move_to(9500) == 9500
        assert r.focuser.move_to(11000) == 11000
        assert [words for words in motor.heard if words.startswith("by")] == ["by -500", "by 1500"]


def test_a_controller_without_state_is_judged_by_its_count() -> None:
    requests = {name: request for name, request in QUICK.requests.items() if name != "state"}
    with rig(dialect=replace(QUICK, requests=requests)) as r:
        assert r.focuser.move_to(10750) == 10750
        r.motor.stuck = True
        with pytest.raises(MotionFault, match="no progress"):
            r.focuser.move_to(12000)
