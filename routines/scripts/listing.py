"""Dry runs: what a script would do, before anything moves.

The pretended train answers with exact looks at a train with half the plausible play, so that a script takes
a typical course; it is for listing, checking limits and estimating durations, and says nothing about the sky.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import hypot
from typing import TYPE_CHECKING, Any

from routines.observations import INWARD, OUTWARD, Observation
from routines.quantity import Quantity
from routines.scripts.common import TrainFacts
from routines.steps import (
    Answer,
    Approach,
    Arrived,
    Await,
    Estimate,
    Estimated,
    Noted,
    Observe,
    Released,
    Script,
    Seen,
    Selected,
    SelectFilter,
    Step,
    Travel,
    answered_in_parts,
    legs_of,
    parts_of,
)

if TYPE_CHECKING:
    from routines.estimate.result import Knowledge


@dataclass(frozen=True, slots=True)
class Listing:
    """The steps of a dry run, in order, and what the script concluded (None when it was cut off)."""

    steps: tuple[Step, ...]
    result: dict[str, Any] | None


def list_steps(script: Script, answer: Callable[[Step], Answer], at_most: int = 5000) -> Listing:
    """Run a script against pretended answers and return what it asked for."""
    steps: list[Step] = []
    try:
        step = next(script)
        while len(steps) < at_most:
            steps.extend(parts_of(step))
            step = script.send(answer(step))
    except StopIteration as end:
        return Listing(tuple(steps), end.value)
    script.close()
    return Listing(tuple(steps), None)


# What is taken for granted of a rig of which nothing is known, in critical focus zones: the scatter of a
# look, and how far apart the filters' foci may lie.
_USUAL_NOISE_ZONES = 0.04
_USUAL_OFFSET_ZONES = 3.0


@dataclass(slots=True)
class PretendedTrain:
    """Answers a script's steps with exact looks at a train whose numbers are merely plausible.

    What such looks would teach is kept up to date, so that the script chooses its looks as it will at night,
    and `predicted` tells beforehand what a night can reach. ``knows`` is that knowledge (numpy is loaded by
    the first script that asks where to look).
    """

    facts: TrainFacts
    play_steps: float = field(init=False)
    slope_px_per_step: float = field(init=False)
    _motor: float = field(init=False)
    _tube: float = field(init=False)
    _filter: str = field(init=False)
    _cooled_c: float = field(init=False, default=0.0)
    _made: list[tuple[str, float, int]] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        facts = self.facts
        self.play_steps = facts.play_bound_steps / 2.0
        self.slope_px_per_step = facts.expected_slope_px_per_step or facts.reach_px / 40.0
        self._motor = self._tube = facts.start_position_steps
        self._filter = facts.reference_filter

    def __call__(self, step: Step) -> Answer:
        """Return a plausible answer to a step."""
        return answered_in_parts(step, self._answer)

    def _answer(self, step: Step) -> Answer:
        if isinstance(step, (Travel, Approach)):
            for place in legs_of(step):
                self._go(place)
            side = step.side if isinstance(step, Approach) else 1
            return Arrived(self._motor, side, self.play_steps)
        if isinstance(step, SelectFilter):
            self._filter = step.filter
            return Selected(step.filter)
        if isinstance(step, Observe):
            return Seen(self._observation(step))
        if isinstance(step, Estimate):
            return self._estimated(step)
        if isinstance(step, Await):
            self._cooled_c += step.at_most_s / 3600.0 * (step.condition == "time")
            return Released(0.0)
        return Noted()

    def _go(self, place: float) -> None:
        self._motor = place
        self._tube = min(max(self._tube, place - self.play_steps), place)

    def _observation(self, step: Observe) -> Observation:
        error = (self._tube - self.facts.start_position_steps) * self.slope_px_per_step
        side = OUTWARD if self._tube <= self._motor - self.play_steps + 0.5 else INWARD
        past_the_play = side == OUTWARD or self._tube >= self._motor - 0.5
        self._made.append((step.filter, self._motor, side if past_the_play and step.method == "mask" else 0))
        return Observation(
            number=len(self._made) - 1,
            filter=step.filter,
            position_steps=self._motor,
            method=step.method,
            value_px=error if step.method == "mask" else hypot(2.0, error),
            u_px=0.02,
            temperature_c=10.0 - self._cooled_c,
            marker=step.marker,
        )

    def noise_px(self) -> dict[str, float]:
        """Return the scatter of a look that is expected, by filter."""
        facts = self.facts
        if facts.noise_px:
            return dict(zip(facts.filters, facts.noise_px, strict=True))
        usual = _USUAL_NOISE_ZONES * (facts.zone_px or facts.reach_px / 1.5)
        return dict.fromkeys(facts.filters, usual)

    def predicted(self) -> dict[str, Any]:
        """Return the standard uncertainties (steps) that these looks would give, by number; none unseen."""
        from routines.estimate.next_look import COVERAGE, Want, half_widths

        knowledge, reference = self._knowledge(), self.facts.reference_filter
        seen = {name for name, _, side in self._made if side}
        sides = {side for _, _, side in self._made if side}
        wants = [Want("backlash", 1.0)] if len(sides) == 2 else []
        wants += [
            Want(f"offset.{name}.{reference}", 1.0)
            for name in self.facts.filters
            if name in seen and name != reference
        ]
        return {name: width / COVERAGE for name, width in half_widths(knowledge, wants).items()}

    def _estimated(self, step: Estimate) -> Estimated:
        focus, name = self.facts.start_position_steps, self.facts.reference_filter
        told = {
            "backlash_steps": Quantity.gaussian(self.play_steps, 1.0),
            f"width_minimum_inward_steps.{name}": Quantity.gaussian(focus, 0.5),
            f"width_minimum_outward_steps.{name}": Quantity.gaussian(focus + self.play_steps, 0.5),
            f"mask_minus_width_steps.{name}": Quantity.gaussian(0.0, 0.5),
        }
        for each in self.facts.filters:
            told[f"crossing_inward_steps.{each}"] = Quantity.gaussian(focus, 0.5)
            told[f"crossing_outward_steps.{each}"] = Quantity.gaussian(focus + self.play_steps, 0.5)
        numbers: dict[str, Any] = {key: value.as_dict() for key, value in told.items()}
        if step.ask is not None:
            from routines.errand import Errand
            from routines.estimate.errands import next_looks

            answer = next_looks(Errand.from_dict(step.ask), self._knowledge(), {})
            numbers["next_looks"] = answer.as_dict()
        return Estimated(numbers)

    def _knowledge(self) -> Knowledge:
        """Return what would be known after the looks made so far."""
        from routines.estimate.next_look import PlannedLook, after, before_the_first_look

        facts, slope = self.facts, self.slope_px_per_step
        zone = (facts.zone_px or facts.reach_px / 1.5) / slope
        knowledge = before_the_first_look(
            facts.filters,
            slope_px_per_step=slope,
            noise_px=self.noise_px(),
            largest_play_steps=facts.play_bound_steps,
            crossing_steps=facts.start_position_steps,
            crossing_u_steps=10.0 * zone,
            offset_u_steps=_USUAL_OFFSET_ZONES * zone,
        )
        return after(knowledge, [PlannedLook(*look) for look in self._made if look[2]])
