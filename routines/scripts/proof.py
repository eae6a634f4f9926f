"""Apply the numbers and look: go to each filter's predicted focus by the advised moves and see what is left.

The places come from the numbers known before these looks, so that the looks are a test of them. Filters come
in an order drawn from a seed, some of them again, and before each look the motor is sent somewhere else, by
a distance and to a side drawn too, as filter changes and reversals of a night do. Some looks come from the
other side, where the backlash decides. The seed is among the run's stored parameters: a replay draws alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from math import hypot
from random import Random
from typing import Any

from routines.observations import Observation
from routines.scripts.common import (
    Focus,
    Part,
    Refused,
    TrainFacts,
    approach,
    go_on,
    look,
    look_and_go,
    number_of,
)
from routines.scripts.course import CAUSES
from routines.scripts.proof_verdict import Check, verdict
from routines.steps import Estimated, Onward, Remark, SelectFilter, Travel

VERSION = 5


@dataclass(frozen=True, slots=True)
class Proof:
    """How far from focus the motor is sent between looks, and what counts as missed.

    ``away_px`` is the spike error there, from half as much to half as much again; ``missed_u`` how many
    predicted standard uncertainties a residual may be off before the filter is looked at again, and before
    the proof fails. ``drift_reaches`` (of the reach) is the standard uncertainty of what cooling and the
    drive's own error move focus by meanwhile, all filters alike. ``further_looks`` are made after one look in
    each filter, and ``from_other_side`` of all looks come from the side that is not the final one. ``seed``
    draws.
    """

    away_px: float = 1.5
    missed_u: float = 3.5
    drift_reaches: float = 0.03
    further_looks: int = 2
    from_other_side: int = 2
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Trip:
    """One look of the proof: the filter, from which side, and where the motor goes before (px, signed)."""

    filter: str
    side: int
    away_px: float


def drawn_looks(filters: Sequence[str], final_side: int, how: Proof) -> list[Trip]:
    """Return the looks as drawn: every filter once, then some again, never two alike in a row."""
    # random() of a given seed is the same in every version of Python, which shuffle() does not promise.
    draw = Random(how.seed).random
    order = sorted(filters, key=lambda _: draw())
    while len(filters) > 1 and len(order) < len(filters) + how.further_looks:
        others = [name for name in filters if name != order[-1]]
        order.append(others[int(draw() * len(others))])
    ranked = sorted(range(len(order)), key=lambda _: draw())
    other = set(ranked[: min(how.from_other_side, len(order) - 1)])
    return [
        Trip(
            name,
            -final_side if place in other else final_side,
            how.away_px * (0.5 + draw()) * (1.0 if draw() < 0.5 else -1.0),
        )
        for place, name in enumerate(order)
    ]


@dataclass(frozen=True, slots=True)
class _Expected:
    """A predicted focus with its standard uncertainty, and how much of it is alpha's part; steps."""

    place_steps: float
    u_steps: float
    by_temperature_steps: float


@dataclass(frozen=True, slots=True)
class _Told:
    """Everything that the predictions come from."""

    facts: TrainFacts
    focus: Focus
    known: Estimated
    overshoot_steps: float
    how: Proof

    @property
    def drift_steps(self) -> float:
        return self.how.drift_reaches * self.facts.reach_px / abs(self.focus.slope_px_per_step)

    def possible(self, trip: Trip) -> Trip:
        """Return the look, from the final side where the other one is not known or out of the limits."""
        expected = self.predicted(trip, None)
        entry = 0.0 if expected is None else expected.place_steps - trip.side * self.overshoot_steps
        inside = self.facts.low_limit_steps <= entry <= self.facts.high_limit_steps
        known = expected is not None and inside
        return trip if known else replace(trip, side=self.facts.final_side)

    def way_out(self, trip: Trip, temperature_c: float | None) -> list[Onward]:
        """Return how a trip begins: its filter, and somewhere else; refuses one that leaves the limits."""
        expected = self.predicted(trip, temperature_c)
        assert expected is not None
        place, facts = expected.place_steps, self.facts
        away = place + trip.away_px / abs(self.focus.slope_px_per_step)
        facts.require_inside(min(place, away), max(place, away), "the proof")
        facts.require_approach_inside(place, self.overshoot_steps, "the proof", trip.side)
        return [SelectFilter(trip.filter), Travel(float(round(away)))]

    def predicted(self, trip: Trip, temperature_c: float | None) -> _Expected | None:
        """Return where the filter's focus should be from that side at a temperature; None where unknown."""
        branch = "outward" if trip.side > 0 else "inward"
        crossing = number_of(self.known, f"crossing_{branch}_steps.{trip.filter}")
        if crossing is None or crossing["value"] is None:
            return None
        told_u, moved = float(crossing["u"]), 0.0
        alpha = number_of(self.known, "temperature_coefficient_steps_per_c")
        at_c = self.known.numbers.get("reference_temperature_c")
        if alpha is not None and alpha["value"] is not None and None not in (at_c, temperature_c):
            warmer_c = float(temperature_c or 0.0) - float(at_c or 0.0)
            moved = float(alpha["value"]) * warmer_c
            told_u = hypot(told_u, float(alpha["u"]) * warmer_c)
        return _Expected(float(crossing["value"]) + moved, hypot(told_u, self.drift_steps), moved)


def proof_looks(
    facts: TrainFacts,
    focus: Focus,
    known: Estimated,
    overshoot_steps: float,
    how: Proof,
    *,
    span: tuple[float, float],
    temperature_c: float | None = None,
) -> Part[dict[str, Any]]:
    """Check every filter whose crossing is known; return the proof as the profile carries it.

    ``temperature_c`` is that of the latest look, None where nobody reads one.
    """
    told = _Told(facts, focus, known, overshoot_steps, how)
    checks: list[Check] = []
    blind = 0
    trips = drawn_looks(facts.filters, facts.final_side, how)
    yield Remark(span[0], f"Proof: applying the numbers, {len(trips)} looks in drawn order.")
    possible = [trip for trip in map(told.possible, trips) if told.predicted(trip, None) is not None]
    begun_for: Trip | None = None
    for trip, onward in zip_longest(possible, possible[1:]):
        check, temperature_c = yield from _check(told, trip, onward, temperature_c, begun=trip is begun_for)
        begun_for = onward
        if check is None or check.missed_by_u > how.missed_u:
            # One look in twenty or so is spoilt by something else: only a miss that repeats counts.
            again, begun_for = replace(trip, away_px=-trip.away_px), None
            check, temperature_c = yield from _check(told, again, None, temperature_c, begun=False)
        if check is not None:
            checks.append(check)
        blind += check is None
    if blind and not checks:
        raise Refused(
            "not_measured",
            f"no star could be measured at any of the {blind} places where focus was expected: the drawtube "
            f"does not go where the motor goes, or the star was lost. {CAUSES}.",
        )
    return {**verdict(checks, how.missed_u, told.drift_steps), "seed": how.seed}


def _check(
    told: _Told, trip: Trip, onward: Trip | None, temperature_c: float | None, *, begun: bool
) -> Part[tuple[Check | None, float | None]]:
    """Go away, come to the predicted focus, and look; return the check and the temperature as read there.

    Where an ``onward`` trip is known the way to its beginning is gone while the look is measured; ``begun``
    tells that this trip was begun so.
    """
    facts = told.facts
    if not begun:
        for step in told.way_out(trip, temperature_c):
            yield from go_on(step)
    expected = told.predicted(trip, temperature_c)
    assert expected is not None
    facts.require_approach_inside(expected.place_steps, told.overshoot_steps, "the proof", trip.side)
    yield from approach(expected.place_steps, trip.side, told.overshoot_steps)
    if onward is None:
        seen = yield from look(trip.filter)
    else:
        seen = yield from look_and_go(trip.filter, told.way_out(onward, temperature_c))
    now_c = temperature_c if seen.temperature_c is None else seen.temperature_c
    if seen.value_px is None:
        return None, now_c
    return _checked(told, trip, seen, expected), now_c


def _checked(told: _Told, trip: Trip, seen: Observation, expected: _Expected) -> Check:
    assert seen.value_px is not None
    slope = number_of(told.known, "slope_px_per_step")
    fallback = told.focus.slope_px_per_step
    px_per_step = fallback if slope is None or slope["value"] is None else float(slope["value"])
    scatter_px = told.known.numbers.get(f"scatter_px.{seen.filter}") or 0.0
    noise_steps = hypot(seen.u_px or 0.0, scatter_px) / abs(px_per_step)
    # The motor stands at a whole step, the prediction in between.
    residual = seen.value_px / px_per_step - (seen.position_steps - expected.place_steps)
    return Check(
        filter=seen.filter,
        position_steps=seen.position_steps,
        side=trip.side,
        on_final_side=trip.side == told.facts.final_side,
        residual_steps=residual,
        predicted_u_steps=hypot(expected.u_steps, noise_steps),
        temperature_c=seen.temperature_c,
        by_temperature_steps=expected.by_temperature_steps,
    )
