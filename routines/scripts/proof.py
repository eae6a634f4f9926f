"""Apply the numbers and look: go to each filter's predicted focus by the advised moves and see what is left.

The places come from the numbers known before these looks, so that the looks are a test of them. Before each
approach the motor is sent somewhere else, alternately from either side, as filter changes of a night do.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt
from statistics import fmean
from typing import Any

from routines.observations import Observation
from routines.scripts.common import (
    Focus,
    Part,
    Refused,
    TrainFacts,
    approach,
    look,
    number_of,
    select,
    travel,
)
from routines.scripts.course import CAUSES
from routines.steps import Estimated, Remark

VERSION = 3


@dataclass(frozen=True, slots=True)
class Proof:
    """How far from focus the motor is sent between looks, and what counts as missed.

    ``away_px`` is the spike error there; ``missed_u`` how many predicted standard uncertainties a residual
    may be off before the filter is looked at again, and before the proof fails. ``drift_reaches`` (of the
    reach) is the standard uncertainty of what cooling and the drive's own error move focus by meanwhile, all
    filters alike.
    """

    away_px: float = 1.5
    missed_u: float = 3.5
    drift_reaches: float = 0.03


@dataclass(frozen=True, slots=True)
class _Check:
    """One filter's look at its predicted focus, in steps."""

    filter: str
    position_steps: float
    residual_steps: float
    predicted_u_steps: float

    @property
    def missed_by_u(self) -> float:
        return abs(self.residual_steps) / self.predicted_u_steps


def proof_looks(
    facts: TrainFacts,
    focus: Focus,
    known: Estimated,
    overshoot_steps: float,
    how: Proof,
    *,
    span: tuple[float, float],
) -> Part[dict[str, Any]]:
    """Check every filter whose crossing is known; return the proof as the profile carries it."""
    branch = "outward" if facts.final_side > 0 else "inward"
    checks: list[_Check] = []
    blind = 0
    for turn, name in enumerate(facts.filters):
        yield Remark(
            span[0] + (span[1] - span[0]) * turn / len(facts.filters), "Proof: applying the numbers."
        )
        crossing = number_of(known, f"crossing_{branch}_steps.{name}")
        if crossing is None or crossing["value"] is None:
            continue
        check = yield from _check(facts, focus, known, name, crossing, overshoot_steps, how, turn)
        if check is not None and check.missed_by_u > how.missed_u:
            # One look in twenty or so is spoilt by something else: only a miss that repeats counts.
            check = yield from _check(facts, focus, known, name, crossing, overshoot_steps, how, turn + 1)
        if check is not None:
            checks.append(check)
        blind += check is None
    if blind and not checks:
        raise Refused(
            "not_measured",
            f"no star could be measured at any of the {blind} places where focus was expected: the drawtube "
            f"does not go where the motor goes, or the star was lost. {CAUSES}.",
        )
    return _verdict(checks, how, _drift_steps(facts, focus, how))


def _drift_steps(facts: TrainFacts, focus: Focus, how: Proof) -> float:
    return how.drift_reaches * facts.reach_px / abs(focus.slope_px_per_step)


def _check(
    facts: TrainFacts,
    focus: Focus,
    known: Estimated,
    name: str,
    crossing: dict[str, Any],
    overshoot_steps: float,
    how: Proof,
    turn: int,
) -> Part[_Check | None]:
    """Go away, come to the predicted focus, and look."""
    place = float(crossing["value"])
    away = how.away_px / abs(focus.slope_px_per_step) * (1.0 if turn % 2 else -1.0)
    facts.require_inside(min(place, place + away), max(place, place + away), "the proof")
    facts.require_approach_inside(place, overshoot_steps, "the proof")
    yield from select(name)
    yield from travel(place + away)
    yield from approach(place, facts.final_side, overshoot_steps)
    seen = yield from look(name)
    if seen.value_px is None:
        return None
    told_u = hypot(float(crossing["u"]), _drift_steps(facts, focus, how))
    return _checked(focus, known, seen, place, told_u)


def _checked(focus: Focus, known: Estimated, seen: Observation, place: float, told_u: float) -> _Check:
    assert seen.value_px is not None
    slope = number_of(known, "slope_px_per_step")
    px_per_step = focus.slope_px_per_step if slope is None or slope["value"] is None else slope["value"]
    scatter_px = known.numbers.get(f"scatter_px.{seen.filter}") or 0.0
    noise_steps = hypot(seen.u_px or 0.0, scatter_px) / abs(px_per_step)
    # The motor stands at a whole step, the prediction in between.
    residual = seen.value_px / px_per_step - (seen.position_steps - place)
    return _Check(seen.filter, seen.position_steps, residual, hypot(told_u, noise_steps))


def _verdict(checks: list[_Check], how: Proof, drift_steps: float) -> dict[str, Any]:
    """Return passed or failed with the number responsible; nothing looked at proves nothing."""
    if not checks:
        return {"status": "not_run", "reason": "no filter's focus was known well enough to go there"}
    missed = [check.filter for check in checks if check.missed_by_u > how.missed_u]
    # Misses that all lean one way, each too small to tell, are the common focus's fault.
    lean = fmean(check.residual_steps for check in checks)
    own_u = sqrt(fmean(check.predicted_u_steps**2 - drift_steps**2 for check in checks) / len(checks))
    leans = abs(lean) > how.missed_u * hypot(own_u, drift_steps)
    responsible: str | None = None
    if len(missed) > len(checks) / 2 or (not missed and leans):
        responsible = "best focus, or the overshoot that takes up the slack"
    elif missed:
        responsible = f"offset of {', '.join(missed)}"
    return {
        "status": "passed" if responsible is None else "failed",
        "responsible": responsible,
        "checks": [
            {
                "filter": check.filter,
                "residual_steps": check.residual_steps,
                "predicted_u_steps": check.predicted_u_steps,
            }
            for check in checks
        ],
    }
