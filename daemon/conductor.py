"""Carries a script through: journal the intent, act, journal the answer, feed it back; resume after a crash.

A fresh run and a resumed one take the same way: replay what is recorded (nothing, at first), restore the
mechanics where they are uncertain, and go on. Every way out halts what moves.
"""

from __future__ import annotations

import contextlib
import threading
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import metadata
from typing import Any

from daemon.faults import Faults, NoFaults
from daemon.gates import Gates
from daemon.holding import Glimpse, Holding
from daemon.journal import Journal, RunRecord, RunState
from daemon.journal_file import JournalUnwritable
from daemon.ledger import Ledger
from daemon.live import Live
from daemon.performer import Hands, Performer, RunStopped
from daemon.replay import Frontier, JournalDisagrees, replay
from routines.scripts.catalogue import ROUTINES, Routine, parameters_to_dict, script_from_dict
from routines.scripts.common import TrainFacts
from routines.steps import Answer, Observe, Script, Seen, Step, answer_from_dict, answer_to_dict, step_to_dict

CUT_SHORT = frozenset({"held_too_long", "dew"})
_RECORDED_PACKAGES = ("drawtube", "numpy", "scipy", "astropy", "sep", "pyserial")


@dataclass(frozen=True, slots=True)
class RunEnd:
    """How a run ended, with everything that was seen on the way."""

    run_id: str
    state: RunState
    result: dict[str, Any]
    ledger: Ledger


class Conductor:
    """Runs one script at a time on one set of hands; ``stop``, ``hold`` and ``resume`` from any thread."""

    def __init__(
        self,
        journal: Journal,
        hands: Hands,
        gates: Gates,
        live: Live | None = None,
        faults: Faults | None = None,
        glimpse_every_s: float = 30.0,
    ) -> None:
        self.live = live or Live()
        self._journal = journal
        self._hands = hands
        self._gates = gates
        self._faults = faults or NoFaults()
        self._glimpse_every_s = glimpse_every_s
        self._stop = threading.Event()
        self._held = threading.Event()
        self._left = False
        self._run_id: str | None = None
        self._performer: Performer | None = None

    def begin(
        self,
        routine: Routine,
        facts: TrainFacts,
        how: Any,
        config_hash: str,
        run_id: str | None = None,
        found: dict[str, Any] | None = None,
    ) -> str:
        """Record a new run, or one that was asked for under an id, and return its id; nothing moves yet.

        ``found`` tells where the rig stood, for whoever leaves it there again.
        """
        run = RunRecord(
            id=run_id or new_run_id(),
            routine=routine.name,
            script_version=routine.version,
            parameters=parameters_to_dict(facts, how) | ({} if found is None else {"found": found}),
            config_hash=config_hash,
            packages=_package_versions(),
            created=self._hands.clock.now().isoformat(),
        )
        self._journal.begin_run(run)
        return run.id

    def carry_on(self, run_id: str) -> RunEnd:
        """Carry a run from where its journal ends to its end.

        Raises `JournalDisagrees` before anything moves when the routine has changed since, DeviceError when
        the mechanics cannot be brought back, and `RunStopped` after `leave`; the run can then be taken up
        again later.
        """
        run = self._journal.run(run_id)
        script = _script_of(run)
        ledger = Ledger()
        performer = self._performer = Performer(self._hands, ledger, self.live, self._stop)
        try:
            frontier = replay(script, self._journal.steps(run_id), ledger)
            self._enter(run)
            if frontier.number > 0 or frontier.pending:
                performer.restore(pending=frontier.step if frontier.pending else None)
            result = self._perform(run_id, script, frontier, performer, ledger)
            return self._end(run_id, _state_of(result, ledger), result, ledger)
        except RunStopped as stopped:
            performer.halt()  # before anything is written: a disk may take its time
            if self._left:
                self._journal.forgive_start(run_id)
                raise
            return self._end(run_id, "stopped", {"outcome": "stopped", "message": str(stopped)}, ledger)
        finally:
            performer.halt()
            script.close()
            self.live.update(state="idle", shut=())
            self._run_id = self._performer = None

    def stop(self) -> None:
        """End the run now; the halt goes out from here, whatever the run's own thread is waiting for.

        That may be a camera's command, a worker or a slow disk; the thread halts once more on its way out.
        """
        self._stop.set()
        performer = self._performer
        if performer is not None:
            performer.halt()
        self.live.update(state="stopping")

    def leave(self) -> None:
        """Halt now and leave the run as it is, to be taken up by a later start of the program."""
        self._left = True
        self._stop.set()

    def hold(self) -> None:
        """Keep the run from its next step until `resume`; survives a restart."""
        self._held.set()
        self._record_hold(held=True)

    def resume(self) -> None:
        """Let a held run go on."""
        self._held.clear()
        self._record_hold(held=False)

    def _record_hold(self, *, held: bool) -> None:
        run_id = self._run_id
        if run_id is not None:
            self._journal.set_operator_hold(run_id, held)

    def _enter(self, run: RunRecord) -> None:
        self._run_id = run.id
        if run.operator_hold:
            self._held.set()
        if self._held.is_set():
            self._journal.set_operator_hold(run.id, True)
        self._journal.count_start(run.id)
        self.live.update(state="running", run_id=run.id, routine=run.routine, fraction=0.0)

    def _perform(
        self, run_id: str, script: Script, frontier: Frontier, performer: Performer, ledger: Ledger
    ) -> dict[str, Any]:
        """Go from the frontier to the script's end and return its result."""
        holding = Holding(
            self._gates,
            self._hands.clock,
            self.live,
            self._stop,
            self._held.is_set,
            self._glimpse_every_s,
            self._journal.holds(run_id),
            partial(self._keep_holds, run_id),
        )
        by_a_person = partial(holding.wait, None)
        if frontier.step is None:
            return _with_holds(frontier.result or {}, holding)
        for seen in ledger.observations:
            self._gates.note(seen)
        number, step = frontier.number, frontier.step
        try:
            while True:
                failure = holding.wait(_glimpse(performer, step))
                act = _answering(failure) if failure else partial(performer.carry_out, held=by_a_person)
                answer = self._journaled(run_id, number, step, act)
                ledger.note(step, answer)
                if isinstance(answer, Seen):
                    self._gates.note(answer.observation)
                self.live.update(step=number, observations=len(ledger.observations))
                self.live.tell("step", number=number, step=step_to_dict(step), answer=answer_to_dict(answer))
                number += 1
                step = script.send(answer)
        except StopIteration as end:
            return _with_holds(end.value or {}, holding)

    def _keep_holds(self, run_id: str, holds: Sequence[dict[str, Any]]) -> None:
        """Write holds down; a disk that does not take that is no reason to end the run."""
        with contextlib.suppress(JournalUnwritable):
            self._journal.keep_holds(run_id, holds)

    def _journaled(self, run_id: str, number: int, step: Step, act: Callable[[Step], Answer]) -> Answer:
        """Write the intent, act, write the answer, and return it as the journal will tell it."""
        now = self._hands.clock.now
        self._journal.intend(run_id, number, step_to_dict(step), now())
        self._faults.reach("intended", number)
        answer = act(step)
        self._faults.reach("acted", number)
        recorded = self._journal.answer(run_id, number, answer_to_dict(answer), now())
        self._faults.reach("answered", number)
        return answer_from_dict(recorded)

    def _end(self, run_id: str, state: RunState, result: dict[str, Any], ledger: Ledger) -> RunEnd:
        self._journal.end_run(run_id, state, result, self._hands.clock.now())
        self.live.tell("end", state=state, result=result)
        return RunEnd(run_id, state, result, ledger)


def new_run_id() -> str:
    """Return an id for a run that nobody else has."""
    return uuid.uuid4().hex[:12]


def _glimpse(performer: Performer, step: Step) -> Glimpse | None:
    """Return how to look without observing, before a look; None before any other step."""
    return partial(performer.glimpse, step) if isinstance(step, Observe) else None


def _with_holds(result: dict[str, Any], holding: Holding) -> dict[str, Any]:
    return {**result, "holds": holding.holds} if holding.holds else result


def _answering(answer: Answer) -> Callable[[Step], Answer]:
    return lambda step: answer


def _script_of(run: RunRecord) -> Script:
    routine = ROUTINES.get(run.routine)
    if routine is None:
        raise JournalDisagrees(
            f"run {run.id} is of routine {run.routine!r}, which this version does not have"
        )
    if routine.version != run.script_version:
        raise JournalDisagrees(
            f"run {run.id} was begun with version {run.script_version} of {run.routine}; this program has "
            f"version {routine.version}. Finish it with the program that began it, or start anew."
        )
    return script_from_dict(routine, run.parameters)


def _state_of(result: dict[str, Any], ledger: Ledger) -> RunState:
    """Return done, or partial where a run that failed still found a number, or failed.

    A run that sky or night cut short ends with what it has: any measured look may still tell something.
    """
    if result.get("outcome") == "done":
        return "done"
    if result.get("code") == "does_not_follow":
        return "failed"  # the looks no longer mean what a fit would make of them
    if result.get("code") in CUT_SHORT and any(seen.measured for seen in ledger.observations):
        return "partial"
    known = ledger.latest_estimate
    numbers = known.numbers.values() if known is not None else ()
    found = any(isinstance(entry, dict) and entry.get("value") is not None for entry in numbers)
    return "partial" if found else "failed"


def cut_short(end: RunEnd) -> str | None:
    """Return why sky or night ended a run before its routine did, None where they did not."""
    return str(end.result.get("message")) if end.result.get("code") in CUT_SHORT else None


def _package_versions() -> dict[str, str]:
    versions = {}
    for name in _RECORDED_PACKAGES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return versions
