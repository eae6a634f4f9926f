"""Bringing a script back to where its journal ends, by feeding it the recorded answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from daemon.journal import StepRecord
from daemon.ledger import Ledger
from routines.steps import Script, Step, answer_from_dict, step_from_dict, step_to_dict


class JournalDisagrees(Exception):
    """The script no longer asks for what was recorded: finish the run with the version that began it."""


@dataclass(frozen=True, slots=True)
class Frontier:
    """Where a script stands: its next step, or its result when it has ended.

    ``pending`` tells that the step's intent is journaled and its answer is not: it may have been done, in
    part or in full.
    """

    number: int
    step: Step | None
    result: dict[str, Any] | None
    pending: bool


def replay(script: Script, recorded: Sequence[StepRecord], ledger: Ledger) -> Frontier:
    """Feed a fresh script its recorded answers and return its frontier; the ledger follows along.

    Raises `JournalDisagrees`, naming both steps, where the script asks for another one than was recorded.
    """
    number = 0
    try:
        step = next(script)
        for record in recorded:
            _require_same(number, step, record)
            if record.answer is None:
                return Frontier(number, step, None, pending=True)
            answer = answer_from_dict(record.answer)
            ledger.note(step, answer)
            number += 1
            step = script.send(answer)
    except StopIteration as end:
        if number < len(recorded):
            raise JournalDisagrees(
                f"the script ends after step {number - 1}, but the journal goes on with "
                f"{_named(recorded[number].step)}"
            ) from None
        return Frontier(number, None, end.value, pending=False)
    return Frontier(number, step, None, pending=False)


def _require_same(number: int, asked: Step, record: StepRecord) -> None:
    if record.number != number:
        raise JournalDisagrees(f"the journal has no step {number}; it goes on with step {record.number}")
    try:
        same = step_from_dict(record.step) == asked
    except (KeyError, TypeError):
        same = False
    if not same:
        raise JournalDisagrees(
            f"at step {number} the journal has {_named(record.step)} but the script asks for "
            f"{_named(step_to_dict(asked))}; the run cannot be resumed with this version of the routine"
        )


def _named(step: dict[str, Any]) -> str:
    inside = ", ".join(f"{name}={value!r}" for name, value in step.items() if name != "kind")
    return f"{step.get('kind', 'an unnamed step')}({inside})"
