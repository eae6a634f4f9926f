"""Measure how far each filter's focus lies from the reference filter's.

Every filter is looked through at two places of one pass, the wheel going to and fro, so that a steady drift
of temperature cancels between them; then the looks go where they help most.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any

from routines.errand import Place
from routines.scripts.adaptive import Targets, looks_by_choice
from routines.scripts.common import Part, TrainFacts, approach, concluded, masked, why_unseen
from routines.scripts.course import Course
from routines.scripts.find_focus import FindFocus, focus_found
from routines.steps import Remark, Script

VERSION = 4

# Places of the two first rounds, in reaches along the final side, and where a filter is sought that showed
# nothing there.
_FIRST_PLACES = (-0.45, 0.45)
_FURTHER_PLACES = (-2.2, 2.2)


@dataclass(frozen=True, slots=True)
class Offsets:
    """When the offsets are known well enough."""

    targets: Targets = field(default_factory=Targets)


def offsets(facts: TrainFacts, how: Offsets | None = None, search: FindFocus | None = None) -> Script:
    """Return the routine's script: find focus, then look through every filter around it."""
    return concluded(_routine(facts, how or Offsets(), search or FindFocus()))


def _routine(facts: TrainFacts, how: Offsets, search: FindFocus) -> Part[dict[str, Any]]:
    yield from masked()
    focus = yield from focus_found(facts, search)
    course = Course(facts, focus, facts.play_bound_steps, "the looks through all filters")
    seen = yield from every_filter_twice(course, span=(0.2, 0.5))
    reached = yield from looks_by_choice(
        course, how.targets, ("offsets",), seen, (facts.final_side,), span=(0.5, 0.95)
    )
    yield from approach(focus.position_steps, facts.final_side, facts.play_bound_steps)
    return {
        "position_steps": focus.position_steps,
        "unseen_filters": [name for name in facts.filters if name not in seen],
        "targets": reached.as_dict(),
    }


def every_filter_twice(course: Course, *, span: tuple[float, float]) -> Part[tuple[str, ...]]:
    """Look through every filter at two places of one pass; return those in which something was measured."""
    facts = course.facts
    order = (facts.reference_filter, *(name for name in facts.filters if name != facts.reference_filter))
    places = [
        Place(name, course.position(part * course.reach_steps), facts.final_side)
        for part, names in zip(_FIRST_PLACES, (order, order[::-1]), strict=True)
        for name in names
    ]
    measured: set[str] = set()
    for number, (place, onward) in enumerate(zip_longest(places, places[1:])):
        if number % len(order) == 0:
            share = number / len(places)
            yield Remark(span[0] + (span[1] - span[0]) * share, "Every filter in turn, to and fro.")
        seen = yield from course.visit(place, onward)
        if seen.measured:
            measured.add(place.filter)
        elif onward is None and place.filter not in measured:
            raise why_unseen(seen)  # the reference filter: it is the first and the last
    for part in _FURTHER_PLACES:
        yield from _seek(course, part, [name for name in order if name not in measured], measured)
    return tuple(name for name in facts.filters if name in measured)


def _seek(course: Course, part: float, missing: list[str], measured: set[str]) -> Part[None]:
    """Look for filters further away, as far as the limits allow."""
    facts, place = course.facts, course.position(part * course.reach_steps)
    entry = place - facts.final_side * course.overshoot_steps
    if not missing or not all(facts.low_limit_steps <= p <= facts.high_limit_steps for p in (place, entry)):
        return
    yield from course.come_to(place, facts.final_side)
    for name in missing:
        seen = yield from course.see(name)
        if seen.measured:
            measured.add(name)
