"""Dry runs: what a script would do, before anything moves.

The pretended train answers with exact looks at a train with half the plausible play, so that a script takes
a typical course; it is for listing, checking limits and estimating durations, and says nothing about the sky.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import hypot
from typing import Any

from routines.observations import Observation
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
)


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
            steps.append(step)
            step = script.send(answer(step))
    except StopIteration as end:
        return Listing(tuple(steps), end.value)
    script.close()
    return Listing(tuple(steps), None)


def legs_of(step: Step) -> tuple[float, ...]:
    """Return the absolute positions (steps) that a step makes the motor visit, in order."""
    if isinstance(step, Travel):
        return (step.position_steps,)
    if isinstance(step, Approach):
        return (step.position_steps - step.side * step.overshoot_steps, step.position_steps)
    return ()


@dataclass(slots=True)
class PretendedTrain:
    """Answers a script's steps with exact looks at a train whose numbers are merely plausible."""

    facts: TrainFacts
    play_steps: float = field(init=False)
    slope_px_per_step: float = field(init=False)
    _motor: float = field(init=False)
    _tube: float = field(init=False)
    _filter: str = field(init=False)
    _looks: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        facts = self.facts
        self.play_steps = facts.play_bound_steps / 2.0
        self.slope_px_per_step = facts.expected_slope_px_per_step or facts.reach_px / 40.0
        self._motor = self._tube = facts.start_position_steps
        self._filter = facts.reference_filter

    def __call__(self, step: Step) -> Answer:
        """Return a plausible answer to a step."""
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
            return Estimated(self._estimated())
        return Released(0.0) if isinstance(step, Await) else Noted()

    def _go(self, place: float) -> None:
        self._motor = place
        self._tube = min(max(self._tube, place - self.play_steps), place)

    def _estimated(self) -> dict[str, Any]:
        focus, name = self.facts.start_position_steps, self.facts.reference_filter
        numbers = {
            "backlash_steps": Quantity.gaussian(self.play_steps, 1.0),
            f"width_minimum_inward_steps.{name}": Quantity.gaussian(focus, 0.5),
            f"width_minimum_outward_steps.{name}": Quantity.gaussian(focus + self.play_steps, 0.5),
        }
        return {key: value.as_dict() for key, value in numbers.items()}

    def _observation(self, step: Observe) -> Observation:
        self._looks += 1
        error = (self._tube - self.facts.start_position_steps) * self.slope_px_per_step
        return Observation(
            number=self._looks - 1,
            filter=step.filter,
            position_steps=self._motor,
            method=step.method,
            value_px=error if step.method == "mask" else hypot(2.0, error),
            u_px=0.02,
            marker=step.marker,
        )
