"""What the service shows of itself: status, runs, health, as the HTTP interface tells them."""

from __future__ import annotations

import threading
from datetime import datetime
from functools import cache
from importlib import metadata
from typing import TYPE_CHECKING

from daemon.api_models import (
    GateState,
    Health,
    Plan,
    ProfileBrief,
    RunBrief,
    RunState,
    RunView,
    Status,
)
from daemon.conductor import RunEnd
from daemon.exit_codes import NOT_GOOD_ENOUGH
from daemon.journal import RunRecord
from daemon.ledger import Ledger
from daemon.outcome import exit_code
from daemon.planning import Planner
from daemon.profile_store import ProfileDamaged, ProfileStore
from daemon.service.engine import Engine, NoSuchRun
from daemon.worker import Worker
from routines.scripts.catalogue import ROUTINES
from routines.verdict import judge

if TYPE_CHECKING:
    from daemon.live import Snapshot
    from daemon.schedule import Scheduler

ENDED = ("done", "partial", "stopped", "failed")
_PLAN_WITHIN_S = 60.0


class Views:
    """Answers questions about one engine; everything may be called from any thread."""

    def __init__(self, engine: Engine, scheduler: Scheduler | None = None) -> None:
        self._engine = engine
        self._scheduler = scheduler
        self._profile: tuple[int, ProfileBrief | None] = (-1, None)
        self._planning = threading.Lock()

    def status(self) -> Status:
        """Return what the service is at."""
        engine, now = self._engine, self._engine.live.snapshot()
        run = self._run_brief(now)
        return Status(
            state="idle" if run is None else run.state,
            run=run,
            holding=list(now.shut) if run is not None else [],
            gates=[GateState(name=g.name, open=g.open, reason=g.reason, since=g.since) for g in now.gates]
            if run is not None
            else [],
            position_steps=now.position_counts,
            filter=now.filter,
            temperature_c=now.temperature_c,
            profile=self._profile_brief(),
            queued=list(engine.queued),
            interrupted=list(engine.interrupted),
            schedules=[] if self._scheduler is None else self._scheduler.states(),
            rig=engine.config.rig.name,
            simulated=engine.bench.simulated,
            version=_version(),
        )

    def runs(self, at_most: int) -> list[RunView]:
        """Return the latest runs, the newest first."""
        return [self._run_view(run, count=False) for run in reversed(self._engine.journal.runs()[-at_most:])]

    def run(self, run_id: str) -> RunView:
        """Return one run; NoSuchRun when there is none of that id."""
        return self._run_view(self.record(run_id), count=True)

    def record(self, run_id: str) -> RunRecord:
        """Return a run's record; NoSuchRun when there is none of that id."""
        try:
            return self._engine.journal.run(run_id)
        except KeyError:
            raise NoSuchRun(f"there is no run {run_id!r}") from None

    def state_of(self, run: RunRecord) -> RunState:
        """Return a run's state as people see it: one that still forms its results is not over yet."""
        now = self._engine.live.snapshot()
        if self._engine.current_id == run.id:
            return "running" if now.state == "idle" else now.state
        if run.id in self._engine.queued:
            return "queued"
        return "interrupted" if run.state in ("running", "holding") else run.state

    def health(self) -> Health:
        """Return whether the thread that carries runs is alive."""
        if self._engine.alive:
            return Health(ok=True, why="")
        return Health(ok=False, why="the thread that carries runs does not answer")

    def plan(self, routine: str) -> Plan:
        """Return a dry run; NoSuchRun when there is no such routine, WorkerError when it fails."""
        if routine not in ROUTINES:
            raise NoSuchRun(f"there is no routine {routine!r}; there are {', '.join(ROUTINES)}")
        counts = self._engine.live.snapshot().position_counts
        with self._planning:
            worker = Worker(Planner, (self._engine.config, self._engine.state))
            try:
                fields = worker.call("plan", routine, counts, deadline_s=_PLAN_WITHIN_S)
            finally:
                worker.close()
        return Plan.model_validate(fields)

    def _run_brief(self, now: Snapshot) -> RunBrief | None:
        run_id = self._engine.current_id
        if run_id is None or now.run_id != run_id or now.routine is None:
            return None
        remaining_s = self._engine.remaining_s()
        return RunBrief(
            id=run_id,
            routine=now.routine,
            state="running" if now.state == "idle" else now.state,
            step=now.step,
            observations=now.observations,
            fraction=min(1.0, max(0.0, now.fraction)),
            remaining_s=None if remaining_s is None else float(round(remaining_s)),
            sentence=now.sentence,
        )

    def _run_view(self, run: RunRecord, *, count: bool) -> RunView:
        state = self.state_of(run)
        ended = state in ENDED
        report = self._engine.state / "runs" / run.id / "report.html"
        return RunView(
            id=run.id,
            routine=run.routine,
            state=state,
            origin=run.origin,
            created=datetime.fromisoformat(run.created),
            ended=datetime.fromisoformat(run.ended) if ended and run.ended else None,
            result=run.result if ended else None,
            observations=len(self._engine.journal.observations(run.id)) if count else None,
            report=report.is_file(),
            exit_code=_exit_code(run) if ended else None,
        )

    def _profile_brief(self) -> ProfileBrief | None:
        """Return the latest profile in a line, read again only when its file has changed."""
        store = ProfileStore(self._engine.state)
        try:
            stamp = store.latest_path.stat().st_mtime_ns
        except OSError:
            return None
        if stamp != self._profile[0]:
            self._profile = (stamp, _brief(store))
        return self._profile[1]


def _brief(store: ProfileStore) -> ProfileBrief | None:
    try:
        profile = store.latest()
    except ProfileDamaged:
        return None
    if profile is None:
        return None
    return ProfileBrief(
        created=profile.created,
        run=profile.evidence.run,
        simulated=profile.simulated,
        headline=judge(profile).headline,
    )


def _exit_code(run: RunRecord) -> int:
    """Return what a calling script is told; a run whose results lack a number was not good enough."""
    result = run.result or {}
    code = exit_code(RunEnd(run.id, run.state, result, Ledger()))
    return NOT_GOOD_ENOUGH if code == 0 and (result.get("missing") or result.get("conclusion")) else code


@cache
def _version() -> str:
    return metadata.version("drawtube")
