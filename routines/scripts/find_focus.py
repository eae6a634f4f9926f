"""Find best focus with the mask from wherever the focuser stands.

Two looks on one engaged flank give the slope and its sign; then it is a walk along a straight line. What
the optics predict for the slope only sizes the first stride.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import hypot
from statistics import median
from typing import Any

from routines.observations import Observation
from routines.scripts.common import (
    Focus,
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    glance,
    look,
    look_and_go,
    masked,
    select,
    travel,
    why_unseen,
)
from routines.steps import Remark, Script, Travel

VERSION = 5

_CAUSES = (
    "In the order worth checking: the drawtube is locked; the motor's coupling is loose; the grease is "
    "frozen or the load too heavy; the drawtube is at its end stop."
)


@dataclass(frozen=True, slots=True)
class FindFocus:
    """How to search: strides in steps or in pixels of spike error, and when to give up.

    ``first_stride_steps`` and ``search_stride_steps`` are used where the slope is not known beforehand,
    ``first_stride_px`` and ``search_stride_reaches`` (in units of the reach) where it is. A search steps by
    less than the stretch over which a mask can be read, about four critical focus zones to either side.
    """

    first_stride_steps: float = 30.0
    first_stride_px: float = 0.8
    close_px: float = 0.15
    most_looks: int = 16
    search_stride_steps: float = 100.0
    search_stride_reaches: float = 4.0
    search_looks: int = 12
    longest_walk_px: float = 8.0


def find_focus(facts: TrainFacts, how: FindFocus | None = None) -> Script:
    """Return the routine's script; it ends with the focus position and the slope."""
    return concluded(_routine(facts, how or FindFocus()))


def _routine(facts: TrainFacts, how: FindFocus) -> Part[dict[str, Any]]:
    yield from masked()
    focus = yield from focus_found(facts, how)
    return {"position_steps": focus.position_steps, "slope_px_per_step": focus.slope_px_per_step}


def focus_found(facts: TrainFacts, how: FindFocus) -> Part[Focus]:
    """Walk to focus in the reference filter, on the final side; refuse with the reason where that fails."""
    yield Remark(0.0, "Looking for focus from where the focuser stands.")
    yield from select(facts.reference_filter)
    first, stands_steps = yield from _first_look(facts, how)
    second = yield from _second_look(facts, how, first, stands_steps)
    return (yield from _walk(facts, how, first, second))


def _come_to(facts: TrainFacts, position_steps: float, purpose: str) -> Part[None]:
    facts.require_approach_inside(position_steps, facts.play_bound_steps, purpose)
    yield from approach(position_steps, facts.final_side, facts.play_bound_steps)


def _reachable(facts: TrainFacts, position_steps: float) -> float:
    """Return the place nearest to a position that can be approached with the overshoot inside the limits."""
    low, high = facts.low_limit_steps, facts.high_limit_steps
    if facts.final_side > 0:
        low += facts.play_bound_steps
    else:
        high -= facts.play_bound_steps
    if low > high:
        facts.require_inside(low - facts.play_bound_steps, low + facts.play_bound_steps, "any approach")
    return min(max(position_steps, low), high)


def _first_look(facts: TrainFacts, how: FindFocus) -> Part[tuple[Observation, float]]:
    """Look where we stand, then further and further to both sides until something can be measured.

    Returns the look and where the motor stands after it.
    """
    start, stride = _reachable(facts, facts.start_position_steps), _search_stride_steps(facts, how)
    unseen: Observation | None = None
    visited: set[float] = set()
    for turn in range(how.search_looks + 1):
        away = (turn + 1) // 2 * stride * (1 if turn % 2 else -1)
        place = _reachable(facts, start + away)
        if place in visited:
            continue
        visited.add(place)
        yield from _come_to(facts, place, "the first look")
        # At the start a second try is worth its while; further away the next place is.
        if turn == 0:
            seen, stands_steps = yield from _look_and_stride(facts, how, place)
        else:
            seen, stands_steps = (yield from glance(facts.reference_filter)), place
        if seen.measured:
            return seen, stands_steps
        unseen = unseen or seen
    assert unseen is not None
    raise why_unseen(unseen)


def _look_and_stride(facts: TrainFacts, how: FindFocus, place: float) -> Part[tuple[Observation, float]]:
    """Look, and make the first stride meanwhile, which does not hang on what is seen.

    The first frame is the one that takes long to measure. Where it shows nothing, the second try is made
    at the stride's end.
    """
    onward = _onward(facts, how, place)
    if onward is None:
        return (yield from look(facts.reference_filter)), place
    seen = yield from look_and_go(facts.reference_filter, (onward,))
    if not seen.measured:
        seen = yield from glance(facts.reference_filter)
    return seen, onward.position_steps


def _onward(facts: TrainFacts, how: FindFocus, place: float) -> Travel | None:
    """Return the first stride from a place; None where it leads out of range."""
    end = place + facts.final_side * _stride_steps(facts, how)
    return Travel(float(round(end))) if facts.low_limit_steps <= end <= facts.high_limit_steps else None


def _search_stride_steps(facts: TrainFacts, how: FindFocus) -> float:
    if facts.expected_slope_px_per_step:
        return how.search_stride_reaches * facts.reach_px / abs(facts.expected_slope_px_per_step)
    return how.search_stride_steps


def _stride_steps(facts: TrainFacts, how: FindFocus) -> float:
    if facts.expected_slope_px_per_step:
        return max(1.0, how.first_stride_px / abs(facts.expected_slope_px_per_step))
    return how.first_stride_steps


def _differ(one: Observation, other: Observation) -> bool:
    """Tell whether two looks differ by more than their noise could explain."""
    assert one.value_px is not None and other.value_px is not None
    return abs(other.value_px - one.value_px) > max(0.1, 6.0 * hypot(one.u_px or 0.0, other.u_px or 0.0))


def _second_look(
    facts: TrainFacts, how: FindFocus, first: Observation, stands_steps: float
) -> Part[Observation]:
    """Go on in the same direction until the star answers; the slack was taken up before the first look."""
    stride = _stride_steps(facts, how)
    for _ in range(4):
        place = first.position_steps + facts.final_side * stride
        seen: Observation | None = None
        if facts.low_limit_steps <= place <= facts.high_limit_steps:
            # Never back: the slack would open.
            if facts.final_side * (round(place) - stands_steps) > 0.0:
                yield from travel(place)
            seen = yield from look(facts.reference_filter)
        if seen is None or not seen.measured:
            return (yield from _look_behind(facts, first, min(stride, _stride_steps(facts, how))))
        if _differ(first, seen):
            return seen
        stride *= 2.0
    raise Refused(
        "does_not_follow",
        f"the spike error stayed at {first.value_px:+.2f} px while the motor went {stride / 2.0:.0f} steps "
        f"in one direction, after its slack had been taken up. {_CAUSES}",
    )


def _look_behind(facts: TrainFacts, first: Observation, stride_steps: float) -> Part[Observation]:
    """Take the second look on the other side of the first, where going on leads out of range."""
    for factor in (1.0, 3.0):
        yield from _come_to(
            facts, first.position_steps - facts.final_side * factor * stride_steps, "the second look"
        )
        seen = yield from look(facts.reference_filter)
        if not seen.measured:
            raise why_unseen(seen)
        if _differ(first, seen):
            return seen
    raise Refused(
        "does_not_follow",
        f"the spike error stayed at {first.value_px:+.2f} px although the motor moved. {_CAUSES}",
    )


def _slope(one: Observation, other: Observation) -> float:
    assert one.value_px is not None and other.value_px is not None
    return (other.value_px - one.value_px) / (other.position_steps - one.position_steps)


def _middle_slope(looks: list[Observation]) -> float | None:
    """Return the middle of the slopes between every two looks that differ: one spoilt look moves it little.

    Theil (1950); Sen (1968), J. Am. Stat. Assoc. 63, 1379.
    """
    slopes = [
        _slope(one, other)
        for one, other in combinations(looks, 2)
        if one.position_steps != other.position_steps and _differ(one, other)
    ]
    return median(slopes) if slopes else None


def _walk(facts: TrainFacts, how: FindFocus, first: Observation, second: Observation) -> Part[Focus]:
    """Follow the straight line to zero, correcting the slope on the way."""
    here, slope, looks = second, _slope(first, second), [first, second]
    for _ in range(how.most_looks):
        assert here.value_px is not None
        if abs(here.value_px) <= max(how.close_px, 3.0 * (here.u_px or 0.0)):
            return Focus(here.position_steps - here.value_px / slope, slope, here.temperature_c)
        error = max(-how.longest_walk_px, min(how.longest_walk_px, here.value_px))
        yield from _come_to(
            facts, here.position_steps - error / slope, "best focus, as the looks predict it,"
        )
        seen = yield from look(facts.reference_filter)
        if not seen.measured:
            raise why_unseen(seen)
        looks.append(seen)
        slope = _middle_slope(looks) or slope
        here = seen
    raise Refused(
        "no_convergence",
        f"after {how.most_looks} looks the spike error is still {here.value_px:+.2f} px at "
        f"{here.position_steps:.0f} steps. The star may be drifting out of the frame, or the drawtube slips.",
    )
