"""The serial wheel: names to slots, waiting until settled, and a wheel that does not do as told."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import pytest
from peers import SleptClock, peer

from drivers import description
from drivers.errors import MotionFault, Refused, Stopped
from drivers.filter_wheel import SerialFilterWheel

WORDS = description.load("wheel_words")
QUICK = replace(WORDS, line=replace(WORDS.line, reply_within_s=0.1))
SLOTS = {"L": 1, "R": 2, "Ha": 5}


@dataclass
class Wheel:
    slot: int = 1
    goal: int = 1
    left_s: float = 0.0
    stuck: bool = False
    ends_lost: bool = False
    off_by: int = 0
    lost: bool = False
    seconds: float = 2.0
    stop: threading.Event | None = None
    stops_at_s: float = 0.0
    halted_with_s: float | None = None
    on_request: Callable[[str], bytes | None] = lambda words: None
    heard: list[str] = field(default_factory=list)

    def advance(self, seconds: float) -> None:
        if self.left_s > 0 and not self.stuck:
            self.left_s -= seconds
            if self.stop and self.left_s <= self.stops_at_s:
                self.stop.set()
            if self.left_s <= 0:
                self.slot, self.lost = self.goal + self.off_by, self.ends_lost

    def answer(self, request: bytes) -> bytes | None:
        words = request.decode()
        self.heard.append(words)
        special = self.on_request(words)
        if special is not None:
            return special or None
        return f"{self._reply(words)}\r\n".encode()

    def _reply(self, words: str) -> str:
        if words.startswith("turn"):
            self.goal, self.left_s, self.lost = int(words.split()[1]), self.seconds, False
            return f"turning {self.goal}"
        if words == "halt":
            self.halted_with_s = self.left_s
            self.lost, self.left_s = self.lost or self.left_s > 0, 0.0
        nowhere = self.left_s > 0 or self.lost
        return {
            "who": "wheel words 1 3.2",
            "slots": "slots 7",
            "halt": "halting",
            "which": "slot none" if nowhere else f"slot {self.slot}",
            "state": "wheel " + ("turning" if self.left_s > 0 else "lost" if self.lost else "still"),
        }[words]


@contextmanager
def wheel(
    device: Wheel | None = None, slots: dict[str, int] = SLOTS
) -> Iterator[tuple[SerialFilterWheel, Wheel]]:
    device = device or Wheel()
    with peer(device.answer) as line:
        driver = SerialFilterWheel(QUICK, line.path, slots, clock=SleptClock(device.advance))
        try:
            driver.open()
            yield driver, device
        finally:
            driver.close()


def test_a_filter_is_selected_by_name_and_settled() -> None:
    with wheel() as (driver, device):
        assert driver.current() == "L"
        driver.select("Ha")
        assert (device.slot, driver.current()) == (5, "Ha")


def test_a_slot_without_a_name_is_no_filter() -> None:
    with wheel(Wheel(slot=3, goal=3)) as (driver, _):
        assert driver.current() is None


def test_an_unknown_filter_lists_those_there_are() -> None:
    with wheel() as (driver, device), pytest.raises(Refused, match="there are L, R, Ha"):
        driver.select("OIII")
    assert not [words for words in device.heard if words.startswith("turn")]


def test_slots_that_the_wheel_does_not_have_are_refused_on_connect() -> None:
    with pytest.raises(Refused, match="this wheel has 1 to 7"), wheel(slots={"L": 8}):
        pass


def test_a_stuck_wheel_is_told_after_its_time() -> None:
    with wheel(Wheel(stuck=True)) as (driver, device):
        with pytest.raises(MotionFault, match="not settled on slot 2 in time"):
            driver.select("R")
        assert driver.current() is None  # a query after the halt: the wheel has heard both
        assert "halt" in device.heard


def test_a_wheel_between_slots_is_lost() -> None:
    with wheel(Wheel(ends_lost=True)) as (driver, _):
        with pytest.raises(MotionFault, match="lost its place"):
            driver.select("R")
        assert driver.current() is None


def test_a_wheel_on_the_wrong_slot_is_not_accepted() -> None:
    with wheel(Wheel(off_by=1)) as (driver, _), pytest.raises(MotionFault, match="slot 3"):
        driver.select("R")


def test_a_wheel_that_still_turns_is_waited_for() -> None:
    with wheel(Wheel(left_s=3.0)) as (driver, device):
        driver.select("R")
        assert device.slot == 2


def test_a_turn_made_before_is_asked_about_only_towards_its_end() -> None:
    with wheel() as (driver, device):
        asked, left = [], []
        for name in ("R", "L", "R"):
            before, began_s = len(device.heard), driver._clock.monotonic()
            driver.select(name)
            asked.append(len(device.heard) - before)
            left.append(driver._clock.monotonic() - began_s - 2.0)
        assert device.slot == 2
        assert asked[2] < asked[0] / 2
        assert left[2] == pytest.approx(left[0], abs=0.11)  # and no later than by one poll


def test_a_turn_that_takes_longer_than_ever_is_waited_for() -> None:
    with wheel() as (driver, device):
        driver.select("R")
        driver.select("L")
        device.seconds = 5.0
        driver.select("R")
        assert device.slot == 2
        device.seconds = 2.0
        driver.select("L")
        began_s = driver._clock.monotonic()
        driver.select("R")
        assert driver._clock.monotonic() - began_s < 2.5  # one slow turn makes no habit


def test_a_stop_before_the_wheel_is_asked_is_noticed_at_once() -> None:
    stop = threading.Event()
    with wheel() as (driver, device):
        driver.select("R")
        driver.select("L")
        device.stops_at_s, device.stop = 1.0, stop
        with pytest.raises(Stopped):
            driver.select("R", stop)
        assert driver.current() is None  # a query after the halt: the wheel has heard both
        assert device.halted_with_s == pytest.approx(1.0, abs=0.05)


def test_a_stop_halts_the_wheel() -> None:
    stop = threading.Event()
    with wheel() as (driver, device):
        device.on_request = lambda words: stop.set() if words == "which" and device.left_s > 0 else None
        with pytest.raises(Stopped):
            driver.select("R", stop)
        assert driver.current() is None  # a query after the halt: the wheel has heard both
        assert "halt" in device.heard


def test_a_turn_whose_reply_is_lost_is_settled_all_the_same() -> None:
    with wheel() as (driver, device):
        lost = iter([b""])
        device.on_request = lambda words: next(lost, None) if words.startswith("turn") else None
        driver.select("R")
        assert device.slot == 2
