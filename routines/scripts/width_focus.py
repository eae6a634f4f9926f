"""Find best focus by star width, without a mask: from wherever the focuser stands, or about a known place.

A width has no sign, so focus is where looks on both sides of it are wider. All looks are reached from the
final side; a walk the other way is made of approaches. What the looks mean comes from the fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Any

from routines.observations import Observation
from routines.scripts.common import (
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    estimate,
    glance,
    number_of,
    select,
    travel,
)
from routines.steps import Await, Failed, Remark, Script

VERSION = 1

_USUAL_REACH_STEPS = 100.0
# One pass: two looks on each arm, in units of the reach, moving towards the final side.
_PASS = (-1.0, -0.45, 0.45, 1.0)
_FILL = (-0.7, 0.0, 0.7)
_BLIND_LOOKS, _LONGEST_STRIDE_REACHES = 6, 4.0


@dataclass(frozen=True, slots=True)
class FindFocusByWidth:
    """How far out to look and when to give up.

    ``reach_steps`` is how far from focus the outermost looks are (0: a few critical focus zones, where their
    size in steps can be told). ``wanted_u_steps`` is the standard uncertainty at which no more looks are
    taken (0: a twentieth of the reach). ``mask_at_most_s`` is how long to wait for a mask to be taken off.
    """

    reach_steps: float = 0.0
    wanted_u_steps: float = 0.0
    most_looks: int = 24
    most_walk_looks: int = 14
    mask_at_most_s: float = 900.0


@dataclass(frozen=True, slots=True)
class WidthFocus:
    """Where the stars are narrowest on the final side, how well that is known, and the last look's facts."""

    position_steps: float
    u_steps: float
    temperature_c: float | None
    looks: int


def find_focus_by_width(facts: TrainFacts, how: FindFocusByWidth | None = None) -> Script:
    """Return the routine's script; it ends with the focuser where the stars are narrowest."""
    return concluded(_routine(facts, how or FindFocusByWidth()))


def _routine(facts: TrainFacts, how: FindFocusByWidth) -> Part[dict[str, Any]]:
    yield Remark(0.0, "Looking for the narrowest stars from where the focuser stands.")
    yield from select(facts.reference_filter)
    reach = how.reach_steps or usual_reach_steps(facts)
    narrowest, taken = yield from _walk(facts, how, reach)
    yield Remark(0.5, "Focus lies between the looks: taking it on both sides.")
    found = yield from focus_about(facts, how, narrowest, reach, facts.play_bound_steps, taken=taken)
    yield from approach(found.position_steps, facts.final_side, facts.play_bound_steps)
    yield Remark(1.0, "Done: the focuser stands where the stars are narrowest.")
    return {"position_steps": found.position_steps, "u_steps": found.u_steps}


def usual_reach_steps(facts: TrainFacts) -> float:
    """Return how far out widths are looked at: twice as far as spike errors are."""
    if facts.expected_slope_px_per_step:
        return max(8.0, 2.0 * facts.reach_px / abs(facts.expected_slope_px_per_step))
    return _USUAL_REACH_STEPS


def focus_about(
    facts: TrainFacts,
    how: FindFocusByWidth,
    place_steps: float,
    reach_steps: float,
    overshoot_steps: float,
    *,
    taken: int = 0,
) -> Part[WidthFocus]:
    """Take looks on both sides of a place until focus is known well enough; refuse where that fails.

    When focus is not between the looks, the next ones are about the narrowest of them.
    """
    seen: list[Observation] = []
    wanted = how.wanted_u_steps or reach_steps / 20.0
    centre = place_steps
    shares: tuple[float, ...] = _PASS
    while True:
        seen += yield from _pass(facts, how, centre, reach_steps, overshoot_steps, shares)
        known = yield from estimate("width")
        minimum = number_of(known, f"width_minimum_{_branch(facts)}_steps.{facts.reference_filter}")
        enough = taken + len(seen) >= how.most_looks
        if minimum is not None and (minimum["u"] <= wanted or enough):
            return WidthFocus(minimum["value"], minimum["u"], seen[-1].temperature_c, len(seen))
        if enough:
            raise Refused(
                "no_convergence",
                f"after {taken + len(seen)} looks the star widths do not tell where focus is. The star may "
                "be drifting out of the frame, clouds may be passing, or the drawtube slips.",
            )
        centre, shares = _next_about(seen, minimum, reach_steps)


def _next_about(
    seen: list[Observation], minimum: dict[str, Any] | None, reach_steps: float
) -> tuple[float, tuple[float, ...]]:
    """Return where the next looks are taken: in the gaps about a known minimum, else about the narrowest."""
    if minimum is not None:
        return float(minimum["value"]), _FILL
    measured = [one for one in seen if one.value_px is not None]
    narrowest = min(measured, key=lambda one: one.value_px or 0.0)
    ends = sorted(one.position_steps for one in measured)
    # At an end the minimum lies beyond it: the looks already taken are one arm of it.
    if narrowest.position_steps == ends[0]:
        return ends[0] - 0.6 * reach_steps, _PASS
    if narrowest.position_steps == ends[-1]:
        return ends[-1] + 0.6 * reach_steps, _PASS
    return narrowest.position_steps, _FILL


def _branch(facts: TrainFacts) -> str:
    return "outward" if facts.final_side > 0 else "inward"


def _pass(
    facts: TrainFacts,
    how: FindFocusByWidth,
    centre: float,
    reach: float,
    overshoot: float,
    shares: tuple[float, ...],
) -> Part[list[Observation]]:
    """Look at places about a centre in one pass towards the final side."""
    looks = []
    places = [centre + facts.final_side * share * reach for share in shares]
    facts.require_approach_inside(places[0], overshoot, "looking on both sides of focus")
    facts.require_inside(min(places), max(places), "looking on both sides of focus")
    for index, place in enumerate(places):
        if index == 0:
            yield from approach(place, facts.final_side, overshoot)
        else:
            yield from travel(place)
        looks.append((yield from width_look(facts, how)))
    return looks


def width_look(facts: TrainFacts, how: FindFocusByWidth) -> Part[Observation]:
    """Take a look without the mask; refuse where it gives no width twice."""
    seen = yield from width_glance(facts, how)
    if not seen.measured:
        seen = yield from glance(facts.reference_filter, method="width")
    if not seen.measured:
        raise _why_no_width(seen)
    return seen


def width_glance(facts: TrainFacts, how: FindFocusByWidth) -> Part[Observation]:
    """Take a look without the mask; where a mask seems to be on, ask for it to be taken off and look again.

    A mask far from focus may not be told for certain: a star that is there and gives no width is taken for
    one behind a mask.
    """
    seen = yield from glance(facts.reference_filter, method="width")
    if seen.measured or "no_star" in seen.flags:
        return seen
    answer = yield Await("mask_off", how.mask_at_most_s)
    if isinstance(answer, Failed):
        raise Refused("mask_present", f"the star seems to be behind a mask, and {answer.message}")
    return (yield from glance(facts.reference_filter, method="width"))


def _why_no_width(seen: Observation) -> Refused:
    reasons = ", ".join(seen.flags) or "no reason given"
    code = next((flag for flag in seen.flags if flag in ("no_star", "mask_present")), "not_measured")
    return Refused(
        code,
        f"no star width could be measured in filter {seen.filter} at {seen.position_steps:.0f} steps, "
        f"counted outward ({reasons}). Check that the mask is off, the field holds unsaturated stars, and "
        "focus is not far away.",
    )


def _walk(facts: TrainFacts, how: FindFocusByWidth, reach: float) -> Part[tuple[float, int]]:
    """Walk down the widths until they rise again; return the narrowest place and the looks taken.

    A look that finds no star counts as wider than any. While none is found the places alternate about the
    start, further and further out.
    """
    side, start = facts.final_side, facts.start_position_steps
    seen: list[tuple[float, float]] = []
    place = start
    for turn in range(how.most_walk_looks):
        yield from _to(facts, place, seen[-1][0] if seen else None)
        one = yield from width_glance(facts, how)
        seen.append((one.position_steps, inf if one.value_px is None else one.value_px))
        narrowest = min(seen, key=lambda item: item[1])
        if narrowest[1] == inf:
            if turn >= _BLIND_LOOKS:
                raise _why_no_width(one)
            place = start + 2.0 * reach * (turn // 2 + 1) * (side if turn % 2 == 0 else -side)
            continue
        below = [item for item in seen if item[0] < narrowest[0]]
        above = [item for item in seen if item[0] > narrowest[0]]
        if below and above:
            return narrowest[0], len(seen)
        along = side if not (below or above) else (1 if below else -1)
        place = narrowest[0] + along * _stride(seen, narrowest, reach)
    raise Refused(
        "no_convergence",
        f"the stars kept getting narrower over {len(seen)} looks, to {min(w for _, w in seen):.1f} px: start "
        "nearer to focus, or widen the limits.",
    )


def _to(facts: TrainFacts, place: float, last: float | None) -> Part[None]:
    """Go to a place with the slack taken up: straight on where the last look was on the way."""
    if last is not None and (place - last) * facts.final_side > 0:
        facts.require_inside(place, place, "looking for the narrowest stars")
        yield from travel(place)
        return
    facts.require_approach_inside(place, facts.play_bound_steps, "looking for the narrowest stars")
    yield from approach(place, facts.final_side, facts.play_bound_steps)


def _stride(seen: list[tuple[float, float]], narrowest: tuple[float, float], reach: float) -> float:
    """Return how far to go on from the narrowest look: to where its arm would end, at most a few reaches."""
    others = [item for item in seen if item != narrowest]
    if not others:
        return reach
    other = min(others, key=lambda item: item[1])
    slope = (other[1] - narrowest[1]) / max(abs(other[0] - narrowest[0]), 1.0)
    if slope <= 0.0 or slope == inf:
        return reach
    return min(max(reach, narrowest[1] / slope), _LONGEST_STRIDE_REACHES * reach)
