"""The whole job in one night: find focus, measure the play, every filter's offset, and prove the numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from routines.observations import INWARD, OUTWARD
from routines.scripts.adaptive import Targets, looks_by_choice
from routines.scripts.backlash import marker_look
from routines.scripts.common import (
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    estimate,
    overshoot_from,
)
from routines.scripts.course import Course
from routines.scripts.find_focus import FindFocus, focus_found
from routines.scripts.flanks import Flanks, play_found
from routines.scripts.offsets import every_filter_twice
from routines.scripts.proof import Proof, proof_looks
from routines.steps import Await, Failed, Remark, Script

VERSION = 2


@dataclass(frozen=True, slots=True)
class Characterise:
    """The parts' own parameters, and how long to wait for the mask."""

    search: FindFocus = field(default_factory=FindFocus)
    flanks: Flanks = field(default_factory=Flanks)
    targets: Targets = field(default_factory=Targets)
    proof: Proof = field(default_factory=Proof)
    mask_at_most_s: float = 900.0


def characterise(facts: TrainFacts, how: Characterise | None = None) -> Script:
    """Return the routine's script; it ends at the reference filter's focus, on the final side."""
    return concluded(_routine(facts, how or Characterise()))


def _routine(facts: TrainFacts, how: Characterise) -> Part[dict[str, Any]]:
    answer = yield Await("mask_on", how.mask_at_most_s)
    if isinstance(answer, Failed):
        raise Refused(answer.code, answer.message)
    focus = yield from focus_found(facts, how.search)
    course = Course(facts, focus, facts.play_bound_steps, "characterising the focus train")
    yield Remark(0.08, "Coming from the other side, through the dead zone and back.")
    yield from play_found(course, how.flanks)
    known = yield from estimate("backlash")
    course.learn(known)
    seen = yield from every_filter_twice(course, span=(0.25, 0.45))
    reached = yield from looks_by_choice(
        course, how.targets, ("backlash", "offsets"), seen, (INWARD, OUTWARD), span=(0.45, 0.85)
    )
    last = yield from marker_look(course)
    known = yield from estimate("all")
    overshoot = overshoot_from(known, facts)
    proof = yield from proof_looks(
        facts, focus, known, overshoot, how.proof, span=(0.88, 0.99), temperature_c=last.temperature_c
    )
    final = _final_position(known.numbers, facts, focus.position_steps)
    yield from approach(final, facts.final_side, overshoot)
    yield Remark(1.0, "Done: the focuser stands at the reference filter's focus. Take the mask off.")
    return {
        "position_steps": final,
        "overshoot_steps": overshoot,
        "unseen_filters": [name for name in facts.filters if name not in seen],
        "targets": reached.as_dict(),
        "proof": proof,
    }


def _final_position(numbers: dict[str, Any], facts: TrainFacts, found_steps: float) -> float:
    """Return the reference filter's crossing on the final side, or the place the search ended at."""
    branch = "outward" if facts.final_side > 0 else "inward"
    crossing = numbers.get(f"crossing_{branch}_steps.{facts.reference_filter}")
    if crossing is None or crossing["value"] is None:
        return found_steps
    return float(crossing["value"])
