"""Measure how far each filter's focus lies from the reference filter's: every filter at every place.

All on the final side. At each place the filters are taken in turn and the order is reversed from place to
place, so that a steady drift of temperature cancels between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from routines.observations import Observation
from routines.scripts.common import (
    Focus,
    Part,
    TrainFacts,
    approach,
    concluded,
    estimate,
    look,
    select,
    travel,
)
from routines.scripts.find_focus import FindFocus, focus_found
from routines.steps import Remark, Script

VERSION = 1


@dataclass(frozen=True, slots=True)
class Offsets:
    """How many places are visited in one sweep, and how often the sweep is made."""

    places: int = 4
    sweeps: int = 2

    def __post_init__(self) -> None:
        if self.places < 2 or self.sweeps < 1:
            raise ValueError("at least two places and one sweep are needed")


def offsets(facts: TrainFacts, how: Offsets | None = None, search: FindFocus | None = None) -> Script:
    """Return the routine's script: find focus, then look through every filter around it."""
    return concluded(_routine(facts, how or Offsets(), search or FindFocus()))


def _routine(facts: TrainFacts, how: Offsets, search: FindFocus) -> Part[dict[str, Any]]:
    focus = yield from focus_found(facts, search)
    unseen = yield from offset_sweeps(facts, focus, how, facts.play_bound_steps, span=(0.2, 0.95))
    yield from estimate("offsets")
    yield from approach(focus.position_steps, facts.final_side, facts.play_bound_steps)
    return {"position_steps": focus.position_steps, "unseen_filters": unseen}


def offset_sweeps(
    facts: TrainFacts,
    focus: Focus,
    how: Offsets,
    overshoot_steps: float,
    *,
    span: tuple[float, float],
) -> Part[list[str]]:
    """Make the sweeps and return the filters in which nothing could be measured.

    The first place of the first sweep tells roughly where each filter's focus lies; the later places spread
    over all of them.
    """
    reach = max(4.0, facts.reach_px / abs(focus.slope_px_per_step))
    along = facts.final_side
    ends = (focus.position_steps - along * reach, focus.position_steps + along * reach)
    order = _reference_first(facts)
    seen: list[Observation] = []
    for sweep in range(how.sweeps):
        for index in range(how.places):
            done = (sweep * how.places + index) / (how.sweeps * how.places)
            yield Remark(span[0] + (span[1] - span[0]) * done, "Every filter in turn, place by place.")
            place = ends[0] + (ends[1] - ends[0]) * index / (how.places - 1)
            yield from _come_to(facts, place, overshoot_steps, entering=index == 0)
            seen += yield from _all_filters(order)
            order = order[::-1]
            if sweep == 0 and index == 0:
                ends = (ends[0], _far_end(facts, focus, seen, ends[1], reach))
        ends = _both_ends(facts, focus, seen, ends, reach)
    measured = {look_.filter for look_ in seen if look_.measured}
    return [name for name in facts.filters if name not in measured]


def _reference_first(facts: TrainFacts) -> tuple[str, ...]:
    others = tuple(name for name in facts.filters if name != facts.reference_filter)
    return (facts.reference_filter, *others)


def _come_to(facts: TrainFacts, place_steps: float, overshoot_steps: float, *, entering: bool) -> Part[None]:
    if entering:
        facts.require_approach_inside(place_steps, overshoot_steps, "the sweep over all filters")
        yield from approach(place_steps, facts.final_side, overshoot_steps)
    else:
        facts.require_inside(place_steps, place_steps, "the sweep over all filters")
        yield from travel(place_steps)


def _all_filters(order: tuple[str, ...]) -> Part[list[Observation]]:
    looks = []
    for name in order:
        yield from select(name)
        looks.append((yield from look(name)))
    return looks


def _crossings(focus: Focus, seen: list[Observation]) -> list[float]:
    """Return where each measured look puts its filter's focus, by the common slope."""
    return [one.position_steps - focus.place_steps(one.value_px) for one in seen if one.value_px is not None]


def _far_end(
    facts: TrainFacts, focus: Focus, seen: list[Observation], planned: float, reach_steps: float
) -> float:
    """Return the sweep's last place: half a reach past the farthest filter's focus, within the limits."""
    side = facts.final_side
    farthest = max((side * place for place in _crossings(focus, seen)), default=side * planned)
    wanted = side * max(farthest + 0.5 * reach_steps, side * focus.position_steps + 0.5 * reach_steps)
    return min(max(wanted, facts.low_limit_steps), facts.high_limit_steps)


def _both_ends(
    facts: TrainFacts, focus: Focus, seen: list[Observation], ends: tuple[float, float], reach_steps: float
) -> tuple[float, float]:
    """Return the later sweeps' ends: half a reach past the outermost foci, as the first sweep saw them."""
    side, places = facts.final_side, _crossings(focus, seen)
    if not places:
        return ends
    near = min(side * place for place in places) - 0.5 * reach_steps
    return (side * min(near, side * focus.position_steps - 0.5 * reach_steps), ends[1])
