"""How soon a stop of a run is on the wire, whatever the run is at: moving, exposing, measuring, holding.

From the call of the conductor's stop in one thread to the halt's bytes on the focuser's line, on the
simulated rig at real speed. Each stop is a run of its own, stopped at a random moment.
"""

from __future__ import annotations

import random
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from daemon.assembly import train_facts
from daemon.conductor import Conductor
from daemon.gate_setup import Watched, gates_for
from daemon.live import Live
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import default_config
from drivers.simulated.client import start_rig
from routines.scripts.catalogue import ROUTINES
from tests.benchmarks.timing import show

STOPS, HELD = 60, 15


def noting_halts(device: Any) -> list[float]:
    """Have a device note when the bytes of a halt have been written, whoever sends them."""
    written, send = list[float](), device.interject_halt

    def noting() -> bool:
        told = bool(send())
        written.append(time.monotonic())
        return told

    device.interject_halt = noting
    return written


def run(stops: int = STOPS) -> None:
    """Print median, 99th percentile and worst, and by what the run was at."""
    found = latencies(stops)
    every = np.array([one for times in found.values() for one in times])
    for at, times in sorted(found.items()):
        show(f"stop to halt, {at}: median of {len(times)}", float(np.median(times)), "ms")
    show(
        f"stop to halt, {len(every)} in all: 99th percentile",
        float(np.percentile(every, 99)),
        "ms",
        "aim: 50",
    )
    show("stop to halt: worst", float(every.max()), "ms", "aim: under 100")


def latencies(stops: int) -> dict[str, list[float]]:
    """Return the times (ms) from stop to halt by what the run was at."""
    config, rng, found = default_config(), random.Random(3), dict[str, list[float]]()
    options = StageOptions(surrogate=True)
    with (
        tempfile.TemporaryDirectory() as name,
        start_rig(Path(name) / "rig", seed=3, speed=1.0) as rig,
        rehearsing(config, 3, out=Path(name) / "out", options=options, rig=rig) as stage,
    ):
        hands, written = stage.hands, noting_halts(stage.hands.focuser.device)  # type: ignore[attr-defined]
        for number in range(stops):
            gates = gates_for(config, Watched(hands.focuser, hands.thermometer, hands.clock))
            conductor = Conductor(stage.conductor._journal, hands, gates, Live())
            at, began = stopped(conductor, rng.uniform(0.1, 4.0), held=number < HELD, stage=stage)
            first = next(moment for moment in written if moment >= began)
            found.setdefault(at, []).append(1000.0 * (first - began))
    return found


def stopped(conductor: Conductor, after_s: float, *, held: bool, stage: Any) -> tuple[str, float]:
    """Begin a run, stop it after a while, and return what it was at and the moment of the stop."""
    routine = ROUTINES["find_focus"]
    facts = train_facts(stage.config, stage.hands.focuser.position_steps())
    run_id = conductor.begin(routine, facts, routine.parameters(), "benchmark")
    if held:
        conductor.hold()
    thread = threading.Thread(target=conductor.carry_on, args=(run_id,))
    thread.start()
    time.sleep(after_s)
    steps = stage.conductor._journal.steps(run_id)
    at = "holding" if held else (steps[-1].step["kind"] if steps and steps[-1].answer is None else "between")
    began = time.monotonic()
    conductor.stop()
    thread.join(30.0)
    return at, began
