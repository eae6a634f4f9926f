"""What the motor has done so far, told from steps and answers alone, so that live and replay agree.

The ledger knows side, travel since the reversal and the number of the pass, and keeps the moves and looks
that a fit needs. Its moves are those of the script: moves that only restore a pass after a crash leave the
mechanics as they were and are not written down.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from routines.observations import INWARD, OUTWARD, SIDE_UNKNOWN, Move, Observation
from routines.steps import (
    Answer,
    Approach,
    Arrived,
    Estimated,
    Seen,
    Selected,
    Step,
    Travel,
    answers_to_parts,
    legs_of,
)

MotionStep = (Travel, Approach)


@dataclass(slots=True)
class Ledger:
    """The course of a run; positions are in steps, rising outward."""

    position_steps: float | None = None
    side: int = SIDE_UNKNOWN
    travel_steps: float = 0.0
    pass_id: int = 0
    filter: str | None = None
    moves: list[Move] = field(default_factory=list)
    observations: list[Observation] = field(default_factory=list)
    latest_estimate: Estimated | None = None
    course: list[Travel | Approach] = field(default_factory=list)

    def copy(self) -> Ledger:
        """Return a ledger that goes its own way from here."""
        own = (list(self.moves), list(self.observations), list(self.course))
        return replace(self, moves=own[0], observations=own[1], course=own[2])

    def note(self, step: Step, answer: Answer) -> None:
        """Take in an answered step: a look, then where the motor and the wheel went while it was measured."""
        for one, its_answer in answers_to_parts(step, answer):
            self._note_one(one, its_answer)

    def _note_one(self, step: Step, answer: Answer) -> None:
        if isinstance(step, MotionStep) and isinstance(answer, Arrived):
            self._note_motion(step, answer)
        elif isinstance(answer, Selected):
            self.filter = answer.filter
        elif isinstance(answer, Seen):
            self.observations.append(answer.observation)
        elif isinstance(answer, Estimated):
            self.latest_estimate = answer

    def arrival(self, step: Travel | Approach, position_steps: float) -> Arrived:
        """Return the answer to a motion that ended at a read-back position.

        After an approach the travel is at least its overshoot, whatever went before; that is what is told.
        """
        if isinstance(step, Approach):
            return Arrived(position_steps, step.side, step.overshoot_steps)
        side, travel, _ = self._after(position_steps)
        return Arrived(position_steps, side, travel)

    def to_restore(self) -> list[Travel | Approach]:
        """Return the motions that bring the slack back to what it is now: the entry, then its moves."""
        return list(self.course)

    def _after(self, position_steps: float) -> tuple[int, float, bool]:
        """Return side, travel since the reversal, and whether going there straight is a reversal."""
        if self.position_steps is None or position_steps == self.position_steps:
            return self.side, self.travel_steps, False
        gone = position_steps - self.position_steps
        side = OUTWARD if gone > 0 else INWARD
        if side == self.side:
            return side, self.travel_steps + abs(gone), False
        return side, abs(gone), True

    def _note_motion(self, step: Travel | Approach, arrived: Arrived) -> None:
        if isinstance(step, Approach):
            self.pass_id += 1
            self.course = [step]
        else:
            self.pass_id += int(self._after(arrived.position_steps)[2])
            self.course.append(step)
        number = len(self.observations)
        places = (*legs_of(step)[:-1], arrived.position_steps)
        self.moves.extend(Move(number, place) for place in places)
        self.position_steps = arrived.position_steps
        self.side = arrived.side
        self.travel_steps = arrived.travel_since_reversal_steps
