"""Where a focus train stands while a script looks around, what sky it has cost, and whether it still follows.

Places are counted along the final side from focus (``q``), so that one description serves both directions. A
branch is entered by overshoot; further places of the same pass are gone to straight.
"""

from __future__ import annotations

from math import hypot

from routines.errand import Place
from routines.observations import Observation
from routines.scripts.common import (
    Focus,
    Part,
    Refused,
    TrainFacts,
    go_on,
    look,
    look_and_go,
    number_of,
    overshoot_from,
    rounded_approach,
    select,
)
from routines.steps import Approach, Estimated, SelectFilter, Travel, legs_of

CAUSES = (
    "In the order worth checking: the drawtube is locked; the motor's coupling is loose; the grease is "
    "frozen or the load too heavy; the drawtube is at its end stop"
)
# A look is surprising beyond this share of the reach and so many of its uncertainties. One may be spoilt by
# anything; as many in a row, at different places, mean that the drawtube does not go where the motor goes.
_SURPRISE_REACHES = 0.3
_SURPRISE_U = 6.0
_SURPRISES = 3


class Course:
    """Goes to places and looks; ``at`` is the last look's place, ``spent_s`` the sky seconds so far."""

    def __init__(self, facts: TrainFacts, focus: Focus, overshoot_steps: float, purpose: str) -> None:
        self.facts, self.focus, self.purpose = facts, focus, purpose
        self.overshoot_steps = overshoot_steps
        self.at: Place | None = None
        self.spent_s = 0.0
        self._filter: str | None = None
        self._known: Estimated | None = None
        self._surprises: list[Observation] = []
        self._temperatures_c = [] if focus.temperature_c is None else [focus.temperature_c]

    @property
    def reach_steps(self) -> float:
        """Return how far from focus looks are wanted."""
        return max(4.0, self.facts.reach_px / abs(self.focus.slope_px_per_step))

    def position(self, q_steps: float) -> float:
        """Return the motor position of a place along the final side."""
        return self.focus.position_steps + self.facts.final_side * q_steps

    def motor_q(self, seen: Observation) -> float:
        """Return where the motor stood, along the final side."""
        return self.facts.final_side * (seen.position_steps - self.focus.position_steps)

    def tube_q(self, seen: Observation) -> float:
        """Return where the star puts the drawtube, along the final side; for the reference filter."""
        assert seen.value_px is not None
        return self.facts.final_side * self.focus.place_steps(seen.value_px)

    def noise_q(self, *looks: Observation) -> float:
        """Return the uncertainty (steps) of the difference of looks."""
        return hypot(*(seen.u_px or 0.0 for seen in looks)) / abs(self.focus.slope_px_per_step)

    def learn(self, known: Estimated) -> None:
        """Take over what a fit knows: what is expected from now on, and which overshoot is enough."""
        self._known = known
        if number_of(known, "backlash_steps") is not None:
            self.overshoot_steps = overshoot_from(known, self.facts)

    def come_to(self, position_steps: float, side: int) -> Part[None]:
        """Stand at a position with the slack of ``side`` taken up, or go on in a pass that goes its way."""
        for step in self._way_to(position_steps, side):
            yield from go_on(step)
            self._arrive(step, side)

    def turn_to(self, position_steps: float, side: int) -> Part[None]:
        """Go straight to a position moving to ``side``, through the dead zone if a turn lies before it."""
        step = Travel(float(round(position_steps)))
        self.facts.require_inside(step.position_steps, step.position_steps, self.purpose)
        yield from go_on(step)
        self._arrive(step, side)

    def see(self, filter_name: str, *, marker: bool = False) -> Part[Observation]:
        """Look through a filter where the motor stands; refuses where the drawtube follows no more."""
        yield from self._turn_wheel(filter_name)
        seen = yield from look(filter_name, marker=marker)
        self._take_in(seen)
        return seen

    def visit(self, place: Place, onward: Place | None) -> Part[Observation]:
        """Go to a place and look; where it is known ``onward`` from there, go on while that is measured."""
        yield from self.come_to(place.position_steps, place.side)
        if onward is None:
            return (yield from self.see(place.filter))
        return (yield from self.see_and_go(place.filter, onward))

    def see_and_go(self, filter_name: str, onward: Place) -> Part[Observation]:
        """Look as `see` does, but once: where a second look could be made the motor no longer stands."""
        yield from self._turn_wheel(filter_name)
        way = self._way_or_none(onward)
        wheel = [SelectFilter(onward.filter)] if onward.filter != filter_name else []
        seen = yield from look_and_go(filter_name, [*way, *wheel])
        self._take_in(seen)
        for step in way:
            self._arrive(step, onward.side)
        if wheel:
            self._count_wheel(onward.filter)
        return seen

    def _way_to(self, position_steps: float, side: int) -> list[Travel | Approach]:
        """Return the motion that makes the motor stand there, if any; refuses one outside the limits."""
        place, facts, at = float(round(position_steps)), self.facts, self.at
        if at is not None and at.side == side and (place - at.position_steps) * side >= 0.0:
            if place == at.position_steps:
                return []
            facts.require_inside(place, place, self.purpose)
            return [Travel(place)]
        facts.require_approach_inside(place, self.overshoot_steps, self.purpose, side)
        return [rounded_approach(place, side, self.overshoot_steps)]

    def _way_or_none(self, onward: Place) -> list[Travel | Approach]:
        """Return the way to the next look's place; none where it is refused, which `come_to` then tells."""
        try:
            return self._way_to(onward.position_steps, onward.side)
        except Refused:
            return []

    def _arrive(self, step: Travel | Approach, side: int) -> None:
        """Take down a motion and what it took."""
        facts, legs = self.facts, legs_of(step)
        here = legs[0] if self.at is None else self.at.position_steps
        for leg in legs:
            self.spent_s += abs(leg - here) / facts.pace.steps_per_s + facts.pace.settle_s
            here = leg
        self.at = Place(self._filter or facts.reference_filter, here, side)

    def _turn_wheel(self, filter_name: str) -> Part[None]:
        if filter_name != self._filter:
            yield from select(filter_name)
            self._count_wheel(filter_name)

    def _count_wheel(self, filter_name: str) -> None:
        self._filter = filter_name
        self.spent_s += self.facts.pace.wheel_s

    def _take_in(self, seen: Observation) -> None:
        facts = self.facts
        self.spent_s += facts.exposure_s(seen.filter) + facts.pace.readout_s
        if self.at is not None:
            self.at = Place(seen.filter, self.at.position_steps, self.at.side)
        self._temperatures_c += [] if seen.temperature_c is None else [seen.temperature_c]
        self._require_following(seen)

    def _require_following(self, seen: Observation) -> None:
        """Refuse after several looks in a row that no longer fit what is known of the train."""
        if not seen.measured or not self._surprising(seen):
            self._surprises = []
            return
        self._surprises.append(seen)
        places = {one.position_steps for one in self._surprises}
        if len(self._surprises) >= _SURPRISES and len(places) > 1:
            errors = [one.value_px or 0.0 for one in self._surprises]
            raise Refused(
                "does_not_follow",
                f"the star no longer goes where the motor sends it: the last {len(errors)} looks read "
                f"{min(errors):+.1f} to {max(errors):+.1f} px, against all looks before. {CAUSES}; or the "
                "star or the mask was changed meanwhile.",
            )

    def _surprising(self, seen: Observation) -> bool:
        expected = self._expected_px(seen)
        if expected is None or seen.value_px is None:
            return False
        error_px, u_px = expected
        allowed = max(_SURPRISE_REACHES * self.facts.reach_px, _SURPRISE_U * hypot(u_px, seen.u_px or 0.0))
        return abs(seen.value_px - error_px) > allowed + self._drift_px()

    def _drift_px(self) -> float:
        """Return how far the temperature may have moved the star meanwhile: a hold may lie between looks."""
        if not self._temperatures_c:
            return 0.0
        moved_c = max(self._temperatures_c) - min(self._temperatures_c)
        return self.facts.plausible_px_per_c * moved_c

    def _expected_px(self, seen: Observation) -> tuple[float, float] | None:
        """Return the spike error that the last fit lets expect at this look, and its uncertainty."""
        if self._known is None or self.at is None:
            return None
        branch = "outward" if self.at.side > 0 else "inward"
        crossing = number_of(self._known, f"crossing_{branch}_steps.{seen.filter}")
        slope = number_of(self._known, "slope_px_per_step")
        if crossing is None or slope is None or crossing["value"] is None or not slope["value"]:
            return None
        error = slope["value"] * (seen.position_steps - crossing["value"])
        return error, abs(slope["value"]) * float(crossing["u"])
