"""Every fault of line and motor that the simulated rig can have, in both protocols: recovered with the right
result, or stopped with the right error and a standing motor; never a wrong number.

The firmware on the other end was written from the protocols' manual, not from the driver's codec.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import pytest

from drivers import description
from drivers.errors import (
    DeviceError,
    LinkLost,
    MotionFault,
    PortUnavailable,
    ReplyInvalid,
    ReplyLate,
    Stopped,
    WrongDevice,
)
from drivers.filter_wheel import SerialFilterWheel
from drivers.focuser import SerialFocuser
from drivers.roles import Limits
from drivers.simulated.client import RunningRig, start_rig

LIMITS = Limits(1000, 50000)
RECOVERED_FROM = ["silent", "half", "bad_end", "garbage_before", "garbage_inside", "doubled"]
START = 20000


@dataclass
class Bench:
    rig: RunningRig
    protocol: str
    focuser: SerialFocuser

    def quick(self, kind: str) -> description.Dialect:
        dialect = description.load(f"{kind}_{self.protocol}")
        return replace(dialect, line=replace(dialect.line, reply_within_s=0.15))

    def truth(self) -> tuple[float, str]:
        seen = self.rig.peek()
        return seen["count"], seen["turning"]

    def stands(self) -> bool:
        before = self.truth()
        self.rig.clock.sleep(0.5)
        return self.truth() == before and before[1] != "turning"


@pytest.fixture(scope="module", params=["words", "frames"])
def shared_rig(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, RunningRig]]:
    with start_rig(tmp_path_factory.mktemp("rig"), protocol=request.param, peek=True) as rig:
        rig.clock.sleep(0.01)
        yield request.param, rig


@pytest.fixture
def bench(shared_rig: tuple[str, RunningRig]) -> Iterator[Bench]:
    protocol, rig = shared_rig
    mend(rig)
    dialect = description.load(f"focuser_{protocol}")
    dialect = replace(dialect, line=replace(dialect.line, reply_within_s=0.15))
    focuser = SerialFocuser(dialect, rig.focuser_port, LIMITS, clock=rig.clock, reconnect_within_s=3.0)
    try:
        focuser.open()
        focuser.move_to(START)
        yield Bench(rig, protocol, focuser)
    finally:
        focuser.close()
        mend(rig)


def mend(rig: RunningRig) -> None:
    """Clear every fault that a test may have left, and let the motor come to rest."""
    for kind in (*RECOVERED_FROM, "late"):
        rig.fault(kind, count=0, seconds=0.0)
    for kind in ("stuck_motor", "wrong_way", "ignored_halt", "wheel_misses", "echo"):
        rig.fault(kind, on=False)
    rig.fault("corrupt", rate=0.0)
    rig.fault("unasked_motion", steps_per_s=0.0)
    rig.fault("limit_switch")
    rig.clock.sleep(60.0)


@pytest.mark.parametrize("kind", RECOVERED_FROM)
def test_a_spoilt_reply_to_a_query_is_asked_for_again(bench: Bench, kind: str) -> None:
    bench.rig.fault(kind, count=1)
    assert bench.focuser.position_steps() == START
    assert bench.focuser.position_steps() == START


@pytest.mark.parametrize("kind", RECOVERED_FROM)
def test_a_spoilt_reply_to_a_move_still_ends_at_its_target(bench: Bench, kind: str) -> None:
    target = START + 700
    reached = threading.Event()
    original = bench.focuser.device.request

    def spoil_the_move(name, *args, **kwargs):
        if name == "move" and not reached.is_set():
            reached.set()
            bench.rig.fault(kind, count=1)
        return original(name, *args, **kwargs)

    bench.focuser.device.request = spoil_the_move  # type: ignore[method-assign]  # stands in its place
    assert bench.focuser.move_to(target) == target
    assert bench.truth() == (target, "still")
    assert reached.is_set()


def test_a_late_reply_is_never_taken_for_another(bench: Bench) -> None:
    bench.rig.fault("late", count=1, seconds=0.2)
    temperature = bench.focuser.temperature_c()
    assert temperature is not None
    assert -20 < temperature < 30
    assert bench.focuser.position_steps() == START


def test_a_line_that_stays_silent_is_an_error(bench: Bench) -> None:
    bench.rig.fault("silent", count=1000)
    with pytest.raises(ReplyLate, match="no reply within"):
        bench.focuser.position_steps()
    bench.rig.fault("silent", count=0)
    assert bench.focuser.position_steps() == START


def test_silence_in_mid_move_halts_all_the_same(bench: Bench) -> None:
    timer_done = silence_when_moving(bench)
    with pytest.raises((ReplyLate, MotionFault)):
        bench.focuser.move_to(START + 8000)
    assert timer_done.is_set()
    assert bench.stands()  # the firmware hears the halt although its replies are lost
    assert bench.focuser.fault is not None


def silence_when_moving(bench: Bench) -> threading.Event:
    done = threading.Event()
    sleep = bench.rig.clock.sleep

    def sleeps(seconds: float) -> None:
        sleep(seconds)
        if not done.is_set() and bench.truth()[0] > START + 200:
            done.set()
            bench.rig.fault("silent", count=100_000)

    bench.focuser._clock = _Patched(bench.rig.clock, sleeps)
    return done


class _Patched:
    """A clock with another sleep."""

    def __init__(self, clock, sleep) -> None:
        self.now, self.monotonic, self.sleep = clock.now, clock.monotonic, sleep


def at_count(bench: Bench, count: int, action) -> None:
    """Do something once when the motor passes a count."""
    done = threading.Event()
    sleep = bench.rig.clock.sleep

    def sleeps(seconds: float) -> None:
        sleep(seconds)
        if not done.is_set() and bench.truth()[0] > count:
            done.set()
            action()

    bench.focuser._clock = _Patched(bench.rig.clock, sleeps)


def test_an_unasked_line_is_passed_over(bench: Bench) -> None:
    noise = b"hello there\r\n" if bench.protocol == "words" else bytes.fromhex("A6 01 93 00 14 B6")
    bench.rig.fault("unasked", hex=noise.hex())
    assert bench.focuser.position_steps() == START


def test_echo_is_an_error_that_names_it(bench: Bench) -> None:
    bench.rig.fault("echo", on=True)
    with pytest.raises(ReplyInvalid, match="echo"):
        bench.focuser.position_steps()
    bench.rig.fault("echo", on=False)
    assert bench.focuser.position_steps() == START


def test_a_reset_in_mid_move_begins_a_new_epoch(bench: Bench) -> None:
    at_count(bench, START + 200, lambda: bench.rig.fault("reset"))
    with pytest.raises((MotionFault, DeviceError)):
        bench.focuser.move_to(START + 5000)
    assert bench.truth()[0] == 0
    assert bench.focuser.distrust is not None
    assert bench.focuser.fault is not None
    assert bench.stands()


def test_a_reset_at_rest_distrusts_the_position(bench: Bench) -> None:
    bench.rig.fault("reset")
    time.sleep(0.4)  # the controller boots in real time
    assert bench.focuser.position_steps() == START
    assert bench.focuser.distrust == "the controller says it was reset"


def test_a_pulled_cable_comes_back_under_another_name(bench: Bench) -> None:
    def pull() -> None:
        bench.rig.fault("unplug")
        threading.Timer(0.3, lambda: bench.rig.fault("plug_in")).start()

    at_count(bench, START + 200, pull)
    with pytest.raises(LinkLost, match="the link is back and the motor was halted"):
        bench.focuser.move_to(START + 5000)
    assert bench.stands()
    assert bench.focuser.distrust is not None
    bench.focuser.trust_position()
    assert bench.focuser.move_to(START) == START


def test_a_cable_that_stays_out_is_told(bench: Bench) -> None:
    bench.rig.fault("unplug")
    with pytest.raises(LinkLost):
        bench.focuser.position_steps()
    bench.rig.fault("plug_in")
    bench.focuser.recover()
    assert bench.focuser.position_steps() == START


MOTOR_FAULTS = {
    "stuck_motor": ({}, "no progress"),
    "limit_switch": ({"count_at": START + 1000}, "limit switch"),
}


@pytest.mark.parametrize("kind", MOTOR_FAULTS)
def test_a_motor_that_does_not_arrive_is_halted(bench: Bench, kind: str) -> None:
    facts, complaint = MOTOR_FAULTS[kind]
    bench.rig.fault(kind, **facts)
    with pytest.raises(MotionFault, match=complaint):
        bench.focuser.move_to(START + 5000)
    assert bench.stands()


def test_motion_on_its_own_is_a_fault(bench: Bench) -> None:
    bench.rig.fault("unasked_motion", steps_per_s=40.0)
    bench.rig.clock.sleep(2.0)
    with pytest.raises(MotionFault, match="without being asked to"):
        bench.focuser.position_steps()


def test_an_ignored_halt_calls_for_a_person(bench: Bench) -> None:
    stop = threading.Event()
    bench.rig.fault("ignored_halt")
    at_count(bench, START + 200, stop.set)
    with pytest.raises(Stopped):
        bench.focuser.move_to(START + 20000, stop)
    assert "ignores the halt" in (bench.focuser.fault or "")


def test_a_halt_reaches_a_moving_motor(bench: Bench) -> None:
    at_count(bench, START + 200, bench.focuser.halt)
    with pytest.raises(Stopped):
        bench.focuser.move_to(START + 20000)
    assert bench.stands()
    assert bench.truth()[0] < START + 200 + 0.05 * bench.focuser.speed_steps_per_s + 20


def test_the_controllers_own_take_up_is_seen_switched_off_and_restored(bench: Bench) -> None:
    bench.focuser.device.request("backlash_compensation_set", {"setting": 120})
    bench.focuser.close()
    bench.focuser.open()
    assert bench.focuser.compensation.backlash_steps == 120
    assert bench.focuser.move_to(START - 500) == START - 500  # its detour is no fault
    bench.focuser.suspend_compensation()
    assert bench.focuser.compensation.backlash_steps == 0
    bench.focuser.restore_compensation()
    assert bench.focuser.compensation.backlash_steps == 120


def test_two_programs_on_one_port(bench: Bench) -> None:
    second = SerialFocuser(bench.quick("focuser"), bench.rig.focuser_port, LIMITS, clock=bench.rig.clock)
    with pytest.raises(PortUnavailable, match="another program holds it"):
        second.open()
    assert bench.focuser.position_steps() == START


def test_the_wrong_port_is_named(bench: Bench) -> None:
    wrong = SerialFocuser(bench.quick("focuser"), bench.rig.wheel_port, LIMITS, clock=bench.rig.clock)
    with pytest.raises(WrongDevice, match="is this the right port"):
        wrong.open()


def test_a_wheel_that_misses_its_mark_is_lost(bench: Bench) -> None:
    slots = {name: number + bench.rig.first_slot for number, name in enumerate(bench.rig.filters)}
    wheel = SerialFilterWheel(bench.quick("wheel"), bench.rig.wheel_port, slots, clock=bench.rig.clock)
    wheel.open()
    try:
        first, second, third = bench.rig.filters[:3]
        wheel.select(second)
        assert wheel.current() == second
        bench.rig.fault("wheel_misses")
        with pytest.raises(MotionFault, match="lost its place"):
            wheel.select(third)
        assert wheel.current() is None
        bench.rig.fault("wheel_misses", on=False)
        wheel.select(first)
        assert wheel.current() == first
    finally:
        wheel.close()


def test_one_byte_in_a_hundred_damaged_never_gives_a_wrong_place(bench: Bench) -> None:
    """Each move ends right under 1 % byte corruption, or in a named error with a standing motor."""
    outcomes = move_about(bench, moves=8)
    assert outcomes["right"] >= 5, outcomes


@pytest.mark.campaign
@pytest.mark.timeout(3000)
def test_ten_thousand_exchanges_with_one_byte_in_a_hundred_damaged(bench: Bench) -> None:
    exchanges = 0
    original = bench.focuser.device.line.exchange

    def counted(*args, **kwargs):
        nonlocal exchanges
        exchanges += 1
        return original(*args, **kwargs)

    bench.focuser.device.line.exchange = counted  # type: ignore[method-assign]  # stands in its place
    total = {"right": 0, "error": 0}
    while exchanges < 10_000:
        for kind, number in move_about(bench, moves=20).items():
            total[kind] += number
    print(f"{bench.protocol}: {exchanges} exchanges, moves {total}")
    assert total["right"] > 9 * total["error"]


def move_about(bench: Bench, moves: int) -> dict[str, int]:
    """Make moves on a damaged line; return how many ended right and how many in a named error."""
    bench.rig.fault("corrupt", rate=0.01)
    outcomes = {"right": 0, "error": 0}
    for number in range(moves):
        target = START + 40 * (number % 7 - 3)
        try:
            reached = bench.focuser.move_to(target)
            read = bench.focuser.position_steps()
        except DeviceError:
            outcomes["error"] += 1
            assert bench.stands()
            bench.focuser.clear_fault()
        else:
            outcomes["right"] += 1
            assert reached == read == target == bench.truth()[0]
    return outcomes
