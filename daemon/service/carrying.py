"""One run on the open bench: from what was asked for to a rig that is left as wanted.

Also for a run whose service died between its end and the look that shows the mask gone: that is made good, or
a person is told, before anything else is done.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from daemon.conductor import Conductor, RunEnd
from daemon.gate_setup import EARLIER_WITHIN_S, Watched, gates_for, glimpse_every_s
from daemon.journal import Journal, RunRecord
from daemon.live import Live
from daemon.performer import Hands
from daemon.service.bench import Bench, RunNeeds
from daemon.service.conclusion import ledger_of
from daemon.service.ending import Ending, found_now
from daemon.service.hooks import after_run, before_run
from daemon.service.people import People
from daemon.service.restart import LEFT_ALONE
from daemon.worker import Worker
from routines.observations import Observation
from routines.scripts.catalogue import ROUTINES

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.config.tables import ServiceTable

_FACTS_WITHIN_S = 120.0
_RUNS_BACK = 3
log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Job:
    """The run that the engine's thread is at; ``conductor`` is None while devices open or results form."""

    run: RunRecord
    people: People
    stop: threading.Event
    began_s: float
    began_fraction: float | None = None
    conductor: Conductor | None = None
    held_early: bool = False


class Carrier:
    """Carries jobs out on one bench; ``closing`` tells whether the service is about to end."""

    def __init__(
        self,
        config: Config,
        state: Path,
        journal: Journal,
        bench: Bench,
        live: Live,
        worker: Worker,
        closing: Callable[[], bool],
    ) -> None:
        self._config, self._state, self._journal = config, state, journal
        self._bench, self._live, self._worker, self._closing = bench, live, worker, closing

    def perform(self, job: Job) -> RunEnd:
        """Carry a job out and leave the rig as wanted; raises what devices, hooks or journal raise."""
        self._worker.warm_up()
        before_run(self._config, job.run.id, job.stop)
        with self._opened(job) as hands:
            conductor = self._conductor(hands)
            if job.run.state == "queued":
                self._begin(job, hands, conductor)
            job.conductor = conductor
            self._pass_on(job, conductor)
            try:
                end = conductor.carry_on(job.run.id)
            finally:
                job.conductor = None
            self._leave_right(job, hands, end)
            return end

    def see_to_after(self, job: Job) -> None:
        """Run the owner's commands that go after a run, unless it is taken up again at the next start."""
        if self._closing():
            return
        run = self._journal.run(job.run.id)
        after_run(self._config, run.id, run.state, self._live)
        if run.state not in ("queued", "running", "holding"):
            self._journal.note_left(run.id)

    def leave_right_late(self, job: Job) -> None:
        """Do what the service's earlier life did not come to after a run's end; raises like `perform`."""
        run = job.run
        end = RunEnd(run.id, run.state, run.result or {}, ledger_of(self._journal.steps(run.id)))
        self._worker.warm_up()
        with self._opened(job) as hands:
            self._leave_right(job, hands, end)

    def tell_unseen(self, run: RunRecord) -> None:
        """Alert people to a mask that nobody has seen gone, where the run needed one."""
        self._journal.note_left(run.id)
        if not masked(self._journal.observations(run.id)) or self._config.hooks.mask == "stays_on":
            return
        words = f"The service ended after run {run.id} and saw no frame without the mask: SEE THAT IT IS OFF."
        log.critical("alert", words=words)
        self._journal.add_to_result(run.id, {"alerts": [*(run.result or {}).get("alerts", []), words]})
        self._live.tell("alert", words=words)

    def _opened(self, job: Job) -> AbstractContextManager[Hands]:
        frames = self._state / "runs" / job.run.id / "frames"
        return self._bench.opened(RunNeeds(frames, self._worker, job.people.conditions(), self._ask))

    def _conductor(self, hands: Hands) -> Conductor:
        now = hands.clock.now().timestamp()
        watched = Watched(
            hands.focuser,
            hands.thermometer,
            hands.clock,
            self._state,
            self._state,
            recent_temperatures(self._journal, self._config.fingerprint(), now),
        )
        gates, every_s = gates_for(self._config, watched), glimpse_every_s(self._config)
        return Conductor(self._journal, hands, gates, self._live, glimpse_every_s=every_s)

    def _begin(self, job: Job, hands: Hands, conductor: Conductor) -> None:
        """Record what a new run starts from: the optics are the worker's business."""
        run, stop = job.run, job.stop
        position = hands.focuser.position_steps()
        facts = self._worker.call("facts", position, deadline_s=_FACTS_WITHIN_S, stop=stop)
        how = self._worker.call(
            "parameters", run.routine, str(self._state), deadline_s=_FACTS_WITHIN_S, stop=stop
        )
        found = found_now(hands).as_dict()
        conductor.begin(ROUTINES[run.routine], facts, how, self._config.fingerprint(), run.id, found)

    def _leave_right(self, job: Job, hands: Hands, end: RunEnd) -> None:
        """Leave the rig as wanted; what could not be done stands in the run's result."""
        self._live.update(state="running")
        found = self._journal.run(end.run_id).parameters.get("found")
        ending = Ending(self._config, hands, self._live, job.stop)
        alerts = ending.leave(end, found, masked=masked(end.ledger.observations))
        if alerts:
            self._journal.add_to_result(end.run_id, {"alerts": alerts})

    def _pass_on(self, job: Job, conductor: Conductor) -> None:
        """Pass on what was asked for while there was no conductor."""
        if job.held_early:
            conductor.hold()
        if self._closing():
            conductor.leave()
        elif job.stop.is_set():
            conductor.stop()

    def _ask(self, sentence: str) -> None:
        self._live.update(sentence=f"Wanted: {sentence}")
        self._live.tell("wanted", sentence=sentence)


def masked(looks: Iterable[Observation]) -> bool:
    """Tell whether any look was taken through a mask."""
    return any(seen.method == "mask" for seen in looks)


def not_left_right(journal: Journal) -> RunRecord | None:
    """Return the last run that began, if it has ended and nobody has seen to the rig since."""
    begun = [run for run in journal.runs() if run.state != "queued" and "found" in run.parameters]
    if not begun or begun[-1].left_right:
        return None
    by_itself = begun[-1].state in ("done", "partial", "failed")
    return begun[-1] if by_itself or _code(begun[-1]) in LEFT_ALONE else None


def may_be_seen_to(run: RunRecord, rules: ServiceTable, *, simulated: bool) -> bool:
    """Tell whether the rig may be touched without asking: the run ended by itself, and lately."""
    if _code(run) in LEFT_ALONE or rules.on_restart != "resume" or run.ended is None:
        return False
    age_s = (datetime.now(UTC) - datetime.fromisoformat(run.ended)).total_seconds()
    return simulated or 0.0 <= age_s <= rules.resume_within_s


def _code(run: RunRecord) -> str:
    return str((run.result or {}).get("code", ""))


def recent_temperatures(
    journal: Journal, config_hash: str, now_unix_s: float
) -> tuple[tuple[float, float], ...]:
    """Return (POSIX s, C) of the last hour's looks, by the same config: the rate is then known at once."""
    found = []
    for run in journal.runs()[-_RUNS_BACK:]:
        if run.config_hash != config_hash:
            continue
        for seen in journal.observations(run.id):
            recent = seen.time_s is not None and 0.0 <= now_unix_s - seen.time_s < EARLIER_WITHIN_S
            if recent and seen.temperature_c is not None and seen.time_s is not None:
                found.append((seen.time_s, seen.temperature_c))
    return tuple(found)
