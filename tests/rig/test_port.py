"""The compensating port over the simulated rig: a plain client finds the drawtube where it asked for it."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
import serial

from daemon.measurement import FrameMeter
from daemon.port import CompensatingPort
from daemon.port_rules import PortRules
from daemon.rehearse import default_config
from drivers import description
from drivers.focuser import SerialFocuser
from drivers.roles import Limits
from drivers.simulated.client import RunningRig, start_rig
from drivers.simulated.truth import TrueNumbers, true_numbers
from drivers.virtual_port import PtyPort, TcpPort
from routines.compensation import Approach

LIMITS = Limits(1000, 50000)
PORT_LIMITS = Limits(2000, 40000)
RIG, SEED = "refractor-112", 3
CAMPAIGN = pytest.mark.campaign
START = 21000


class PlainClient:
    """A program that drives a words focuser straight from its manual, and knows nothing of play."""

    def __init__(self, address: str) -> None:
        self._line = serial.serial_for_url(address, timeout=5.0)
        self.seen: list[int] = []

    def ask(self, request: str) -> str:
        self._line.write(request.encode() + b"\n")
        reply = self._line.read_until(b"\r\n").decode()
        assert reply.endswith("\r\n"), f"{request!r} was answered {reply!r}"
        return reply[:-2]

    def place(self) -> int:
        word, number = self.ask("where").split()
        assert word == "at"
        return int(number)

    def go(self, target: int) -> None:
        assert self.ask(f"go {target}") == f"going {target}"
        self.wait()

    def wait(self) -> None:
        until = time.monotonic() + 60.0
        while self.ask("state") == "motor turning":
            self.seen.append(self.place())
            assert time.monotonic() < until
        assert self.ask("state") == "motor still"

    def close(self) -> None:
        self._line.close()


@dataclass
class Bench:
    rig: RunningRig
    truth: TrueNumbers
    focuser: SerialFocuser
    port: CompensatingPort
    client: PlainClient
    told: list[str] = field(default_factory=list)
    busy_because: list[str] = field(default_factory=list)
    shift: list[int] = field(default_factory=lambda: [0])

    def tube_steps(self) -> float:
        """Return where the drawtube truly stands, the drive's once-a-turn error taken off."""
        seen = self.rig.peek()
        return seen["place_steps"] - self.truth.drive_error_steps(seen["count"])


@contextmanager
def bench_on(rig: RunningRig, address: PtyPort | TcpPort) -> Iterator[Bench]:
    truth = true_numbers(RIG, SEED)
    dialect = description.load("focuser_words")
    dialect = replace(dialect, line=replace(dialect.line, reply_within_s=0.15))  # lost replies cost less
    focuser = SerialFocuser(dialect, rig.focuser_port, LIMITS, clock=rig.clock)
    focuser.open()
    focuser.move_to(START)
    told: list[str] = []
    busy: list[str] = []
    shift = [0]
    approach = Approach(-1, round(truth.backlash_steps + truth.transition_steps) + 20, truth.backlash_steps)
    rules = PortRules(approach, PORT_LIMITS, lambda: busy[-1] if busy else None, lambda: shift[-1])
    port = CompensatingPort(focuser, address, rules, told.append)
    port.start()
    try:
        client = PlainClient(port.address)
        try:
            yield Bench(rig, truth, focuser, port, client, told, busy, shift)
        finally:
            client.close()
    finally:
        port.close()
        focuser.close()


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningRig]:
    with start_rig(tmp_path_factory.mktemp("rig"), rig=RIG, seed=SEED, peek=True) as running:
        running.clock.sleep(0.01)
        yield running


@pytest.fixture
def bench(rig: RunningRig, tmp_path: Path) -> Iterator[Bench]:
    with bench_on(rig, PtyPort(tmp_path / "focuser-port")) as made:
        yield made
    rig.clock.close()


TOUR = [START + step for step in (-300, -150, 40, 55, 60, -20, -21, 200, 199, 0, 25, -40)]


def test_a_plain_client_finds_the_drawtube_where_it_asked_for_it(bench: Bench) -> None:
    """The drawtube is within 1 step through the port, and off by up to the whole play without it."""
    off_through_port = []
    for target in TOUR:
        bench.client.go(target)
        assert bench.client.place() == target
        off_through_port.append(bench.tube_steps() - target)
    off_without = []
    for target in TOUR:
        bench.focuser.move_to(target)
        off_without.append(bench.tube_steps() - target)
    print("off through the port", [round(off, 2) for off in off_through_port])
    print("off without it", [round(off, 1) for off in off_without], "play", bench.truth.backlash_steps)
    assert max(abs(off) for off in off_through_port) <= 1.0
    assert max(abs(off) for off in off_without) > 0.8 * bench.truth.backlash_steps


def test_the_position_goes_straight_and_never_arrives_early(bench: Bench) -> None:
    for target in (START + 700, START + 100):
        begin, bench.client.seen = bench.client.place(), []
        bench.client.go(target)
        seen = bench.client.seen
        sign = 1 if target > begin else -1
        assert seen == sorted(seen, reverse=sign < 0)
        assert target not in seen[:-1]  # the last may have been asked after the end
        assert all(sign * begin <= sign * place <= sign * target for place in seen)


def test_it_is_busy_until_the_last_leg_is_done(bench: Bench) -> None:
    bench.client.go(START)
    bench.client.go(START + 300)
    assert bench.rig.peek()["count"] == START + 300
    assert f"asked for {START + 300}: going" in bench.told[-1]
    assert "then" in bench.told[-1]


def test_a_halt_goes_through_at_once(bench: Bench) -> None:
    assert bench.client.ask(f"go {START + 9000}").startswith("going")
    while bench.rig.peek()["count"] < START + 400:
        time.sleep(0.001)
    at = bench.rig.peek()["count"]
    assert bench.client.ask("halt") == "halting"
    bench.client.wait()
    ran_on = bench.rig.peek()["count"] - at
    # Virtual time runs many times as fast as the line here; in it, 50 ms of the wire are not to be had.
    assert ran_on < 9000 - 400
    assert bench.rig.peek()["turning"] == "still"
    assert abs(bench.client.place() - bench.tube_steps()) <= 1.0
    bench.client.go(START)
    assert abs(bench.tube_steps() - START) <= 1.0


def test_a_halt_reaches_the_line_within_50_ms(bench: Bench) -> None:
    """Measured at the focuser's own line: from the client's write to the halt's bytes on the wire."""
    stopped = threading.Event()
    sent: list[float] = []
    trace = bench.focuser.device.line.trace
    assert bench.client.ask(f"go {START + 2000}").startswith("going")
    began = time.monotonic()
    bench.client.ask("halt")
    sent = [entry.at_s for entry in trace.entries() if entry.data == b"halt\n" and entry.at_s >= began]
    stopped.set()
    assert sent
    print(f"halt on the wire after {1000 * (sent[0] - began):.1f} ms")
    bench.client.wait()


def test_closing_halts_what_moves(bench: Bench) -> None:
    assert bench.client.ask(f"go {START + 15000}").startswith("going")
    bench.port.close()
    before = bench.rig.peek()
    bench.rig.clock.sleep(1.0)
    assert bench.rig.peek()["count"] == before["count"] < START + 15000
    assert before["turning"] == "still"


def test_its_own_limits_and_those_of_the_way(bench: Bench) -> None:
    before = bench.rig.peek()["count"]
    assert bench.client.ask("span") == f"span {PORT_LIMITS.lowest_steps} {PORT_LIMITS.highest_steps}"
    assert bench.client.ask("go 40001") == "refused limit"
    assert bench.client.ask("go 1999") == "refused limit"
    assert "port's limits" in bench.told[-1]
    assert bench.rig.peek()["count"] == before


def test_an_overshoot_beyond_the_focusers_limits_is_refused(bench: Bench) -> None:
    bench.port._rules = replace(bench.port._rules, limits=LIMITS)
    assert bench.client.ask(f"go {LIMITS.highest_steps}") == "refused limit"
    assert "its way over" in bench.told[-1]


def test_a_move_is_refused_while_a_routine_runs(bench: Bench) -> None:
    bench.busy_because.append("the routine 'offsets' is running")
    assert bench.client.ask(f"go {START + 50}") == "refused turning"
    assert bench.told[-1] == f"the move to {START + 50} was refused: the routine 'offsets' is running"
    bench.busy_because.clear()
    bench.client.go(START + 50)


def test_a_move_while_moving_and_an_unknown_word_are_refused_as_the_manual_says(bench: Bench) -> None:
    assert bench.client.ask(f"go {START + 4000}").startswith("going")
    assert bench.client.ask(f"go {START}") == "refused turning"
    assert bench.client.ask("frobnicate") == "refused word"
    bench.client.ask("halt")
    bench.client.wait()


def test_queries_are_the_devices_own_and_its_settings_stay(bench: Bench) -> None:
    assert bench.client.ask("who") == "focuser words 1 3.2"
    assert bench.client.ask("warmth").startswith("warmth ")
    assert bench.client.ask("pace") == f"pace {bench.focuser.speed_steps_per_s:g}"
    assert bench.client.ask("slack 0") == "slack 0"  # as it is already
    assert bench.client.ask("slack 80") == "refused word"
    assert bench.client.ask("slack") == "slack 0"


def test_a_client_that_overshoots_by_itself_is_warned_of(bench: Bench) -> None:
    for target in (START - 200, START + 100):
        bench.client.go(target + 80)
        bench.client.go(target)
        assert abs(bench.tube_steps() - target) <= 1.0  # corrected twice, and right all the same
    assert any("80 steps past its targets" in sentence for sentence in bench.port.warnings)


def test_a_shift_moves_the_drawtube_and_not_what_is_read(bench: Bench) -> None:
    bench.client.go(START)
    bench.shift.append(25)
    bench.port.shift_again()
    until = time.monotonic() + 30.0
    while bench.rig.peek()["count"] != START + 25 or bench.port.busy:
        assert time.monotonic() < until
        time.sleep(0.01)
    assert bench.client.place() == START
    bench.client.go(START - 60)
    assert abs(bench.tube_steps() - (START - 35)) <= 1.0


def test_a_stuck_motor_is_told_and_ends_in_place(bench: Bench) -> None:
    bench.client.go(START)
    bench.rig.fault("stuck_motor")
    assert bench.client.ask(f"go {START + 500}").startswith("going")
    while bench.client.ask("state") == "motor turning":
        time.sleep(0.01)
    assert bench.client.ask("state") == "motor blocked"
    assert bench.client.place() == START
    assert any("no progress" in sentence for sentence in bench.told)
    assert bench.client.ask(f"go {START + 10}") == "refused turning"
    bench.rig.fault("stuck_motor", on=False)


def reconnected(rig: RunningRig, after_s: float) -> threading.Timer:
    """Pull the focuser's cable now, and put it back after a while."""
    rig.fault("unplug")
    timer = threading.Timer(after_s, lambda: rig.fault("plug_in"))
    timer.start()
    return timer


def test_a_pulled_cable_at_rest_is_come_back_from(bench: Bench) -> None:
    bench.client.go(START)
    timer = reconnected(bench.rig, 0.3)
    with pytest.raises(AssertionError, match="was answered ''"):
        bench.client.ask("where")  # no answer, as from a focuser whose cable is out
    timer.join()
    assert bench.client.place() == START
    assert any("the focuser is back" in sentence for sentence in bench.told)
    bench.client.go(START + 30)
    assert abs(bench.tube_steps() - (START + 30)) <= 1.0


def test_a_pulled_cable_in_mid_move_ends_the_move_and_leaves_it_standing(bench: Bench) -> None:
    bench.client.go(START)
    assert bench.client.ask(f"go {START + 9000}").startswith("going")
    while bench.rig.peek()["count"] < START + 300:
        time.sleep(0.001)
    timer = reconnected(bench.rig, 0.3)
    while bench.port.busy:
        time.sleep(0.01)
    timer.join()
    assert any("ended early" in sentence for sentence in bench.told)
    assert bench.rig.peek()["turning"] == "still"
    assert bench.client.ask("state") == "motor still"
    bench.client.go(START)
    assert abs(bench.tube_steps() - START) <= 1.0


DAMAGED_TOUR = [START + step for step in (60, -60, 10, 90, -30)]


@pytest.mark.parametrize(("arrivals", "tries"), [(2, 20), pytest.param(10, 100, marks=CAMPAIGN)])
def test_a_damaged_line_to_the_focuser_never_moves_it_elsewhere(
    bench: Bench, arrivals: int, tries: int
) -> None:
    bench.client._line.timeout = 2.0  # the port's own tries take less
    bench.rig.fault("corrupt", rate=0.005)
    arrived = 0
    for target, _ in zip(itertools.cycle(DAMAGED_TOUR), range(tries), strict=False):
        bench.focuser.clear_fault()  # a person has looked
        try:
            bench.client.go(target)
        except AssertionError:
            continue  # no answer, or a refusal after a fault
        finally:
            count = bench.rig.peek()["count"]
            assert abs(count - START) < 1000, f"went to {count}"  # sent elsewhere, it is halted soon
        if bench.focuser.fault is None and bench.client.place() == target:
            arrived += 1
            assert abs(bench.tube_steps() - target) <= 1.0
        if arrived == arrivals:
            break
    bench.rig.fault("corrupt", rate=0.0)
    assert arrived == arrivals


def test_noise_from_the_client_moves_nothing(bench: Bench) -> None:
    before = bench.rig.peek()["count"]
    bench.client._line.write(bytes(range(256)) * 8 + b"\n")
    bench.client._line.read_until(b"refused word\r\n")
    bench.client._line.timeout = 0.5
    while bench.client._line.read(4096):  # each end of line in the noise has a refusal of its own
        pass
    assert bench.client.place() == START
    assert bench.rig.peek()["count"] == before


def test_our_own_driver_can_be_the_client(bench: Bench) -> None:
    """A driver that watches every move for its direction and progress finds nothing wrong with the port."""
    through = SerialFocuser.connect("focuser_words", bench.port.address, PORT_LIMITS, clock=bench.rig.clock)
    bench.client.close()
    try:
        for target in (START + 200, START - 100, START - 90):
            assert through.move_to(target) == target
            assert abs(bench.tube_steps() - target) <= 1.0
    finally:
        through.close()


def looked_at(
    rig: RunningRig, folder: Path, look: Callable[[RunningRig], object]
) -> dict[tuple[str, str], list]:
    """Come to one place near focus from either side, through the port and without it; look thrice each."""
    seen = {}
    with bench_on(rig, PtyPort(folder / "focuser-port")) as bench:
        focus = round(bench.truth.crossing_steps("L", -1, 0.0) + 0.5 * bench.truth.backlash_steps)
        for how, go in (("port", bench.client.go), ("plain", bench.focuser.move_to)):
            for side, away in (("below", -400), ("above", 400)):
                go(focus + away)
                go(focus)
                seen[how, side] = [look(rig) for _ in range(3)]
    rig.clock.close()
    return seen


def check_that_looks_agree(seen: dict[tuple[str, str], list[tuple[float, float]]]) -> None:
    truth = true_numbers(RIG, SEED)
    slope = abs(truth.slope_px_per_step)
    steps = {key: sum(value for value, _ in group) / len(group) / slope for key, group in seen.items()}
    for how, expected in (("port", 0.0), ("plain", truth.backlash_steps)):
        apart = abs(steps[how, "below"] - steps[how, "above"])
        looks = seen[how, "below"] + seen[how, "above"]
        u_apart = sum(u**2 for _, u in looks) ** 0.5 / 3.0 / slope
        print(f"{how}: {apart:.2f} +/- {u_apart:.2f} steps apart, expected {expected:.1f}")
        assert abs(apart - expected) <= max(1.0, 3.0 * u_apart)
        assert u_apart < 0.1 * truth.backlash_steps


def test_the_star_shows_the_drawtube_where_it_was_asked_to_be(rig: RunningRig, tmp_path: Path) -> None:
    """Spike errors agree whichever way a place was come to; without the port, they do not."""

    def drawn(rig: RunningRig) -> tuple[float, float]:
        answer = rig.camera.look(2.0, "L")
        return answer["value_px"], answer["u_px"]

    check_that_looks_agree(looked_at(rig, tmp_path, drawn))


@pytest.mark.campaign
@pytest.mark.timeout(1200)
def test_frames_show_the_drawtube_where_it_was_asked_to_be(rig: RunningRig, tmp_path: Path) -> None:
    """The same with the pixels of real frames, measured as `drawtube measure` does."""
    groups = looked_at(rig, tmp_path, lambda rig: rig.camera.expose(2.0, "L"))
    paths = [path for group in groups.values() for path in group]
    results = iter(FrameMeter(default_config()).measure_all(paths))
    read = {key: [next(results) for _ in group] for key, group in groups.items()}
    check_that_looks_agree(
        {key: [(item.spike_error_px, item.spike_error_u_px) for item in group] for key, group in read.items()}
    )


def test_over_tcp(rig: RunningRig) -> None:
    with bench_on(rig, TcpPort("127.0.0.1", 0)) as bench:
        assert bench.port.address.startswith("socket://127.0.0.1:")
        bench.client.go(START + 120)
        assert abs(bench.tube_steps() - (START + 120)) <= 1.0
    rig.clock.close()


def test_the_frames_protocol_through_our_own_driver(tmp_path: Path) -> None:
    with start_rig(tmp_path / "rig", rig=RIG, seed=SEED, protocol="frames", peek=True) as frames_rig:
        focuser = SerialFocuser.connect(
            "focuser_frames", frames_rig.focuser_port, LIMITS, clock=frames_rig.clock
        )
        approach = Approach(-1, 300, 100.0)
        port = CompensatingPort(
            focuser, PtyPort(tmp_path / "port"), PortRules(approach, PORT_LIMITS), lambda sentence: None
        )
        port.start()
        dialect = description.load("focuser_frames")
        through = SerialFocuser(dialect, port.address, PORT_LIMITS, clock=frames_rig.clock)
        try:
            through.open()
            here = through.position_steps()
            for step in (150, -40, -30, 90):
                assert through.move_to(here + step) == here + step
                assert frames_rig.peek()["count"] == here + step
        finally:
            through.close()
            port.close()
            focuser.close()


def test_the_link_is_taken_away_with_the_port(tmp_path: Path) -> None:
    link = tmp_path / "focuser-port"
    port = PtyPort(link)
    assert link.is_symlink()
    port.close()
    assert not link.is_symlink()
