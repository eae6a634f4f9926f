"""The whole job in one night: find focus, measure the play, every filter's offset, and prove the numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from routines.scripts.backlash import Backlash, backlash_passes
from routines.scripts.common import (
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    estimate,
    overshoot_from,
)
from routines.scripts.find_focus import FindFocus, focus_found
from routines.scripts.offsets import Offsets, offset_sweeps
from routines.scripts.proof import Proof, proof_looks
from routines.steps import Await, Failed, Remark, Script

VERSION = 1


@dataclass(frozen=True, slots=True)
class Characterise:
    """The parts' own parameters, and how long to wait for the mask."""

    search: FindFocus = field(default_factory=FindFocus)
    backlash: Backlash = field(default_factory=Backlash)
    offsets: Offsets = field(default_factory=Offsets)
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
    overshoot = yield from backlash_passes(facts, focus, how.backlash, span=(0.08, 0.4))
    unseen = yield from offset_sweeps(facts, focus, how.offsets, overshoot, span=(0.4, 0.88))
    known = yield from estimate("all")
    overshoot = overshoot_from(known, facts)
    proof = yield from proof_looks(facts, focus, known, overshoot, how.proof, span=(0.88, 0.99))
    final = _final_position(known.numbers, facts, focus.position_steps)
    yield from approach(final, facts.final_side, overshoot)
    yield Remark(1.0, "Done: the focuser stands at the reference filter's focus. Take the mask off.")
    return {"position_steps": final, "overshoot_steps": overshoot, "unseen_filters": unseen, "proof": proof}


def _final_position(numbers: dict[str, Any], facts: TrainFacts, found_steps: float) -> float:
    """Return the reference filter's crossing on the final side, or the place the search ended at."""
    branch = "outward" if facts.final_side > 0 else "inward"
    crossing = numbers.get(f"crossing_{branch}_steps.{facts.reference_filter}")
    if crossing is None or crossing["value"] is None:
        return found_steps
    return float(crossing["value"])
