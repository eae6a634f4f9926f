"""What becomes of the runs that an earlier life of the service left behind."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import structlog

from daemon.journal import Journal, RunRecord

if TYPE_CHECKING:
    from daemon.config.tables import ServiceTable

_CRASHES_UNTIL_SET_ASIDE = 3
_ASKED_FOR_WITHIN_S = 3600.0
LEFT_ALONE = ("set_aside", "too_old")
"""How runs end whose rig nobody touches again without being asked."""
log = structlog.get_logger(__name__)


@dataclass(slots=True)
class LeftBehind:
    """Ids of runs: those to go on with now, and those that wait for somebody's answer."""

    go_on: list[str] = field(default_factory=list)
    ask: list[str] = field(default_factory=list)


def left_behind(journal: Journal, rules: ServiceTable, *, simulated: bool) -> LeftBehind:
    """Sort what the journal left unfinished; a run that keeps crashing, or is too old, is ended here.

    The times of a simulated night say nothing of its age in real time, so it is never too old.
    """
    now, left = datetime.now(UTC), LeftBehind()
    unfinished = journal.unfinished()
    for run in unfinished:
        if run.starts >= _CRASHES_UNTIL_SET_ASIDE:
            _set_aside(journal, run, now)
        elif not simulated and _age_s(journal, run, now) > rules.resume_within_s:
            _too_old(journal, run, now)
        elif rules.on_restart == "resume" and run is unfinished[-1]:
            left.go_on.append(run.id)
        else:
            left.ask.append(run.id)
    for run in journal.queued():
        if abs((now - datetime.fromisoformat(run.created)).total_seconds()) > _ASKED_FOR_WITHIN_S:
            _end(journal, run, now, "stopped", "too_old", "asked for too long before the service came back")
        else:
            left.go_on.append(run.id)
    return left


def _age_s(journal: Journal, run: RunRecord, now: datetime) -> float:
    """Return how long ago the run was last heard of."""
    steps = journal.steps(run.id)
    last = (steps[-1].answered or steps[-1].intended) if steps else run.created
    return (now - datetime.fromisoformat(last)).total_seconds()


def _set_aside(journal: Journal, run: RunRecord, now: datetime) -> None:
    message = (
        f"the service ended without notice {run.starts} times during this run; it was set aside and is not "
        "taken up again. Its observations are kept; the log says more"
    )
    _end(journal, run, now, "failed", "set_aside", message)


def _too_old(journal: Journal, run: RunRecord, now: datetime) -> None:
    message = (
        f"interrupted {_age_s(journal, run, now) / 3600.0:.1f} h ago, longer than service.resume_within_s: "
        "temperature and pointing are other ones now. Its observations are kept"
    )
    _end(journal, run, now, "stopped", "too_old", message)


def _end(journal: Journal, run: RunRecord, now: datetime, state: str, code: str, message: str) -> None:
    log.warning("run_not_resumed", run=run.id, code=code, message=message)
    result = {"outcome": state, "code": code, "message": message}
    journal.end_run(run.id, "failed" if state == "failed" else "stopped", result, now)
