"""Find the other flank of the gears, and where the drawtube takes hold after a reversal.

From focus on the final side the motor goes past by all the play there may be and comes back from the other
side; where the star is then tells the play. That the drawtube follows is seen, never assumed: a second look
further on must move the star as far as the motor moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

from routines.errand import Place
from routines.observations import Observation
from routines.scripts.common import Part, Refused, why_unseen
from routines.scripts.course import CAUSES, Course

VERSION = 3


@dataclass(frozen=True, slots=True)
class Flanks:
    """How the play is found: ``dead_looks`` on the way through the dead zone and where it ends.

    ``readable_reaches`` is how far from focus (in reaches) a mask can surely be read. ``second_thoughts`` is
    how often a drawtube that seems not to follow is tried again.
    """

    dead_looks: int = 6
    readable_reaches: float = 2.0
    second_thoughts: int = 2

    def __post_init__(self) -> None:
        if self.dead_looks < 0 or self.readable_reaches <= 0.0:
            raise ValueError("dead_looks is not below zero, and readable_reaches above it")


def play_found(course: Course, how: Flanks) -> Part[float]:
    """Look on the other flank, then through the dead zone back to the final side; return the play, roughly.

    It ends at focus on the final side, in the reference filter. Refuses a drawtube that does not follow.
    """
    _require_room(course)
    play = yield from _other_flank(course, how)
    yield from _through_the_dead_zone(course, how, play)
    yield from _back_at_focus(course)
    return play


def _back_at_focus(course: Course) -> Part[None]:
    """Look at focus on the final side, and once more after a fresh approach before anything is blamed."""
    side, place = course.facts.final_side, course.position(0.0)
    yield from course.come_to(place, side)
    seen = yield from _look(course, marker=True)
    if _is_near(course, seen):
        return
    yield from course.come_to(place - 2.0 * side, side)
    seen = yield from _look(course)
    if not _is_near(course, seen):
        raise Refused(
            "does_not_follow",
            f"back at {seen.position_steps:.0f} steps, where the star was in focus before, it is "
            f"{abs(course.tube_q(seen)):.0f} steps out of focus. {CAUSES}.",
        )


def _is_near(course: Course, seen: Observation) -> bool:
    """Tell whether the drawtube stands where the motor is, as it must on the final side."""
    away = abs(course.tube_q(seen) - course.motor_q(seen))
    return away <= max(0.3 * course.reach_steps, 6.0 * course.noise_q(seen)) + _drift_steps(course, seen)


def _drift_steps(course: Course, seen: Observation) -> float:
    """Return how far focus may have gone with the temperature since it was found: a hold may lie between."""
    if seen.temperature_c is None or course.focus.temperature_c is None:
        return 0.0
    px = course.facts.plausible_px_per_c * abs(seen.temperature_c - course.focus.temperature_c)
    return px / abs(course.focus.slope_px_per_step)


def _require_room(course: Course) -> None:
    """Refuse before the first move when the passes, at the largest plausible play, leave the limits."""
    bound, reach = course.facts.play_bound_steps, course.reach_steps
    ends = sorted((course.position(-reach - bound), course.position(reach)))
    course.facts.require_inside(ends[0], ends[1], "measuring the backlash")


def _look(course: Course, *, marker: bool = False) -> Part[Observation]:
    seen = yield from course.see(course.facts.reference_filter, marker=marker)
    if not seen.measured:
        raise why_unseen(seen)
    return seen


def _other_flank(course: Course, how: Flanks) -> Part[float]:
    """Return the play, read off looks from the other side that move as the motor does."""
    side, reach = -course.facts.final_side, course.reach_steps
    first = yield from _first_sight(course, how)
    lag = course.tube_q(first) - course.motor_q(first)
    looks = [first]
    # Two more places, one either side of focus; the nearer end first where the star already stands there.
    ends = (0.7, -0.7) if course.tube_q(first) < -0.2 * reach else (-0.7,)
    for end in ends:
        yield from course.come_to(course.position(end * reach - lag), side)
        looks.append((yield from _look(course)))
    for _ in range(how.second_thoughts):
        if _followed(course, looks):
            break
        # Any one look may be spoilt: look again, and a little further on, before anything is blamed.
        looks.append((yield from _look(course)))
        yield from course.come_to(looks[-1].position_steps + 0.4 * reach * side, side)
        looks.append((yield from _look(course)))
    return _play_of(course, looks)


def _followed(course: Course, looks: list[Observation]) -> list[Observation]:
    """Return the first two looks between which the star moved by what the motor moved; empty if none did."""
    for k, one in enumerate(looks):
        for other in looks[k + 1 :]:
            went = course.motor_q(other) - course.motor_q(one)
            moved = course.tube_q(other) - course.tube_q(one)
            noise = 6.0 * course.noise_q(one, other)
            if abs(went) > 0.3 * course.reach_steps and abs(moved - went) <= max(0.35 * abs(went), noise):
                return [one, other]
    return []


def _play_of(course: Course, looks: list[Observation]) -> float:
    """Return how far the drawtube lies behind; refuses one that did not follow, or by more than any play."""
    bound, last = course.facts.play_bound_steps, looks[-1]
    pair = _followed(course, looks)
    lag = fmean(course.tube_q(one) - course.motor_q(one) for one in pair or looks)
    if pair and lag <= bound + 6.0 * course.noise_q(*pair):
        return max(0.0, lag)
    went = abs(course.motor_q(last) - course.motor_q(looks[0]))
    moved = abs(course.tube_q(last) - course.tube_q(looks[0]))
    raise Refused(
        "does_not_follow",
        f"after a reversal and {bound:.0f} steps, the play bound, the motor went {went:.0f} steps and the "
        f"star moved by {moved:.0f} of them. No play that is plausible explains this. {CAUSES}; or the play "
        "bound in the config is too small.",
    )


def _first_sight(course: Course, how: Flanks) -> Part[Observation]:
    """Come from the other side to where the star may be read, for one play after another."""
    bound, unseen = course.facts.play_bound_steps, None
    for play in _guesses(bound, how.readable_reaches * course.reach_steps):
        yield from course.come_to(course.position(-play), -course.facts.final_side)
        seen = yield from course.see(course.facts.reference_filter)
        if seen.measured:
            return seen
        unseen = seen
    assert unseen is not None
    raise why_unseen(unseen)


def _guesses(bound: float, readable: float) -> list[float]:
    """Return plays from the middle outwards, so that any up to the bound is within reach of one of them."""
    count = max(1, int(-(-bound // (2.0 * readable))))
    plays = [bound * (k + 0.5) / count for k in range(count)]
    return sorted(plays, key=lambda play: (abs(play - 0.5 * bound), play))


def _through_the_dead_zone(course: Course, how: Flanks, play: float) -> Part[None]:
    """Turn to the final side and look on the way: once well inside the dead zone, then about its end."""
    turned_at = course.at
    if how.dead_looks == 0 or turned_at is None or play < 2.0:
        return
    side, reference = course.facts.final_side, course.facts.reference_filter
    shares = _shares(how.dead_looks)
    ends = [turned_at.position_steps + side * play * share for share in shares] + [course.position(0.0)]
    yield from course.turn_to(ends[0], side)
    unseen = 0
    for place, onward in pairwise(ends):
        yield from course.come_to(place, side)
        seen = yield from course.see_and_go(reference, Place(reference, onward, side))
        # The motor has gone on: one look that told nothing is left out.
        unseen = 0 if seen.measured else unseen + 1
        if unseen > 1:
            raise why_unseen(seen)


def _shares(count: int) -> list[float]:
    """Return which shares of the play to look at."""
    if count == 1:
        return [0.9]
    return [0.45, *(0.82 + 0.36 * k / max(count - 2, 1) for k in range(count - 1))]
