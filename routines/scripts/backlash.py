"""Measure the play: passes that go one way, come back through the dead zone, and go the first way again.

Going in, out and in again keeps a steady drift of temperature from looking like play, and each pass the
first way looks at the same marker place, reached from the same side. Places are counted along the final side
from focus, so that one description serves both directions.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from statistics import fmean
from typing import Any

from routines.observations import Observation
from routines.scripts.common import (
    Focus,
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    estimate,
    look,
    overshoot_from,
    select,
    travel,
    why_unseen,
)
from routines.scripts.find_focus import FindFocus, focus_found
from routines.steps import Remark, Script

VERSION = 1

_CAUSES = (
    "No play that is plausible explains this. In the order worth checking: the drawtube is locked; the "
    "motor's coupling is loose; the grease is frozen or the load too heavy; the drawtube is at its end stop; "
    "the play bound in the config is too small."
)


@dataclass(frozen=True, slots=True)
class Backlash:
    """How many looks a pass takes, and how many passes are made.

    ``engaged_looks`` spread over the whole reach on an engaged flank (odd, so that one stands at the
    marker); ``dead_looks`` inside a dead zone whose width is known. ``passes`` is odd: it ends on the final
    side, at the marker's flank.
    """

    engaged_looks: int = 5
    dead_looks: int = 4
    passes: int = 3
    looks_per_bound: int = 10

    def __post_init__(self) -> None:
        if self.engaged_looks < 3 or self.engaged_looks % 2 == 0:
            raise ValueError(f"engaged_looks is odd and at least 3, not {self.engaged_looks}")
        if self.passes < 3 or self.passes % 2 == 0:
            raise ValueError(f"passes is odd and at least 3 (in, out, in), not {self.passes}")


@dataclass(frozen=True, slots=True)
class _Course:
    """The stretch of the passes: ``q`` counts steps along the final side from focus."""

    facts: TrainFacts
    focus: Focus

    @property
    def reach_steps(self) -> float:
        return max(4.0, self.facts.reach_px / abs(self.focus.slope_px_per_step))

    def position(self, q_steps: float) -> float:
        return self.focus.position_steps + self.facts.final_side * q_steps

    def motor_q(self, seen: Observation) -> float:
        return self.facts.final_side * (seen.position_steps - self.focus.position_steps)

    def tube_q(self, seen: Observation) -> float:
        assert seen.value_px is not None
        return self.facts.final_side * self.focus.place_steps(seen.value_px)

    def noise_q(self, *looks: Observation) -> float:
        return hypot(*(seen.u_px or 0.0 for seen in looks)) / abs(self.focus.slope_px_per_step)


def backlash(facts: TrainFacts, how: Backlash | None = None, search: FindFocus | None = None) -> Script:
    """Return the routine's script: find focus, then measure the play around it."""
    return concluded(_routine(facts, how or Backlash(), search or FindFocus()))


def _routine(facts: TrainFacts, how: Backlash, search: FindFocus) -> Part[dict[str, Any]]:
    focus = yield from focus_found(facts, search)
    overshoot = yield from backlash_passes(facts, focus, how, span=(0.2, 0.95))
    yield from approach(focus.position_steps, facts.final_side, overshoot)
    return {"position_steps": focus.position_steps, "overshoot_steps": overshoot}


def backlash_passes(
    facts: TrainFacts, focus: Focus, how: Backlash, *, span: tuple[float, float]
) -> Part[float]:
    """Make the passes in the reference filter and return the overshoot that takes up the slack from now on.

    ``span`` is the part of the whole run that this takes, for the remarks.
    """
    course = _Course(facts, focus)
    _require_room(course)
    yield from select(facts.reference_filter)
    yield Remark(span[0], "First pass over focus, on the final side.")
    last = yield from _engaged_pass(course, how)
    yield Remark(_part_of(span, 1, how.passes), "Coming back: through the dead zone, then past focus.")
    rough = yield from _discovering_pass(course, how, last)
    known = yield from estimate("backlash")
    for turn in range(2, how.passes):
        along = turn % 2 == 0
        yield Remark(_part_of(span, turn, how.passes), "Another pass, through the dead zone and past focus.")
        play = _play_or(known.numbers.get("backlash_steps"), rough)
        yield from _known_pass(course, how, play, along=along)
        known = yield from estimate("backlash")
    return overshoot_from(known, facts)


def _part_of(span: tuple[float, float], done: int, of: int) -> float:
    return span[0] + (span[1] - span[0]) * done / of


def _play_or(backlash_steps: dict[str, Any] | None, rough_steps: float) -> float:
    """Return the estimated play, or the one read off the passes where the fit cannot tell yet."""
    if backlash_steps is None or backlash_steps["value"] is None:
        return rough_steps
    return max(0.0, float(backlash_steps["value"]))


def _require_room(course: _Course) -> None:
    """Refuse before the first move when the passes, at the largest plausible play, leave the limits."""
    bound, reach = course.facts.play_bound_steps, course.reach_steps
    ends = sorted((course.position(-reach - bound), course.position(reach)))
    course.facts.require_inside(ends[0], ends[1], "measuring the backlash")


def _spread(reach_steps: float, count: int) -> list[float]:
    return [reach_steps * (2.0 * index / (count - 1) - 1.0) for index in range(count)]


def _seen(course: _Course, *, marker: bool = False) -> Part[Observation]:
    seen = yield from look(course.facts.reference_filter, marker=marker)
    if not seen.measured:
        raise why_unseen(seen)
    return seen


def _engaged_pass(course: _Course, how: Backlash) -> Part[Observation]:
    """Enter with the slack taken up by the bound, and look along the flank; return the last look."""
    facts, seen = course.facts, None
    for q in _spread(course.reach_steps, how.engaged_looks):
        if seen is None:
            yield from approach(course.position(q), facts.final_side, facts.play_bound_steps)
        else:
            yield from travel(course.position(q))
        seen = yield from _seen(course, marker=q == 0.0)
    assert seen is not None
    return seen


def _discovering_pass(course: _Course, how: Backlash, turn: Observation) -> Part[float]:
    """Go back by strides until the star has crossed to the other end; return the play, read off roughly.

    The first strides go through a dead zone of unknown width: nothing but the star tells where it ends.
    """
    reach, bound = course.reach_steps, course.facts.play_bound_steps
    stride = min(reach, max(reach / 2.0, bound / how.looks_per_bound))
    q, start = course.motor_q(turn), course.tube_q(turn)
    lags: list[float] = []
    while True:
        q -= stride
        _require_following(course, turn, q, stride, started=bool(lags))
        yield from travel(course.position(q))
        seen = yield from _seen(course)
        moved = start - course.tube_q(seen)
        if moved > max(0.15 * reach, 6.0 * course.noise_q(turn, seen)):
            lags.append(course.tube_q(seen) - course.motor_q(seen))
            stride = reach / 2.0
        if len(lags) >= 3 and course.tube_q(seen) <= -0.9 * reach:
            return max(0.0, fmean(lags[1:]))


def _require_following(
    course: _Course, turn: Observation, next_q: float, stride: float, *, started: bool
) -> None:
    """Refuse a drawtube that stays behind by more than any plausible play."""
    gone = course.motor_q(turn) - next_q
    room = 2.0 * course.reach_steps if started else 0.0
    if gone > course.facts.play_bound_steps + room + 2.0 * stride:
        raise Refused(
            "does_not_follow",
            f"after the reversal at {turn.position_steps:.0f} steps the motor went {gone - stride:.0f} steps "
            f"back, more than the play bound of {course.facts.play_bound_steps:.0f}, and the star "
            f"{'followed only in part' if started else 'did not respond'}. {_CAUSES}",
        )


def _known_pass(course: _Course, how: Backlash, play: float, *, along: bool) -> Part[None]:
    """Enter on the far flank, turn, and look inside the dead zone and then along the engaged flank.

    ``along`` goes the final side's way. The entry is an approach of its own, so that a pass can be taken up
    again from its entry.
    """
    facts, reach = course.facts, course.reach_steps
    way = 1.0 if along else -1.0
    lag = 0.0 if along else -play
    entry = -way * reach + (-play if along else 0.0)
    yield from approach(course.position(entry), int(-way) * facts.final_side, facts.play_bound_steps)
    for part in range(how.dead_looks):
        yield from travel(course.position(entry + way * play * (part + 0.5) / how.dead_looks))
        yield from _seen(course)
    for q in _spread(reach, how.engaged_looks):
        yield from travel(course.position(way * q + lag))
        yield from _seen(course, marker=along and q == 0.0)
