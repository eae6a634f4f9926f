"""Measure the play: find the other flank, look through the dead zone, then look where it helps most.

The looks go from side to side, final side first and last, so that a steady drift of temperature does not
look like play, and the first and the last look stand at the same marker place, reached from the same side.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from routines.observations import INWARD, OUTWARD, Observation
from routines.scripts.adaptive import Reached, Targets, looks_by_choice
from routines.scripts.common import Part, TrainFacts, approach, concluded, estimate, masked, overshoot_from
from routines.scripts.course import Course
from routines.scripts.find_focus import FindFocus, focus_found
from routines.scripts.flanks import Flanks, play_found
from routines.steps import Remark, Script

VERSION = 3


@dataclass(frozen=True, slots=True)
class Backlash:
    """How the play is found, and when it is known well enough."""

    flanks: Flanks = field(default_factory=Flanks)
    targets: Targets = field(default_factory=Targets)


def backlash(facts: TrainFacts, how: Backlash | None = None, search: FindFocus | None = None) -> Script:
    """Return the routine's script: find focus, then measure the play around it."""
    return concluded(_routine(facts, how or Backlash(), search or FindFocus()))


def _routine(facts: TrainFacts, how: Backlash, search: FindFocus) -> Part[dict[str, Any]]:
    yield from masked()
    focus = yield from focus_found(facts, search)
    course = Course(facts, focus, facts.play_bound_steps, "measuring the backlash")
    yield Remark(0.2, "Coming from the other side, through the dead zone and back.")
    yield from play_found(course, how.flanks)
    reached = yield from backlash_looks(course, how.targets, span=(0.4, 0.95))
    overshoot = overshoot_from(reached.known, facts)
    yield from approach(focus.position_steps, facts.final_side, overshoot)
    return {
        "position_steps": focus.position_steps,
        "overshoot_steps": overshoot,
        "targets": reached.as_dict(),
    }


def backlash_looks(course: Course, targets: Targets, *, span: tuple[float, float]) -> Part[Reached]:
    """Look from both sides in the reference filter until the backlash is known; end at the marker."""
    reference = course.facts.reference_filter
    reached = yield from looks_by_choice(
        course, targets, ("backlash",), (reference,), (INWARD, OUTWARD), span=span
    )
    yield from marker_look(course)
    return Reached((yield from estimate("backlash")), reached.answer)


def marker_look(course: Course) -> Part[Observation]:
    """Look once more where the first look on the final side stood: what moved meanwhile is not play."""
    yield from course.come_to(course.position(0.0), course.facts.final_side)
    return (yield from course.see(course.facts.reference_filter, marker=True))
