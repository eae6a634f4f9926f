"""From a run's looks to its profile and report, also when the service died before it came to that."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog

from daemon.conductor import RunEnd, cut_short
from daemon.journal import Journal, StepRecord
from daemon.ledger import Ledger
from daemon.outputs import RunFacts
from daemon.profile_store import ProfileDamaged, ProfileStore
from daemon.worker import Worker, WorkerError
from routines.profile_update import with_kept_differences
from routines.steps import answer_from_dict, step_from_dict

if TYPE_CHECKING:
    from routines.profile import Profile

_WITHIN_S = 900.0
# Only the whole job tells every number; a part's profile would put nulls in the place of what is known.
_WHOLE = ("characterise",)
log = structlog.get_logger(__name__)


def ledger_of(steps: Iterable[StepRecord]) -> Ledger:
    """Return what a run has done and seen, from its journal alone."""
    ledger = Ledger()
    for record in steps:
        if record.answer is not None:
            ledger.note(step_from_dict(record.step), answer_from_dict(record.answer))
    return ledger


class Concluder:
    """Writes each run's results into ``state``/runs/ID, and the latest profile into ``state``."""

    def __init__(
        self, journal: Journal, worker: Worker, state: Path, source: str, *, simulated: bool
    ) -> None:
        self._journal = journal
        self._worker = worker
        self._state = state
        self._source = source
        self._simulated = simulated

    def conclude(self, end: RunEnd, routine: str, stop: threading.Event | None = None) -> None:
        """Fit, write, and note in the journal what is missing; WorkerError when that fails."""
        if end.state not in ("done", "partial") or not any(seen.measured for seen in end.ledger.observations):
            return
        facts = RunFacts(
            end.run_id,
            datetime.now(UTC),
            self._simulated,
            self._source,
            proof=end.result.get("proof", {}),
            holds=tuple(end.result.get("holds", ())),
            cut_short=cut_short(end),
        )
        folder = self._state / "runs" / end.run_id
        looks, moves = tuple(end.ledger.observations), tuple(end.ledger.moves)
        profile: Profile = self._worker.call(
            "conclude", str(folder), looks, moves, facts, deadline_s=_WITHIN_S, stop=stop
        )
        self._keep(profile, end, routine)
        self._keep_check(end)
        self._keep_temperature(end)

    def finish_earlier(self) -> None:
        """Conclude the newest run that ended without coming to its report."""
        ended = [run for run in self._journal.runs() if run.state in ("done", "partial")]
        if not ended or (self._state / "runs" / ended[-1].id / "report.html").exists():
            return
        run = ended[-1]
        if "conclusion" in (run.result or {}):
            return
        log.info("concluding_earlier_run", run=run.id)
        end = RunEnd(run.id, run.state, run.result or {}, ledger_of(self._journal.steps(run.id)))
        try:
            self.conclude(end, run.routine)
        except (WorkerError, OSError) as error:
            log.error("conclusion_failed", run=run.id, error=str(error))
            self._journal.add_to_result(run.id, {"conclusion": str(error)})

    def _keep(self, profile: Profile, end: RunEnd, routine: str) -> None:
        """Put the profile in place of the latest one, where it tells more than a part of the job."""
        from daemon.offline import missing_numbers

        missing = list(missing_numbers(profile)) if routine in _WHOLE else []
        if (end.result.get("recheck") or {}).get("verdict") == "unclear":
            missing = ["whether the profile holds"]
        note: dict[str, Any] = {"report": True, "missing": missing}
        store = ProfileStore(self._state)
        if routine in _WHOLE and (not missing or self._none_yet(store)):
            store.save(with_kept_differences(profile, self._earlier(store)))
            note["latest"] = True
        self._journal.add_to_result(end.run_id, note)

    def _keep_check(self, end: RunEnd) -> None:
        """Bring the latest profile up to date with what a check or a comparison found."""
        from daemon.rechecking import keep_result

        try:
            changed = keep_result(self._state, end.result, datetime.now(UTC))
        except (ProfileDamaged, ValueError) as error:
            log.error("check_not_kept", run=end.run_id, error=str(error))
            self._journal.add_to_result(end.run_id, {"profile": f"not updated ({error})"})
            return
        if changed is not None:
            told = "updated" if changed else "kept as it was"
            self._journal.add_to_result(end.run_id, {"profile": told, "latest": changed})

    def _keep_temperature(self, end: RunEnd) -> None:
        """Fit the crossings of all the nights that followed the temperature; put the coefficient in force."""
        from daemon.nights import keep_coefficient, night_crossings

        if "temperature_crossings" not in end.result:
            return
        crossings = night_crossings(self._journal.runs(), end)
        told = self._worker.call("nights", crossings, deadline_s=_WITHIN_S)
        note: dict[str, Any] = {"nights": told}
        try:
            note["latest"] = keep_coefficient(self._state, told, datetime.now(UTC))
        except (ProfileDamaged, ValueError) as error:
            log.error("coefficient_not_kept", run=end.run_id, error=str(error))
            note["profile"] = f"not updated ({error})"
        self._journal.add_to_result(end.run_id, note)

    @staticmethod
    def _earlier(store: ProfileStore) -> Profile | None:
        try:
            return store.latest()
        except ProfileDamaged:
            return None

    @staticmethod
    def _none_yet(store: ProfileStore) -> bool:
        try:
            return store.latest() is None
        except ProfileDamaged:
            return True
