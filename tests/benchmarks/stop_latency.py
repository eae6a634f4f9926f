"""How soon a stop of a run is on the wire, at each state: exposing, moving, settling, measuring, held.

From the call of the conductor's stop in one thread to the halt's bytes on the focuser's line, on the
simulated rig at real speed: serial drivers on pseudo-terminals, journal on disk, frames measured by the
worker process. Each stop is a run of its own, whose script begins with what is to be stopped; the stop comes
at a random moment of it and counts as what the run was at by then. Afterwards the motor must stand still.
"""

from __future__ import annotations

import os
import random
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from daemon.assembly import train_facts
from daemon.conductor import Conductor
from daemon.eyes import FrameEye
from daemon.gate_setup import Watched, gates_for
from daemon.live import Live
from daemon.rehearsal_stage import Stage, rehearsing
from daemon.rehearse import default_config
from daemon.rig_eyes import expose_on
from drivers.errors import Stopped
from drivers.roles import StopSignal
from drivers.simulated.client import ExposureAborted, RunningRig, start_rig
from routines.scripts.catalogue import ROUTINES, Routine
from routines.scripts.common import Part, TrainFacts, concluded, look, select, travel
from routines.steps import Script
from tests.benchmarks.timing import show

STATES = ("exposure", "move", "settle", "measure", "hold")
STOPS = int(os.environ.get("STOPS_PER_STATE", "200"))
ROUTINE = "stop_target"
REACH_STEPS, EXPOSURE_S = 300.0, 1.5
STARTED_WITHIN_S = 60.0


@dataclass(frozen=True, slots=True)
class Begin:
    """With what the script begins: a look at once, or a move to ``to_steps`` first."""

    to_steps: float = 0.0
    moves: bool = False


def script(facts: TrainFacts, how: Begin) -> Script:
    """Return a routine that goes on until somebody stops it."""

    def routine() -> Part[dict[str, Any]]:
        yield from select(facts.reference_filter)
        if how.moves:
            yield from travel(how.to_steps)
        while True:
            yield from look(facts.reference_filter)

    return concluded(routine())


@dataclass
class Probe:
    """What the run is at, by name, told by the drivers and the eye as they come to it."""

    at: str = "between"
    changed: threading.Condition = field(default_factory=threading.Condition)

    def now(self, at: str) -> None:
        with self.changed:
            if at != self.at:
                self.at = at
                self.changed.notify_all()

    def reached(self, at: str) -> bool:
        """Wait until the run is at it; False when it does not come to it."""
        with self.changed:
            return self.changed.wait_for(lambda: self.at == at, STARTED_WITHIN_S)


def noting_halts(device: Any) -> list[float]:
    """Have a device note when the bytes of a halt have been written, whoever sends them."""
    written, send = list[float](), device.interject_halt

    def noting() -> bool:
        told = bool(send())
        written.append(time.monotonic())
        return told

    device.interject_halt = noting
    return written


def noting_motion(focuser: Any, probe: Probe) -> None:
    """Have a focuser tell when it moves, and from when on the count is reached and only has to be steady."""
    move, poll, targets = focuser.move_to, focuser._poll, [0]

    def moving(target_steps: int, stop: Any = None) -> int:
        targets[0] = target_steps
        probe.now("move")
        try:
            return int(move(target_steps, stop))
        finally:
            probe.now("between")

    def polling(guard: Any) -> Any:
        reading = poll(guard)
        if reading is not None and reading[0] == targets[0]:
            probe.now("settle")
        return reading

    focuser.move_to, focuser._poll = moving, polling


class NotingWorker:
    """The worker, which tells when a frame is being measured."""

    def __init__(self, worker: Any, probe: Probe) -> None:
        self._worker, self._probe = worker, probe

    def call(self, job: str, *arguments: Any, **settings: Any) -> Any:
        self._probe.now("measure")
        try:
            return self._worker.call(job, *arguments, **settings)
        finally:
            self._probe.now("between")


@dataclass
class Bench:
    """The rig, its hands with the notes they leave, and the runs that are stopped on them."""

    stage: Stage
    probe: Probe
    written: list[float]
    rng: random.Random
    usual_s: dict[str, float] = field(default_factory=lambda: {"measure": 0.1, "settle": 0.25, "move": 1.0})

    def stop_at(self, state: str) -> tuple[str, float]:
        """Stop a run at a random moment of a state; return what it was at, and the milliseconds."""
        conductor = self._conductor()
        run_id = conductor.begin(ROUTINES[ROUTINE], self._facts(), self._begin(state), "benchmark")
        if state == "hold":
            conductor.hold()
        thread = threading.Thread(target=conductor.carry_on, args=(run_id,))
        thread.start()
        self._reach(state, conductor)
        time.sleep(self.rng.random() * self.usual_s.get(state, 1.0))
        at, began = "hold" if state == "hold" else self.probe.at, time.monotonic()
        conductor.stop()
        thread.join(30.0)
        if thread.is_alive():
            raise RuntimeError(f"the run was not over 30 s after it was stopped at {state}")
        self._require_still()
        return at, 1000.0 * (next(moment for moment in self.written if moment >= began) - began)

    def _reach(self, state: str, conductor: Conductor) -> None:
        if state != "hold":
            if not self.probe.reached(state):
                raise RuntimeError(f"the run never came to {state}")
            return
        until = time.monotonic() + STARTED_WITHIN_S
        while conductor.live.snapshot().state != "holding":
            if time.monotonic() > until:
                raise RuntimeError("the run never held")
            time.sleep(0.005)

    def _conductor(self) -> Conductor:
        hands = self.stage.hands
        gates = gates_for(self.stage.config, Watched(hands.focuser, hands.thermometer, hands.clock))
        return Conductor(self.stage.conductor._journal, hands, gates, Live())

    def _facts(self) -> TrainFacts:
        return train_facts(self.stage.config, self.stage.hands.focuser.position_steps())

    def _begin(self, state: str) -> Begin:
        """Moves go to and fro about the place where the rig was found; a short one comes to its end soon."""
        if state not in ("move", "settle"):
            return Begin()
        here, middle = self._facts().start_position_steps, self._middle()
        way = REACH_STEPS if state == "move" else REACH_STEPS / 10.0
        return Begin(here - way if here > middle else here + way, moves=True)

    def _middle(self) -> float:
        low, high = self.stage.hands.limits_counts
        return (low + high) / 2.0

    def _require_still(self) -> None:
        focuser, clock = self.stage.hands.focuser, self.stage.hands.clock
        before = focuser.position_steps()
        clock.sleep(0.1)
        after = focuser.position_steps()
        if before != after:
            raise RuntimeError(f"the motor still turns after a stop: {before}, then {after} steps")


@contextmanager
def bench(seed: int) -> Iterator[Bench]:
    """Set rig, hands and notes up, and let go of them afterwards."""
    ROUTINES[ROUTINE] = Routine(ROUTINE, 1, "mask", Begin, script)
    config, probe = default_config(), Probe()
    try:
        with (
            tempfile.TemporaryDirectory() as name,
            start_rig(Path(name) / "rig", seed=seed, speed=1.0) as rig,
            rehearsing(config, seed, out=Path(name) / "out", rig=rig) as stage,
        ):
            rig.put_mask(on=True)
            frame = expose_on(rig.camera, EXPOSURE_S, config.reference_filter, 0, threading.Event())
            # A stand-in with the one method that the eye calls.
            worker: Any = NotingWorker(stage._worker, probe)
            eye = FrameEye(prepared(rig, frame, probe), worker)
            exposures = dict.fromkeys(config.filter_names, EXPOSURE_S)
            stage.hands = replace(stage.hands, eye=eye, exposures=None, exposures_s=exposures)
            noting_motion(stage.hands.focuser, probe)
            focuser: Any = stage.hands.focuser  # the serial one, whose device is its line
            written = noting_halts(focuser.device)
            yield Bench(stage, probe, written, random.Random(seed))
    finally:
        del ROUTINES[ROUTINE]


def prepared(rig: RunningRig, frame: Path, probe: Probe) -> Any:
    """Return an exposure that takes the rig its time and gives a frame that was drawn before."""

    def expose(exposure_s: float, filter_name: str, number: int, stop: StopSignal, words: Any) -> Path:
        probe.now("exposure")
        try:
            rig.camera.look(exposure_s, filter_name, stop, number=number)
        except ExposureAborted as error:
            raise Stopped(str(error)) from error
        finally:
            probe.now("between")
        return frame

    return expose


def latencies(stops: int, seed: int = 3) -> dict[str, list[float]]:
    """Return the times (ms) from stop to halt by what the run was at, at least so many of each state."""
    found: dict[str, list[float]] = {state: [] for state in STATES}
    with bench(seed) as at_work:
        while wanting := [state for state in STATES if len(found[state]) < stops]:
            for state in wanting:
                at, spent_ms = at_work.stop_at(state)
                found.setdefault(at, []).append(spent_ms)
    return found


def run(stops: int = STOPS) -> None:
    """Print median, 99th percentile and worst of each state and of all, and how busy the machine was."""
    load = os.getloadavg()[0]
    found = latencies(stops)
    for at, times in found.items():
        tell(f"stop to halt, {at}, {len(times)} stops", times, "aim: 50", "aim: 100")
    every = [one for times in found.values() for one in times]
    tell(f"stop to halt, {len(every)} in all", every, "aim: under 50", "aim: under 100")
    show("load of the machine (1 min), before and after", load, "")
    show("", os.getloadavg()[0], "")


def tell(what: str, times: list[float], p99_aim: str, worst_aim: str) -> None:
    spent = np.array(times)
    show(f"{what}: median", float(np.median(spent)), "ms")
    show(f"{what}: 99th percentile", float(np.percentile(spent, 99)), "ms", p99_aim)
    show(f"{what}: worst", float(spent.max()), "ms", worst_aim)
