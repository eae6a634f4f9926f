"""How far is the mask's focus from the narrowest star? Every filter with the mask, and again without it.

Both are looked at from the final side, a few minutes apart, so that neither play nor cooling comes between.
The difference belongs to the telescope and its filters: with it a check by width can tell whether a profile
made with the mask still holds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from routines.observations import Method
from routines.scripts.common import (
    Focus,
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    estimate,
    look,
    number_of,
    select,
    travel,
)
from routines.scripts.find_focus import FindFocus, focus_found
from routines.steps import Await, Failed, Remark, Script

VERSION = 1

# Where the looks are, in reaches: the mask's reach, and twice that for the widths.
_MASK_PLACES = (-0.9, -0.3, 0.3, 0.9)
_WIDTH_PLACES = (-1.0, -0.6, -0.25, 0.25, 0.6, 1.0)
_WIDTH_REACHES = 2.0


@dataclass(frozen=True, slots=True)
class MaskAndWidth:
    """How focus is searched, and how long to wait for the mask to be put on or taken off."""

    search: FindFocus = field(default_factory=FindFocus)
    mask_at_most_s: float = 900.0


def mask_and_width(facts: TrainFacts, how: MaskAndWidth | None = None) -> Script:
    """Return the routine's script; it ends with each filter's difference, at the mask's focus."""
    return concluded(_routine(facts, how or MaskAndWidth()))


def _routine(facts: TrainFacts, how: MaskAndWidth) -> Part[dict[str, Any]]:
    yield from _awaited("mask_on", how)
    focus = yield from focus_found(facts, how.search)
    reach = max(4.0, facts.reach_px / abs(focus.slope_px_per_step))
    yield Remark(0.25, "Every filter with the mask, on both sides of focus.")
    yield from _sweep(facts, focus, reach, _MASK_PLACES, "mask")
    yield Remark(0.5, "Now without the mask.")
    yield from _awaited("mask_off", how)
    yield from _sweep(facts, focus, _WIDTH_REACHES * reach, _WIDTH_PLACES, "width")
    known = yield from estimate("width")
    found = {name: number_of(known, f"mask_minus_width_steps.{name}") for name in facts.filters}
    yield from select(facts.reference_filter)
    yield from approach(focus.position_steps, facts.final_side, facts.play_bound_steps)
    yield Remark(1.0, "Done: the focuser stands at the mask's focus.")
    if not any(found.values()):
        raise Refused(
            "not_identifiable",
            "no filter showed a focus both with the mask and without it: see the report",
        )
    return {"position_steps": focus.position_steps, "mask_minus_width": found}


def _awaited(condition: str, how: MaskAndWidth) -> Part[None]:
    answer = yield Await(condition, how.mask_at_most_s)
    if isinstance(answer, Failed):
        raise Refused(answer.code, answer.message)


def _sweep(
    facts: TrainFacts, focus: Focus, reach: float, shares: tuple[float, ...], method: Method
) -> Part[None]:
    """Look through every filter at each place of one pass; the order turns round from place to place."""
    places = [focus.position_steps + facts.final_side * share * reach for share in shares]
    facts.require_approach_inside(places[0], facts.play_bound_steps, "the sweep over all filters")
    facts.require_inside(min(places), max(places), "the sweep over all filters")
    order = facts.filters
    for index, place in enumerate(places):
        if index == 0:
            yield from approach(place, facts.final_side, facts.play_bound_steps)
        else:
            yield from travel(place)
        for name in order:
            yield from select(name)
            yield from look(name, method=method)
        order = order[::-1]
