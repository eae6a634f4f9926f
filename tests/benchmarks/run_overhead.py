"""What a run costs beyond what the rig itself needs: wall time over exposure, readout, wheel and motion.

On the simulated rig at real speed, so that a second is a second, a whole run with frames: exposed, written,
measured by the worker, fitted, journaled. The rig's own time comes from its virtual clock, which stands still
while the program measures, fits and writes: everything that the program adds is the difference. Left out is
what only a simulation takes: drawing frames, and that its clock is a process of its own: it wakes a sleeper a
millisecond or two late, which adds up over the short sleeps of a move, and it is asked for the time over a
socket, thousands of times in a run. All three are printed, and where the rest goes.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

from daemon.config import Config
from daemon.rehearsal_stage import Stage, StageOptions, rehearsing
from daemon.rehearse import default_config
from drivers.simulated.client import start_rig
from tests.benchmarks.service_life import spent_s
from tests.benchmarks.timing import show

SEED = 3
LEAST_EXPOSURE_S = 2.0
AIM = "aim: at most 1.05"
JOBS = ("measure", "measure_aside", "estimate")


class Spent:
    """Adds up the wall time of named calls, less the rig's own time that passed meanwhile.

    Only the outermost of them count, so that no time is counted twice, and only in the run's own thread: a
    run does not wait for what is done beside it. ``jobs_s`` is the processor time that the worker had for its
    jobs in that thread, ``looks_s`` that of each frame, whoever waited for it; ``late_s`` is by how much the
    rig's clock woke its sleepers late, ``asking_s`` what asking it took.
    """

    def __init__(self, clock: Any) -> None:
        self.clock, self._inside, self.jobs_s, self.late_s, self.asking_s = clock, 0, 0.0, 0.0, 0.0
        self.looks_s: list[float] = []
        self._runs_in = threading.current_thread()
        self.by_name: dict[str, float] = defaultdict(float)
        self._sleep = clock.sleep
        clock.sleep = self._slept
        clock.monotonic, clock.now = self._asked(clock.monotonic), self._asked(clock.now)

    def _slept(self, seconds: float) -> None:
        began = time.monotonic()
        self._sleep(seconds)
        self.late_s += time.monotonic() - began - max(seconds, 0.0)

    def _asked(self, ask: Callable[[], Any]) -> Callable[[], Any]:
        def timed() -> Any:
            if threading.current_thread() is not self._runs_in:
                return ask()
            began = time.monotonic()
            try:
                return ask()
            finally:
                self.asking_s += time.monotonic() - began

        return timed

    @property
    def simulations_s(self) -> float:
        """Return the time that no clock of a real rig takes."""
        return self.late_s + self.asking_s

    def over_jobs(self, worker: Any) -> None:
        """Add up the processor time of a worker's jobs from now on."""
        call = worker.call

        def timed(job: str, *arguments: Any, **settings: Any) -> Any:
            worker.warm_up()
            process_id, began_s = worker.pid, spent_s(worker.pid)
            try:
                return call(job, *arguments, **settings)
            finally:
                took_s = spent_s(process_id) - began_s if worker.pid == process_id else 0.0
                if threading.current_thread() is self._runs_in:
                    self.jobs_s += took_s
                if job == "measure":
                    self.looks_s.append(took_s)

        worker.call = timed

    def over(
        self, holder: Any, attribute: str, name: str | Callable[..., str], *, rig_s: bool = False
    ) -> None:
        """Time one method from now on; ``rig_s`` leaves out what the rig's own clock moved on."""
        call = getattr(holder, attribute)

        def timed(*arguments: Any, **settings: Any) -> Any:
            if self._inside or threading.current_thread() is not self._runs_in:
                return call(*arguments, **settings)
            self._inside += 1
            own = self.clock.monotonic() if rig_s else 0.0
            began, left_out_s = time.monotonic(), self.simulations_s
            try:
                return call(*arguments, **settings)
            finally:
                spent = time.monotonic() - began - (self.simulations_s - left_out_s)
                spent -= self.clock.monotonic() - own if rig_s else 0.0
                self.by_name[name if isinstance(name, str) else name(*arguments)] += spent
                self._inside -= 1

        setattr(holder, attribute, timed)


def run() -> None:
    """Print the ratio of a run's wall time to the rig's own, with frames and with looks drawn as numbers."""
    config = bright_config()
    for surrogate in (True, False):
        measured(config, StageOptions(surrogate=surrogate))


def bright_config() -> Config:
    """Return the built-in rig's config with three filters, each exposed for two seconds or more."""
    config = default_config()
    wanted = tuple(
        item.model_copy(update={"exposure_s": max(item.exposure_s, LEAST_EXPOSURE_S)})
        for item in config.filters
        if item.name in ("L", "R", "G")
    )
    return config.model_copy(update={"filters": wanted})


def measured(config: Config, options: StageOptions, speed: float = 1.0) -> None:
    """Print what one whole run cost, and where it went; ratios mean something at real speed alone."""
    kind = "numbers" if options.surrogate else "frames"
    with (
        tempfile.TemporaryDirectory() as name,
        start_rig(Path(name) / "rig", seed=SEED, speed=speed) as rig,
        rehearsing(config, SEED, out=Path(name) / "out", options=options, rig=rig) as stage,
    ):
        rig.put_mask(on=True)
        spent = watched(stage)
        began, clock_began = time.monotonic(), rig.clock.monotonic()
        stage.perform()
        wall, own = time.monotonic() - began, rig.clock.monotonic() - clock_began
        drawing, end = rig.camera.drawing_s, stage.end
        own_looks = sum(item.exposure_s or 0.0 for item in end.ledger.observations)
    show(f"{kind}: looks of the run", float(len(end.ledger.observations)), "", f"ended {end.state}")
    show(f"{kind}: the rig's own time, of it exposing {own_looks:.0f} s", own, "s")
    show(f"{kind}: drawing, share of the rig's own, left out", drawing / own, "")
    show(f"{kind}: its clock's lateness, share of the rig's own, left out", spent.late_s / own, "")
    show(f"{kind}: asking its clock, share of the rig's own, left out", spent.asking_s / own, "")
    wall -= drawing + spent.simulations_s
    show(f"{kind}: wall time over the rig's own", wall / own, "", AIM)
    if not options.surrogate:
        processor = (wall - sum(spent.by_name.get(name, 0.0) for name in JOBS) + spent.jobs_s) / own
        show(f"{kind}: the same, were a core free for the worker", processor, "", AIM)
        for number, seconds in enumerate(spent.looks_s[:3], start=1):
            show(f"{kind}: the worker's processor time for look {number}", seconds, "s")
        if len(spent.looks_s) > 3:
            show(f"{kind}: and for a later one (median)", median(spent.looks_s[3:]), "s")
    for what, seconds in sorted(spent.by_name.items()):
        added = seconds - (drawing if what == "look" else 0.0)
        show(f"{kind}:   added by {what}, share of the rig's own", added / own, "")
    rest = wall + drawing - own - sum(spent.by_name.values())
    show(f"{kind}:   added by the rest, share of the rig's own", rest / own, "")
    show("load of the machine (1 min)", os.getloadavg()[0], "")


def watched(stage: Stage) -> Spent:
    """Time the parts of a run on its stage."""
    spent = Spent(stage.hands.clock)
    journal, hands = stage.conductor._journal, stage.hands
    spent.over(hands.focuser, "move_to", "move", rig_s=True)
    if hands.wheel is not None:
        spent.over(hands.wheel, "select", "wheel", rig_s=True)
    spent.over_jobs(stage._worker)
    spent.over(stage._worker, "call", lambda job, *_: job)
    camera = hands.eye
    spent.over(camera, "_expose" if hasattr(camera, "_expose") else "take", "look", rig_s=True)
    for name in ("intend", "answer"):
        spent.over(journal, name, "journal")
    return spent
