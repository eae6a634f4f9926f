"""What every routine shares: the facts it starts from, how it refuses, and its smallest building blocks.

A part is a generator that yields steps and returns what it learnt; a routine is a part that returns a plain
dictionary. A refusal is raised inside the script and ends it in ``concluded``, never in the conductor.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from routines.observations import Method, Observation
from routines.steps import (
    Answer,
    Approach,
    Await,
    Estimate,
    Estimated,
    Failed,
    Observe,
    Onward,
    Script,
    Seen,
    SelectFilter,
    Step,
    Travel,
)

T = TypeVar("T")
MASK_AT_MOST_S = 900.0
Part = Generator[Step, Answer, T]


class Refused(Exception):
    """The routine cannot go on; ``code`` is for programs, the message for people."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message


@dataclass(frozen=True, slots=True)
class Pace:
    """What looking takes, in seconds of sky; ``exposures_s`` in the order of the filters (empty: 2 s each).

    Where nothing is known: reading out and measuring a frame, turning the wheel by a slot, settling after a
    move, and the motor's speed (common practice).
    """

    exposures_s: tuple[float, ...] = ()
    readout_s: float = 2.0
    wheel_s: float = 2.0
    settle_s: float = 0.5
    steps_per_s: float = 100.0


@dataclass(frozen=True, slots=True)
class TrainFacts:
    """What is known of a focus train before the first look; positions are in steps, rising outward.

    ``play_bound_steps`` is what the backlash, its transition included, surely stays under: it is the
    overshoot until the backlash has been measured. ``reach_px`` is the spike error up to which looks on
    either side of focus are wanted. ``expected_slope_px_per_step`` is a magnitude; the looks decide its sign.
    ``zone_px`` is the narrowest critical focus zone as a spike error (0: not known). ``noise_px`` is the
    scatter of a look that the optics let expect, in the order of the filters (empty: not known).
    """

    start_position_steps: float
    low_limit_steps: float
    high_limit_steps: float
    play_bound_steps: float
    final_side: int
    filters: tuple[str, ...]
    reference_filter: str
    reach_px: float
    expected_slope_px_per_step: float | None = None
    margin_steps: float = 10.0
    plausible_px_per_c: float = 0.0
    zone_px: float = 0.0
    noise_px: tuple[float, ...] = ()
    pace: Pace = Pace()

    def __post_init__(self) -> None:
        if self.final_side not in (1, -1):
            raise ValueError(f"final_side is +1 (outward) or -1 (inward), not {self.final_side}")
        if self.reference_filter not in self.filters:
            raise ValueError(f"the reference filter {self.reference_filter!r} is not among {self.filters}")
        if self.reach_px <= 0 or self.play_bound_steps <= 0:
            raise ValueError("reach_px and play_bound_steps must be above zero")

    def require_inside(self, low_steps: float, high_steps: float, purpose: str) -> None:
        """Refuse when a stretch that is about to be visited leaves the soft limits."""
        if low_steps < self.low_limit_steps or high_steps > self.high_limit_steps:
            raise Refused(
                "outside_limits",
                f"{purpose} needs {low_steps:.0f} to {high_steps:.0f} steps (counted outward), but the soft "
                f"limits are {self.low_limit_steps:.0f} to {self.high_limit_steps:.0f}. Start nearer to "
                "focus, lower the play bound, or widen the limits if the mechanics allow it.",
            )

    def exposure_s(self, filter_name: str) -> float:
        """Return how long a look through a filter exposes."""
        exposures = self.pace.exposures_s
        return exposures[self.filters.index(filter_name)] if exposures else 2.0

    def require_approach_inside(
        self, position_steps: float, overshoot_steps: float, purpose: str, side: int | None = None
    ) -> None:
        """Refuse when a position or the overshoot before it leaves the soft limits (None: the final side)."""
        entry = position_steps - (self.final_side if side is None else side) * overshoot_steps
        self.require_inside(min(position_steps, entry), max(position_steps, entry), purpose)


@dataclass(frozen=True, slots=True)
class Focus:
    """Where the spike error is near zero on the final side, and how it changes with the motor."""

    position_steps: float
    slope_px_per_step: float
    temperature_c: float | None = None

    def place_steps(self, error_px: float) -> float:
        """Return how far outward of focus a spike error puts the drawtube, in steps."""
        return error_px / self.slope_px_per_step


def masked(at_most_s: float = MASK_AT_MOST_S) -> Part[None]:
    """Wait for the mask: whoever was last may have taken it off. Raises Refused when it does not come."""
    answer = yield Await("mask_on", at_most_s)
    if isinstance(answer, Failed):
        raise Refused(answer.code, answer.message)


def concluded(part: Part[dict[str, Any]]) -> Script:
    """Run a part to its end; a refusal becomes an outcome with a code and a message."""
    try:
        result = yield from part
    except Refused as refusal:
        return {"outcome": "failed", "code": refusal.code, "message": refusal.message}
    return {"outcome": "done", **result}


def _accept(answer: Answer) -> Answer:
    if isinstance(answer, Failed):
        raise Refused(answer.code, answer.message)
    return answer


def go_on(step: Onward) -> Part[None]:
    """Make a motion, or turn the wheel."""
    _accept((yield step))


def travel(position_steps: float) -> Part[None]:
    """Go straight to a place."""
    yield from go_on(Travel(float(round(position_steps))))


def approach(position_steps: float, side: int, overshoot_steps: float) -> Part[None]:
    """Come to a place from a side, with the slack taken up."""
    yield from go_on(rounded_approach(position_steps, side, overshoot_steps))


def rounded_approach(position_steps: float, side: int, overshoot_steps: float) -> Approach:
    """Return the approach to the whole step nearest to a place."""
    return Approach(float(round(position_steps)), side, float(round(overshoot_steps)))


def select(filter_name: str) -> Part[None]:
    """Turn the wheel to a filter."""
    yield from go_on(SelectFilter(filter_name))


def glance(filter_name: str, *, marker: bool = False, method: Method = "mask") -> Part[Observation]:
    """Take one look; it may hold no value."""
    answer = _accept((yield Observe(filter_name, method=method, marker=marker)))
    assert isinstance(answer, Seen)
    return answer.observation


def look(filter_name: str, *, marker: bool = False, method: Method = "mask") -> Part[Observation]:
    """Take a look, and a second one where the first holds no value; the answer may still hold none."""
    seen = yield from glance(filter_name, marker=marker, method=method)
    if not seen.measured:
        seen = yield from glance(filter_name, marker=marker, method=method)
    return seen


def look_and_go(filter_name: str, then: Sequence[Onward], *, marker: bool = False) -> Part[Observation]:
    """Take one look and go on while it is measured, so that it is not repeated; it may hold no value.

    Raises Refused where the way on could not be gone.
    """
    answer = _accept((yield Observe(filter_name, marker=marker, then=tuple(then))))
    assert isinstance(answer, Seen)
    for one in answer.then:
        _accept(one)
    return answer.observation


def estimate(want: str, ask: dict[str, Any] | None = None) -> Part[Estimated]:
    """Ask what is known so far and, with an errand, where to look next; a fit that failed knows nothing."""
    answer = yield Estimate(want, ask)
    if isinstance(answer, Failed):
        return Estimated(flags=(answer.code,))
    assert isinstance(answer, Estimated)
    return answer


def why_unseen(seen: Observation) -> Refused:
    """Return the refusal for a look that gave no number twice."""
    reasons = ", ".join(seen.flags) or "no reason given"
    code = next(
        (flag for flag in seen.flags if flag in ("no_star", "no_mask_pattern", "too_faint")), "not_measured"
    )
    return Refused(
        code,
        f"no spike error could be measured in filter {seen.filter} at {seen.position_steps:.0f} steps "
        f"({reasons}). Check that the mask is on, a bright star is centred, and the exposure suits "
        "the filter.",
    )


def number_of(known: Estimated, name: str) -> dict[str, Any] | None:
    """Return a named number of an estimate, or None when it is not known."""
    found = known.numbers.get(name)
    return found if isinstance(found, dict) else None


def overshoot_from(known: Estimated, facts: TrainFacts) -> float:
    """Return the overshoot that surely takes up the slack: upper bound of B, all of w, and a margin.

    While the backlash is not known it is the configured bound, and never more than that. A transition that
    is not known may be as wide as the play is deep: no play is below zero, and engagement ends at B + w/2.
    """
    backlash = number_of(known, "backlash_steps")
    if backlash is None:
        return facts.play_bound_steps
    transition = number_of(known, "transition_steps")
    width = max(0.0, (backlash if transition is None else transition)["high95"])
    wanted = max(0.0, backlash["high95"]) + width + facts.margin_steps
    return float(min(facts.play_bound_steps, wanted))
