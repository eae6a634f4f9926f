"""Gather crossings as the temperature moves: the same two places again and again, from the same side.

Every crossing comes from a look on either side of focus, so that the slope hardly matters, and always from
the final side, so that play cannot pass for expansion. In between the focuser stands still and the script
waits; what it decides on is the temperature that was recorded with each look.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf
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
    masked,
    why_unseen,
)
from routines.scripts.course import Course
from routines.scripts.find_focus import FindFocus, focus_found
from routines.steps import Await, Failed, Remark, Script

VERSION = 2

_PLACES = (-0.45, 0.45)
# So many crossings in a row without a star end the run with what it has.
_MISSED_AT_MOST = 3


@dataclass(frozen=True, slots=True)
class Temperature:
    """It ends when the temperature has moved by ``wanted_c``, or after ``at_most_s``.

    ``every_s`` is the wait between crossings.
    """

    wanted_c: float = 3.0
    every_s: float = 600.0
    at_most_s: float = 6.0 * 3600.0

    def __post_init__(self) -> None:
        if min(self.wanted_c, self.every_s, self.at_most_s) <= 0.0:
            raise ValueError("wanted_c, every_s and at_most_s must be above zero")


@dataclass(frozen=True, slots=True)
class _Crossing:
    """Where the star was in focus, with the temperature read then; steps rise outward."""

    crossing_steps: float
    u_steps: float
    temperature_c: float
    time_s: float | None

    def as_dict(self) -> dict[str, Any]:
        return {
            "crossing_steps": self.crossing_steps,
            "u_steps": self.u_steps,
            "temperature_c": self.temperature_c,
            "time_s": self.time_s,
        }


def temperature(facts: TrainFacts, how: Temperature | None = None, search: FindFocus | None = None) -> Script:
    """Return the routine's script: find focus, then look at it again whenever the wait is over."""
    return concluded(_routine(facts, how or Temperature(), search or FindFocus()))


def _routine(facts: TrainFacts, how: Temperature, search: FindFocus) -> Part[dict[str, Any]]:
    yield from masked()
    focus = yield from focus_found(facts, search)
    course = Course(facts, focus, facts.play_bound_steps, "following the temperature")
    found: list[_Crossing] = []
    waited, missed = 0.0, 0
    while True:
        crossing = yield from _crossing(course)
        missed = 0 if crossing is not None else missed + 1
        found += [crossing] if crossing is not None else []
        moved = _moved_c(found)
        done = waited >= how.at_most_s or moved >= how.wanted_c or missed >= _MISSED_AT_MOST
        part = min(1.0, max(waited / how.at_most_s, moved / how.wanted_c))
        yield Remark(0.1 + 0.85 * part, f"The temperature has moved by {moved:.1f} C so far.")
        if done:
            break
        yield from _wait(how.every_s)
        waited += how.every_s
    yield from estimate("temperature")
    yield from approach(focus.position_steps, facts.final_side, facts.play_bound_steps)
    return {
        "position_steps": focus.position_steps,
        "moved_c": moved,
        "temperature_crossings": [item.as_dict() for item in found],
    }


def _moved_c(found: list[_Crossing]) -> float:
    temperatures = [item.temperature_c for item in found]
    return max(temperatures) - min(temperatures) if temperatures else 0.0


def _wait(seconds: float) -> Part[None]:
    answer = yield Await("time", seconds)
    if isinstance(answer, Failed):
        raise Refused(answer.code, answer.message)


def _crossing(course: Course) -> Part[_Crossing | None]:
    """Look on both sides of focus; None where the star was not seen."""
    side, looks = course.facts.final_side, []
    for part in _PLACES:
        yield from course.come_to(course.position(part * course.reach_steps), side)
        looks.append((yield from course.see(course.facts.reference_filter, marker=True)))
    if any(seen.temperature_c is None for seen in looks):
        raise Refused(
            "temperature_unknown",
            "no temperature came with the look: connect a thermometer, or the focuser's probe, and start "
            "again",
        )
    course.focus = _followed(course.focus, looks)
    return None if any(not seen.measured for seen in looks) else _between(*looks)


def _followed(focus: Focus, looks: list[Observation]) -> Focus:
    """Return focus where these looks put it, so that later ones stay near it as the tube shrinks."""
    places = [
        seen.position_steps - focus.place_steps(seen.value_px) for seen in looks if seen.value_px is not None
    ]
    return Focus(sum(places) / len(places), focus.slope_px_per_step) if len(places) == len(looks) else focus


def _between(one: Observation, other: Observation) -> _Crossing | None:
    """Return the crossing of the straight line through two looks; None where it does not cross steeply."""
    if one.value_px is None or other.value_px is None:
        raise why_unseen(one)
    rise, stretch = other.value_px - one.value_px, other.position_steps - one.position_steps
    if abs(rise) <= 6.0 * hypot(one.u_px or 0.0, other.u_px or 0.0) or stretch == 0.0:
        return None
    share = -one.value_px / rise
    slope = rise / stretch
    u = hypot((1.0 - share) * (one.u_px or 0.0), share * (other.u_px or 0.0)) / abs(slope)
    times = [seen.time_s for seen in (one, other) if seen.time_s is not None]
    return _Crossing(
        crossing_steps=one.position_steps + share * stretch,
        u_steps=u if u < inf else 0.0,
        temperature_c=((one.temperature_c or 0.0) + (other.temperature_c or 0.0)) / 2.0,
        time_s=sum(times) / 2.0 if len(times) == 2 else None,
    )
