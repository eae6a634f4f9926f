"""How soon a halt is on the wire, in every state of a focuser: at rest, in an exchange, moving, line silent.

From the call in one thread to the halt's bytes in the line's own record, over a pseudo-terminal.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import numpy as np

from daemon.port import CompensatingPort
from daemon.port_rules import PortRules
from drivers.device import quietly
from drivers.errors import DeviceError
from drivers.focuser import SerialFocuser
from drivers.roles import Limits
from drivers.simulated.client import RunningRig, start_rig
from drivers.virtual_port import PtyPort
from routines.compensation import Approach
from tests.benchmarks.timing import show

HALTS = 1_000
LIMITS = Limits(1000, 59_000)


def run() -> None:
    """Print the median, the 99th percentile and the worst of a thousand halts, a quarter in each state."""
    with tempfile.TemporaryDirectory() as folder, start_rig(Path(folder)) as rig:
        focuser = SerialFocuser.connect("focuser_words", rig.focuser_port, LIMITS, clock=rig.clock)
        try:
            latencies = {
                "at rest": measured(focuser, nothing),
                "in an exchange": measured(focuser, asking),
                "moving": measured(focuser, moving),
                "while the line is silent": silent(rig, focuser),
            }
            through = np.array(through_the_port(focuser, Path(folder)))
        finally:
            focuser.close()
    for state, found in latencies.items():
        show(f"halt on the wire, {state}: median", float(np.median(found)), "ms")
    show("halt through the compensating port: median", float(np.median(through)), "ms")
    show("halt through the compensating port: worst", float(through.max()), "ms", "aim: under 50")
    every = np.concatenate(list(latencies.values()))
    show(f"halt on the wire, {len(every)} in all states: median", float(np.median(every)), "ms")
    show(
        "halt on the wire, in all states: 99th percentile",
        float(np.percentile(every, 99.0)),
        "ms",
        "aim: under 50",
    )
    show("halt on the wire, in all states: worst", float(every.max()), "ms", "aim: under 50")


@contextmanager
def nothing(focuser: SerialFocuser) -> Iterator[None]:
    yield


@contextmanager
def asking(focuser: SerialFocuser) -> Iterator[None]:
    yield from busy(lambda: focuser.device.request("position"))


@contextmanager
def moving(focuser: SerialFocuser) -> Iterator[None]:
    targets = iter([1500, 58_000] * 5000)
    yield from busy(lambda: focuser.move_to(next(targets)))


def busy(action: Callable[[], object]) -> Iterator[None]:
    """Keep a thread at something until the block ends."""
    ended = threading.Event()

    def work() -> None:
        while not ended.is_set():
            try:
                action()
            except DeviceError:
                time.sleep(0.001)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def measured(
    focuser: SerialFocuser, state: Callable[[SerialFocuser], AbstractContextManager[None]]
) -> np.ndarray:
    """Return the latencies of a quarter of the halts (ms)."""
    found = []
    with state(focuser):
        rng = np.random.default_rng(2)
        while len(found) < HALTS // 4:
            time.sleep(float(rng.uniform(0.0, 0.01)))
            began = time.monotonic()
            quietly(focuser.halt, "halt_failed")
            entries = focuser.device.line.trace.entries()
            sent = [item.at_s for item in entries if item.data == b"halt\n" and item.at_s >= began]
            if sent:
                found.append(1000.0 * (sent[0] - began))
            focuser.clear_fault()
    return np.array(found)


def silent(rig: RunningRig, focuser: SerialFocuser) -> np.ndarray:
    rig.fault("silent", count=1_000_000)
    try:
        return measured(focuser, asking)
    finally:
        rig.fault("silent", count=0)


def through_the_port(focuser: SerialFocuser, folder: Path) -> list[float]:
    """Return how long after a client wrote a halt it was on the focuser's own wire, in mid-move (ms)."""
    import serial

    rules = PortRules(Approach(-1, 200, 80.0), LIMITS)
    port = CompensatingPort(focuser, PtyPort(folder / "port"), rules, lambda sentence: None)
    port.start()
    found = []
    try:
        with serial.serial_for_url(port.address, timeout=5.0) as client:
            for number in range(HALTS // 10):
                client.write(b"go 58000\n" if number % 2 else b"go 1500\n")
                client.read_until(b"\r\n")
                began = time.monotonic()
                client.write(b"halt\n")
                client.read_until(b"halting\r\n")
                entries = focuser.device.line.trace.entries()
                sent = [item.at_s for item in entries if item.data == b"halt\n" and item.at_s >= began]
                found += [1000.0 * (at - began) for at in sent[:1]]
                while port.busy:
                    time.sleep(0.005)
                focuser.clear_fault()
    finally:
        port.close()
    return found
