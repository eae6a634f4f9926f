"""Look where the fit gains most, until every wanted interval is inside its target or the time is up.

The fit's answer names the looks (it is journaled, so a replay takes the same course); this script only goes
there. What is wanted how well is in `Targets`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from routines.errand import Errand, NextLooks
from routines.scripts.common import Part, Refused, estimate, number_of, why_unseen
from routines.scripts.course import CAUSES, Course
from routines.steps import Estimated, Remark

VERSION = 3

# What the fit says when nothing at all can be told, although the motor has gone past all the play both ways.
_NOT_FOLLOWING = {
    "does_not_follow": "the looks do not depend on where the motor stands",
    "all_in_dead_zone": "the looks do not depend on where the motor stands",
    "slopes_contradict": "the star went one way in some passes and the other way in others",
}
# A filter that gave nothing so often in a row is left alone.
_UNSEEN_AT_MOST = 3


@dataclass(frozen=True, slots=True)
class Targets:
    """When to stop: half-widths of the 95 % intervals, and sky seconds after focus has been found.

    ``offset_half_width_steps`` None is a sixteenth of the narrowest critical focus zone, at least a step;
    ``backlash_half_width_steps`` None is twice that. ``looks_at_once`` are made between two fits.
    """

    offset_half_width_steps: float | None = None
    backlash_half_width_steps: float | None = None
    budget_s: float = 2400.0
    looks_at_once: int = 8
    most_rounds: int = 16

    def __post_init__(self) -> None:
        if self.looks_at_once < 1 or self.most_rounds < 1 or self.budget_s <= 0.0:
            raise ValueError("looks_at_once, most_rounds and budget_s must be above zero")
        for wanted in (self.offset_half_width_steps, self.backlash_half_width_steps):
            if wanted is not None and wanted <= 0.0:
                raise ValueError(f"a half-width is above zero, not {wanted}")


@dataclass(frozen=True, slots=True)
class Reached:
    """How it ended: what is known, whether every target holds, and the half-widths against the targets."""

    known: Estimated
    answer: NextLooks

    def as_dict(self) -> dict[str, Any]:
        """Return what a run's result says of it."""
        return {
            "reached": self.answer.reached,
            "half_widths_steps": self.answer.half_widths_steps,
            "targets_steps": self.answer.targets_steps,
        }


def looks_by_choice(
    course: Course,
    targets: Targets,
    wants: Sequence[str],
    filters: Sequence[str],
    sides: Sequence[int],
    *,
    span: tuple[float, float],
) -> Part[Reached]:
    """Make the looks that the fit names, round by round; ``span`` is this part of the run, for remarks."""
    unseen: Counter[str] = Counter()
    want = " and ".join(wants)
    for turn in range(targets.most_rounds):
        kept = [name for name in filters if unseen[name] < _UNSEEN_AT_MOST]
        errand = _errand(course, targets, wants, kept, sides)
        known, answer = yield from _asked(course, want, errand)
        if answer.reached or not answer.looks:
            return Reached(known, answer)
        done = 1.0 - 0.6**turn
        yield Remark(span[0] + (span[1] - span[0]) * done, _words(answer))
        for place, onward in zip_longest(answer.looks, answer.looks[1:]):
            seen = yield from course.visit(place, onward)
            unseen[place.filter] = 0 if seen.measured else unseen[place.filter] + 1
            if unseen[course.facts.reference_filter] >= _UNSEEN_AT_MOST:
                raise why_unseen(seen)
    known, answer = yield from _asked(course, want, errand)
    return Reached(known, answer)


def _asked(course: Course, want: str, errand: Errand) -> Part[tuple[Estimated, NextLooks]]:
    """Return what is known and where to look next; refuses where the fit says that nothing follows."""
    known = yield from estimate(want, errand.as_dict())
    for code, words in _NOT_FOLLOWING.items():
        if code in known.flags and number_of(known, "slope_px_per_step") is None:
            raise Refused(
                "does_not_follow", f"{words}. {CAUSES}; or the mask was put back half a turn round meanwhile."
            )
    course.learn(known)
    found = known.numbers.get("next_looks")
    return known, NextLooks.from_dict(found) if isinstance(found, dict) else NextLooks()


def _errand(
    course: Course, targets: Targets, wants: Sequence[str], filters: Sequence[str], sides: Sequence[int]
) -> Errand:
    facts, pace = course.facts, course.facts.pace
    return Errand(
        wants=tuple(wants),
        filters=tuple(filters),
        reference_filter=facts.reference_filter,
        sides=tuple(sides),
        low_limit_steps=facts.low_limit_steps,
        high_limit_steps=facts.high_limit_steps,
        reach_px=facts.reach_px,
        zone_px=facts.zone_px,
        overshoot_steps=course.overshoot_steps,
        exposures_s=tuple(facts.exposure_s(name) for name in filters),
        readout_s=pace.readout_s,
        wheel_s=pace.wheel_s,
        settle_s=pace.settle_s,
        seconds_per_step=1.0 / pace.steps_per_s,
        left_s=max(0.0, targets.budget_s - course.spent_s),
        most_looks=max(targets.looks_at_once, len(filters)),
        at=course.at,
        offset_half_width_steps=targets.offset_half_width_steps,
        backlash_half_width_steps=targets.backlash_half_width_steps,
    )


def _words(answer: NextLooks) -> str:
    """Say which interval is the widest, and what is wanted of it."""
    ratio = {
        name: answer.half_widths_steps[name] / answer.targets_steps[name] for name in answer.targets_steps
    }
    widest = max(ratio, key=lambda name: ratio[name])
    kind, _, rest = widest.partition(".")
    name = f"offset {rest.partition('.')[0]}" if kind == "offset" else kind
    known, wanted = answer.half_widths_steps[widest], answer.targets_steps[widest]
    digits = 1 if f"{known:.1f}" != f"{wanted:.1f}" else 2
    return (
        f"Looking where it helps most: {name} is known to {known:.{digits}f} steps, "
        f"wanted to {wanted:.{digits}f}."
    )
