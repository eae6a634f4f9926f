"""Dry runs: a routine's steps, how long they take and whether they stay inside the limits, nothing moving.

The script runs against a train that is merely plausible, so counts and times are typical, not promised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.assembly import expected_noise_px, motor_steps_per_s, soft_limits, train_facts
from daemon.rechecking import parameters_for
from routines.convention import to_counts
from routines.scripts.catalogue import ROUTINES, parameters_to_dict, script_from_dict
from routines.scripts.common import Pace
from routines.scripts.listing import PretendedTrain, list_steps
from routines.scripts.recheck import Recheck
from routines.steps import Approach, Await, Estimate, Observe, Remark, SelectFilter, Step, Travel, legs_of

if TYPE_CHECKING:
    from daemon.config import Config
    from routines.scripts.common import TrainFacts

# What one fit takes; the rest is assumed in `routines.scripts.common.Pace`.
_FIT_S = 2.0


@dataclass(frozen=True, slots=True)
class _Pace:
    speed_steps_per_s: float
    exposures_s: dict[str, float]


class Planner:
    """The worker's desk for dry runs: it takes the optics, which the service itself does not load."""

    def __init__(self, config: Config, state: Path | None = None) -> None:
        self._config, self._state = config, state

    def plan(self, routine: str, position_counts: float | None) -> dict[str, Any]:
        """Return the fields of `api_models.Plan`; ``position_counts`` None begins in mid-range."""
        config, limits = self._config, soft_limits(self._config)
        start = position_counts
        if start is None:
            start = (limits.lowest_steps + limits.highest_steps) / 2.0
        known = ROUTINES[routine]
        facts = replace(train_facts(config, start), noise_px=expected_noise_px(config))
        how = parameters_for(routine, config, self._state)
        script = script_from_dict(known, parameters_to_dict(facts, how))
        train = PretendedTrain(_facts_as_known(facts, how))
        listing = list_steps(script, train)
        pace = _Pace(motor_steps_per_s(config), {item.name: item.exposure_s for item in config.filters})
        steps = _planned(listing.steps, facts.start_position_steps, pace, config)
        visited = [place for item in steps for place in item["positions_steps"]]
        result = listing.result or {"outcome": "failed", "message": "the dry run did not come to an end"}
        lowest, highest = (min(visited), max(visited)) if visited else (None, None)
        return {
            "routine": routine,
            "steps": steps,
            "observations": sum(isinstance(step, Observe) for step in listing.steps),
            "duration_s": sum(item["seconds"] for item in steps),
            "lowest_steps": lowest,
            "highest_steps": highest,
            "limits_steps": (limits.lowest_steps, limits.highest_steps),
            "inside_limits": all(limits.lowest_steps <= place <= limits.highest_steps for place in visited),
            "outcome": str(result.get("message") or result.get("outcome")),
            "predicted_u_steps": train.predicted(),
            "sky_s": sum(
                item["seconds"]
                for step, item in zip(listing.steps, steps, strict=True)
                if not isinstance(step, Estimate)
            ),
            "notes": _notes(config, position_counts, pace) + _reach_notes(result, how),
        }


def _facts_as_known(facts: TrainFacts, how: Any) -> TrainFacts:
    """Return the facts of a train that is as the profile says, for a routine that checks one."""
    if not isinstance(how, Recheck) or how.known.position_steps is None:
        return facts
    slope = how.known.slope_px_per_step or facts.expected_slope_px_per_step
    return replace(facts, start_position_steps=how.known.position_steps, expected_slope_px_per_step=slope)


def _planned(steps: tuple[Step, ...], start: float, pace: _Pace, config: Config) -> list[dict[str, Any]]:
    outward, place = config.focuser.outward, start
    planned = []
    for number, step in enumerate(steps):
        legs = legs_of(step)
        seconds = _seconds(step, place, pace)
        place = legs[-1] if legs else place
        planned.append(
            {
                "number": number,
                "does": _words(step),
                "positions_steps": [round(to_counts(leg, outward)) for leg in legs],
                "seconds": round(seconds, 1),
            }
        )
    return planned


def _seconds(step: Step, place: float, pace: _Pace) -> float:
    if isinstance(step, (Travel, Approach)):
        distance, here = 0.0, place
        for leg in legs_of(step):
            distance += abs(leg - here)
            here = leg
        return distance / pace.speed_steps_per_s + Pace().settle_s * len(legs_of(step))
    if isinstance(step, Observe):
        return (step.exposure_s or pace.exposures_s[step.filter]) + Pace().readout_s
    if isinstance(step, SelectFilter):
        return Pace().wheel_s
    return _FIT_S if isinstance(step, Estimate) else 0.0


def _words(step: Step) -> str:
    if isinstance(step, Travel):
        return "go to"
    if isinstance(step, Approach):
        return f"approach moving {'outward' if step.side > 0 else 'inward'}"
    if isinstance(step, SelectFilter):
        return f"turn the wheel to {step.filter}"
    if isinstance(step, Observe):
        return f"look in {step.filter}"
    if isinstance(step, Estimate):
        return f"fit what is seen so far ({step.want})"
    if isinstance(step, Await):
        if step.condition == "time":
            return f"wait {step.at_most_s:.0f} s"
        return f"wait for {step.condition}, at most {step.at_most_s:.0f} s"
    assert isinstance(step, Remark)
    return step.sentence


def _notes(config: Config, position_counts: float | None, pace: _Pace) -> list[str]:
    notes = [
        f"times assume {pace.speed_steps_per_s:g} steps/s, {Pace().readout_s:g} s to read out and measure a "
        f"frame, {Pace().wheel_s:g} s for a turn of the wheel; holds and waiting for people come on top"
    ]
    if config.routines.start_steps is not None:
        notes.append("it begins at routines.start_steps")
    elif position_counts is None:
        notes.append("the focuser's position is not known yet: it is taken to stand in mid-range")
    return notes


def _reach_notes(result: dict[str, Any], how: Any) -> list[str]:
    """Return what the dry run says of the targets, so that a hopeless night is not started."""
    notes = ["the predicted u take an ordinary night (seeing of 2.5 arcsec) and a star that is bright enough"]
    targets = result.get("targets")
    if targets is None:
        return notes
    wanted_steps = targets["targets_steps"]
    asked = {name.partition(".")[0]: wanted for name, wanted in wanted_steps.items()}
    words = " and ".join(
        f"{'the offsets' if name == 'offset' else name} to {wanted:.1f} steps"
        for name, wanted in asked.items()
    )
    budget = getattr(getattr(how, "targets", None), "budget_s", None)
    if words and budget is not None:
        notes.append(
            f"looking ends when the 95 % half-widths bring {words}, or after {budget / 60.0:.0f} min of sky "
            "([routines] in the config)"
        )
    now = targets["half_widths_steps"]
    short = [
        f"{name.replace('.', ' ')} (95 % half-width {now[name]:.1f} steps, wanted {wanted:.1f})"
        for name, wanted in wanted_steps.items()
        if now[name] > wanted
    ]
    if short:
        notes.append("the time budget ends before these are known well enough: " + ", ".join(short))
    return notes
