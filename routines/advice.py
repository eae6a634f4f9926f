"""The moves that end in focus, for a filter and a temperature, with their uncertainty.

Two ways, each with its own reach: from the best focus that the profile holds (good within its epoch), or
from where another filter is in focus now (good across epochs, since only offsets enter).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from routines.profile import FilterEntry, Measured, Profile
from routines.quantity import Quantity
from routines.verdict import Zone, focus_zone
from routines.wording import celsius, fixed, format_quantity, short


class AdviceRefused(ValueError):
    """No move can be advised; the message says what is missing and what to do."""


@dataclass(frozen=True, slots=True)
class AdviceRequest:
    """What is asked: a filter, the temperature, and what is known of now, in the controller's counts.

    ``from_position_steps`` is where the focuser stands; with ``focused_filter`` that filter is in focus
    there, reached from the final side, at ``focused_temperature_c`` (``temperature_c`` when left out).
    """

    filter: str
    temperature_c: float | None = None
    from_position_steps: float | None = None
    focused_filter: str | None = None
    focused_temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class AdvisedMove:
    """One absolute move and why it is made."""

    position_steps: int
    why: str


@dataclass(frozen=True, slots=True)
class Advice:
    """Where the focus is expected, the moves that lead there, and what limits the trust in it."""

    filter: str
    temperature_c: float | None
    target_steps: Quantity
    moves: tuple[AdvisedMove, ...]
    zone: Zone | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "filter": self.filter,
            "temperature_c": self.temperature_c,
            "target_steps": self.target_steps.as_dict(),
            "moves": [{"position_steps": move.position_steps, "why": move.why} for move in self.moves],
            "focus_zone_steps": None if self.zone is None else self.zone.total_steps,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class _Start:
    """A place known to be in focus for the wanted filter, before temperature."""

    position_steps: float
    variance: float
    temperature_c: float | None
    note: str


def advise(profile: Profile, request: AdviceRequest) -> Advice:
    """Return the moves; AdviceRefused when the profile lacks what they need or a move leaves the limits."""
    _check_numbers(request)
    entry = _entry(profile, request.filter)
    relative = request.focused_filter is not None
    start = _from_focused_filter(profile, request, entry) if relative else _from_best_focus(profile, entry)
    shift, variance, notes = _temperature_shift(profile, start.temperature_c, request.temperature_c)
    target = Quantity.gaussian(start.position_steps + shift, math.sqrt(start.variance + variance))
    zone = focus_zone(profile, entry)
    moves = _moves(profile, round(start.position_steps + shift), request.from_position_steps)
    _check_limits(profile, moves)
    notes = [start.note, *notes, *_doubts(target, zone, profile)]
    return Advice(request.filter, request.temperature_c, target, moves, zone, tuple(notes))


def _check_numbers(request: AdviceRequest) -> None:
    for name in ("temperature_c", "from_position_steps", "focused_temperature_c"):
        value = getattr(request, name)
        if value is not None and not math.isfinite(value):
            raise AdviceRefused(f"{name} must be a finite number, not {value}")


def _entry(profile: Profile, name: str) -> FilterEntry:
    entry = profile.filter_named(name)
    if entry is None:
        known = ", ".join(item.name for item in profile.filters)
        raise AdviceRefused(f"the profile does not know the filter {name!r}; it knows {known}")
    return entry


def _from_best_focus(profile: Profile, entry: FilterEntry) -> _Start:
    crossing = entry.crossing(profile.final_side)
    if crossing is None or crossing.value is None or crossing.u is None:
        path = f"filters.{entry.name}.crossing_{profile.final_side}_steps"
        reason = profile.reason_for(path) or "it was not measured"
        raise AdviceRefused(f"best focus in {entry.name} is not known: {reason}")
    note = "valid until the focuser loses power, is set to zero again or loses steps"
    return _Start(crossing.value, crossing.u**2, profile.reference_temperature_c, note)


def _from_focused_filter(profile: Profile, request: AdviceRequest, entry: FilterEntry) -> _Start:
    if request.from_position_steps is None:
        raise AdviceRefused("to start from a focused filter, say at which position it is in focus")
    old = _entry(profile, request.focused_filter or "")
    missing = [item.name for item in (old, entry) if item.offset_steps is None]
    if missing:
        reason = profile.reason_for(f"filters.{missing[0]}.offset_steps") or "it was not measured"
        raise AdviceRefused(f"the offset of {missing[0]} is not known: {reason}")
    difference = _value(entry.offset_steps) - _value(old.offset_steps)
    temperature = request.focused_temperature_c
    note = f"counted from {old.name} in focus at {short(request.from_position_steps)}"
    return _Start(
        request.from_position_steps + difference,
        _variance_of_difference(profile, old, entry),
        request.temperature_c if temperature is None else temperature,
        note,
    )


def _value(number: Measured | None) -> float:
    return 0.0 if number is None or number.value is None else number.value


def _u2(number: Measured | None) -> float:
    return 0.0 if number is None or number.u is None else number.u**2


def _variance_of_difference(profile: Profile, old: FilterEntry, new: FilterEntry) -> float:
    """Return the variance of offset(new) - offset(old), with their covariance where it is known."""
    if old.name == new.name:
        return 0.0
    table = profile.evidence.offsets_covariance
    independent = _u2(new.offset_steps) + _u2(old.offset_steps)
    if table is None or old.name not in table.filters or new.name not in table.filters:
        return independent
    i, j = table.filters.index(old.name), table.filters.index(new.name)
    return max(0.0, table.steps2[i][i] + table.steps2[j][j] - table.steps2[i][j] - table.steps2[j][i])


def _temperature_shift(
    profile: Profile, from_c: float | None, to_c: float | None
) -> tuple[float, float, list[str]]:
    """Return the shift (steps), its variance, and what there is to say about it."""
    if from_c is None or to_c is None:
        return 0.0, 0.0, ["no temperature is known: its effect is left out"]
    change = to_c - from_c
    coefficient = profile.temperature_coefficient_steps_per_c
    if coefficient is None or coefficient.value is None or coefficient.u is None:
        if change == 0.0:
            return 0.0, 0.0, []
        return 0.0, 0.0, [f"no temperature coefficient is known: a change of {celsius(change)} is left out"]
    notes = []
    low, high = coefficient.valid_from_c, coefficient.valid_to_c
    if change and low is not None and high is not None and not low <= to_c <= high:
        notes.append(
            f"extrapolated: the coefficient was seen between {fixed(low, 1)} and {celsius(high)} only"
        )
    return coefficient.value * change, (coefficient.u * change) ** 2, notes


def _moves(profile: Profile, target: int, start: float | None) -> tuple[AdvisedMove, ...]:
    """Return one move where it already takes up all play, else a move past the target and one back."""
    overshoot = profile.overshoot_steps
    if overshoot is None:
        reason = profile.reason_for("overshoot_steps") or "it was not measured"
        raise AdviceRefused(f"how far to go past the target is not known: {reason}")
    last = AdvisedMove(target, f"come to it moving {profile.final_side}")
    if start is not None and (target - start) * profile.final_sign_counts >= overshoot:
        return (last,)
    past = target - profile.final_sign_counts * overshoot
    return (AdvisedMove(past, "go past it to take up all play"), last)


def _check_limits(profile: Profile, moves: tuple[AdvisedMove, ...]) -> None:
    limits = profile.limits
    if limits is None:
        return
    for move in moves:
        if not limits.low_steps <= move.position_steps <= limits.high_steps:
            raise AdviceRefused(
                f"a move to {move.position_steps} ({move.why}) leaves the limits "
                f"{short(limits.low_steps)} to {short(limits.high_steps)}: check the limits, or move the "
                "camera along the drawtube"
            )


def _doubts(target: Quantity, zone: Zone | None, profile: Profile) -> list[str]:
    """Return what a person should know before trusting the target."""
    notes = []
    if profile.simulated:
        notes.append("made on the simulated rig: never use these numbers on hardware")
    if zone is not None and (target.high95 - target.low95) / 2.0 > zone.half_steps:
        spread = format_quantity(target, "steps")
        notes.append(f"{spread} is wider than the focus zone: look again before a long exposure")
    return notes
