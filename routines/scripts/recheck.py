"""Does the profile still hold? The shortest set of looks that can tell, with the mask or without it.

Best focus is what moves from night to night; backlash and offsets outlive it. So the looks go to where the
profile says that the reference filter is in focus, by the profile's own moves: four widths across it, or with
the mask three looks, and one from the other side for the backlash.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import hypot
from typing import Any, Literal

from routines.observations import Method, Observation
from routines.scripts.common import (
    Part,
    Refused,
    TrainFacts,
    approach,
    concluded,
    look,
    select,
    travel,
    why_unseen,
)
from routines.scripts.width_focus import FindFocusByWidth, focus_about, usual_reach_steps
from routines.steps import Await, Failed, Remark, Script

VERSION = 1

Verdict = Literal["holds", "moved", "unclear"]
# A shift counts beyond this many standard uncertainties, and beyond this share of half the focus zone.
MOVED_U = 2.5
MOVED_SHARE = 0.25
# With the mask: how far out the two looks of the pass are, in reaches, and what the drive's own error adds.
_OUT, _DRIVE_REACHES = 0.7, 0.02
_SLOPE_TOLERANCE = 0.25


@dataclass(frozen=True, slots=True)
class KnownFocus:
    """What the profile says; positions in steps, rising outward, None where it says nothing.

    ``position_steps`` is the reference filter's focus on the final side at ``temperature_c``, as the mask or
    as the widths see it (``by``); ``other_side_steps`` the one on the other side. ``alpha_u_steps_per_c`` is
    the coefficient's u; where none is known, ``plausible_steps_per_c`` is what one may be.
    ``mask_minus_width_u_steps`` is likewise what is plausible where the difference is not known.
    """

    position_steps: float | None = None
    u_steps: float = 0.0
    by: Method = "mask"
    temperature_c: float | None = None
    alpha_steps_per_c: float = 0.0
    alpha_u_steps_per_c: float = 0.0
    alpha_known: bool = False
    plausible_steps_per_c: float = 0.0
    overshoot_steps: float | None = None
    half_zone_steps: float | None = None
    slope_px_per_step: float | None = None
    other_side_steps: float | None = None
    other_side_u_steps: float = 0.0
    mask_minus_width_steps: float = 0.0
    mask_minus_width_u_steps: float = 0.0


@dataclass(frozen=True, slots=True)
class Recheck:
    """What is known, and the parameters of the looks."""

    known: KnownFocus = field(default_factory=KnownFocus)
    widths: FindFocusByWidth = field(default_factory=lambda: FindFocusByWidth(most_looks=12))
    mask_at_most_s: float = 900.0


@dataclass(frozen=True, slots=True)
class _Found:
    """Where focus was found on the final side, beside where the profile put it."""

    found_steps: float
    found_u_steps: float
    predicted_steps: float
    predicted_u_steps: float
    temperature_c: float | None
    looks: int

    @property
    def shift_steps(self) -> float:
        return self.found_steps - self.predicted_steps

    @property
    def shift_u_steps(self) -> float:
        return hypot(self.found_u_steps, self.predicted_u_steps)


def recheck(facts: TrainFacts, how: Recheck | None = None) -> Script:
    """Return the script that checks a profile by star width, in the middle of a session."""
    return concluded(_by_width(facts, how or Recheck()))


def recheck_by_mask(facts: TrainFacts, how: Recheck | None = None) -> Script:
    """Return the script that checks a profile through the mask."""
    return concluded(_by_mask(facts, how or Recheck()))


def _place_of(known: KnownFocus) -> float:
    if known.position_steps is None:
        raise Refused(
            "no_profile",
            "there is no profile with a best focus to check: run characterise first, with the mask on",
        )
    return known.position_steps


def _predicted(known: KnownFocus, method: Method, temperature_c: float | None) -> tuple[float, float]:
    """Return where the profile puts focus now, as ``method`` sees it, and the u of that."""
    place, u = _place_of(known), known.u_steps
    if temperature_c is not None and known.temperature_c is not None:
        warmer = temperature_c - known.temperature_c
        place += known.alpha_steps_per_c * warmer
        u = hypot(u, known.alpha_u_steps_per_c * warmer)
    if method != known.by:
        place += known.mask_minus_width_steps * (1.0 if method == "mask" else -1.0)
        u = hypot(u, known.mask_minus_width_u_steps)
    return place, u


def _by_width(facts: TrainFacts, how: Recheck) -> Part[dict[str, Any]]:
    known = how.known
    overshoot = known.overshoot_steps or facts.play_bound_steps
    place, _ = _predicted(known, "width", None)
    yield Remark(0.0, "Going to where the profile puts focus, to see whether the stars are narrowest there.")
    yield from select(facts.reference_filter)
    reach = how.widths.reach_steps or _width_reach(facts, known)
    facts.require_approach_inside(place - facts.final_side * reach, overshoot, "the check")
    found = yield from focus_about(facts, how.widths, place, reach, overshoot)
    predicted, u = _predicted(known, "width", found.temperature_c)
    result = _Found(found.position_steps, found.u_steps, predicted, u, found.temperature_c, found.looks)
    return (yield from _ended(facts, how, "width", result, overshoot))


def _width_reach(facts: TrainFacts, known: KnownFocus) -> float:
    """Return how far out the widths are looked at: about three whole focus zones."""
    if known.half_zone_steps:
        return max(8.0, 6.0 * known.half_zone_steps)
    if known.slope_px_per_step:
        return max(8.0, 2.0 * facts.reach_px / abs(known.slope_px_per_step))
    return usual_reach_steps(facts)


def _by_mask(facts: TrainFacts, how: Recheck) -> Part[dict[str, Any]]:
    known = how.known
    overshoot = known.overshoot_steps or facts.play_bound_steps
    if known.slope_px_per_step is None or known.by != "mask":
        _place_of(known)
        raise Refused("no_profile", "the profile was made without a mask: check it by width (recheck)")
    answer = yield Await("mask_on", how.mask_at_most_s)
    if isinstance(answer, Failed):
        raise Refused(answer.code, answer.message)
    yield Remark(0.1, "Going to where the profile puts focus, and looking on both sides of it.")
    yield from select(facts.reference_filter)
    slope, found = yield from _crossing(facts, known, overshoot)
    extra: dict[str, Any] = {}
    if known.other_side_steps is not None:
        yield Remark(0.7, "One look from the other side, for the backlash.")
        extra = yield from _other_side(facts, known, found, slope, overshoot)
    return (yield from _ended(facts, how, "mask", found, overshoot, extra))


def _crossing(facts: TrainFacts, known: KnownFocus, overshoot: float) -> Part[tuple[float, _Found]]:
    """Take two looks of one pass and a third at focus; return the slope and what was found."""
    assert known.slope_px_per_step is not None
    place, _ = _predicted(known, "mask", None)
    reach = max(4.0, facts.reach_px / abs(known.slope_px_per_step))
    out = facts.final_side * _OUT * reach
    facts.require_approach_inside(place - out, overshoot, "the check")
    yield from approach(place - out, facts.final_side, overshoot)
    first = yield from _seen(facts)
    yield from travel(place + out)
    second = yield from _seen(facts)
    slope = _slope(first, second)
    if abs(abs(slope / known.slope_px_per_step) - 1.0) > _SLOPE_TOLERANCE:
        raise Refused(
            "slope_differs",
            f"the spike error changes by {abs(slope):.4f} px a step, the profile says "
            f"{abs(known.slope_px_per_step):.4f}: another mask, camera or step size, or a star lost between "
            "the looks. The profile does not fit this train: run characterise.",
        )
    middle = second.position_steps - (second.value_px or 0.0) / slope
    yield from approach(middle, facts.final_side, overshoot)
    third = yield from _seen(facts)
    places = [one.position_steps - (one.value_px or 0.0) / slope for one in (first, second, third)]
    u = hypot(third.u_px or 0.0, 0.5 * hypot(first.u_px or 0.0, second.u_px or 0.0)) / abs(slope)
    found = 0.5 * (middle + places[2])
    # Three looks that agree less than their own u lets them tell of slip or of the drive's own error.
    u = hypot(0.7 * u, 0.5 * (middle - places[2]), _DRIVE_REACHES * reach)
    predicted, told = _predicted(known, "mask", third.temperature_c)
    return slope, _Found(found, u, predicted, told, third.temperature_c, 3)


def _other_side(
    facts: TrainFacts, known: KnownFocus, found: _Found, slope: float, overshoot: float
) -> Part[dict[str, Any]]:
    """Look once at the other side's focus, shifted as this side's was: what is left is the backlash's."""
    assert known.other_side_steps is not None and known.position_steps is not None
    gap = known.other_side_steps - known.position_steps
    place, side = found.found_steps + gap, -facts.final_side
    facts.require_inside(
        min(place, place - side * overshoot), max(place, place - side * overshoot), "the check"
    )
    yield from approach(place, side, overshoot)
    seen = yield from _seen(facts)
    there = seen.position_steps - (seen.value_px or 0.0) / slope
    change = (there - place) * side
    u = hypot(found.found_u_steps, known.other_side_u_steps, (seen.u_px or 0.0) / abs(slope))
    moved = _verdict(change, u, known.half_zone_steps)
    return {"backlash_change_steps": change, "backlash_change_u_steps": u, "backlash_verdict": moved}


def _seen(facts: TrainFacts) -> Part[Observation]:
    seen = yield from look(facts.reference_filter)
    if not seen.measured:
        raise why_unseen(seen)
    return seen


def _slope(one: Observation, other: Observation) -> float:
    assert one.value_px is not None and other.value_px is not None
    slope = (other.value_px - one.value_px) / (other.position_steps - one.position_steps)
    if slope == 0.0:
        raise Refused("does_not_follow", "the spike error did not change although the motor moved")
    return slope


def _verdict(shift: float, u: float, half_zone: float | None) -> Verdict:
    """Return whether a shift (steps) is real and large enough to matter."""
    if abs(shift) > MOVED_U * u and abs(shift) > MOVED_SHARE * (half_zone or 0.0):
        return "moved"
    return "unclear" if half_zone is not None and u > half_zone else "holds"


def _ended(
    facts: TrainFacts,
    how: Recheck,
    method: Method,
    found: _Found,
    overshoot: float,
    extra: dict[str, Any] | None = None,
) -> Part[dict[str, Any]]:
    """Go to the focus that was found and tell what it means."""
    verdict = _verdict(found.shift_steps, found.shift_u_steps, how.known.half_zone_steps)
    yield from approach(found.found_steps, facts.final_side, overshoot)
    check = {
        "method": method,
        "verdict": verdict,
        "shift_steps": found.shift_steps,
        "shift_u_steps": found.shift_u_steps,
        "found_steps": found.found_steps,
        "found_u_steps": found.found_u_steps,
        "predicted_steps": found.predicted_steps,
        "temperature_c": found.temperature_c,
        "looks": found.looks,
        **(extra or {}),
    }
    if verdict == "moved" and not how.known.alpha_known:
        check["temperature_may_explain"] = _explained(how.known, found)
    sentence = in_words(check)
    yield Remark(1.0, "Done: the focuser stands at best focus, as it was found just now.")
    return {"position_steps": found.found_steps, "recheck": check, "sentence": sentence}


def _explained(known: KnownFocus, found: _Found) -> bool:
    """Tell whether the temperature's change since the profile could have moved focus so far."""
    if known.temperature_c is None or found.temperature_c is None:
        return False
    warmer = abs(found.temperature_c - known.temperature_c)
    return abs(found.shift_steps) <= known.plausible_steps_per_c * warmer


def in_words(check: Mapping[str, Any]) -> str:
    """Return a check's result as a sentence or two."""
    shift, u = check["shift_steps"], check["shift_u_steps"]
    by = "the mask" if check["method"] == "mask" else "star width"
    size = f"{abs(shift):.1f} steps (u {u:.1f})"
    way = "outward" if shift > 0 else "inward"
    if check["verdict"] == "holds":
        words = f"The profile holds: by {by}, best focus is within {size} of where it puts it."
    elif check["verdict"] == "moved":
        words = f"Best focus has moved {way} by {size}, by {by}; backlash, offsets and coefficient are kept."
    else:
        words = (
            f"The looks cannot tell whether the profile holds: by {by}, best focus is {size} {way} of where "
            "it puts it."
        )
    if check.get("temperature_may_explain"):
        words += " The change of temperature may explain it; no coefficient is known."
    change = check.get("backlash_verdict")
    if change == "moved":
        words += (
            f" The backlash has changed by {check['backlash_change_steps']:+.1f} steps "
            f"(u {check['backlash_change_u_steps']:.1f})."
        )
    elif change == "holds":
        words += " The backlash holds."
    return words


__all__ = ["KnownFocus", "Recheck", "in_words", "recheck", "recheck_by_mask"]
