"""The numbers that other programs ask for, rounded, in both sign conventions."""

from __future__ import annotations

from dataclasses import dataclass

from routines.profile import Measured, Profile
from routines.wording import decimals_for, fixed, format_u, whole


@dataclass(frozen=True, slots=True)
class Entry:
    """A number to type into another program; ``opposite`` is the same under the other sign convention.

    ``u`` is its standard uncertainty, in as many digits as it warrants; None where there is none to tell.
    """

    label: str
    value: str
    opposite: str | None
    unit: str
    note: str
    u: str | None = None


def entries_to_type(profile: Profile) -> tuple[Entry, ...]:
    """Return the numbers that other programs ask for, rounded, offsets in both sign conventions."""
    return (*_mechanical_entries(profile), *_offset_entries(profile), *_temperature_entries(profile))


def _mechanical_entries(profile: Profile) -> list[Entry]:
    entries = []
    backlash = profile.backlash_steps
    if backlash is not None and backlash.value is not None:
        note = "where the program adds it at each reversal"
        entries.append(Entry("backlash", whole(backlash.value), None, "steps", note, _u(backlash)))
    if profile.overshoot_steps is not None:
        counts = "rising" if profile.final_sign_counts > 0 else "falling"
        note = f"where the program overshoots; the last move {profile.final_side}, counts {counts}"
        entries.append(Entry("overshoot", str(profile.overshoot_steps), None, "steps", note))
    return entries


def _offset_entries(profile: Profile) -> list[Entry]:
    entries = []
    for item in profile.filters:
        offset = item.offset_steps
        if offset is None or offset.value is None:
            continue
        value, opposite = whole(offset.value, signed=True), whole(-offset.value, signed=True)
        note = "the reference" if item.name == profile.reference_filter else ""
        entries.append(Entry(f"offset {item.name}", value, opposite, "steps", note, _u(offset)))
    return entries


def _temperature_entries(profile: Profile) -> list[Entry]:
    coefficient = profile.temperature_coefficient_steps_per_c
    if coefficient is None or coefficient.value is None or coefficient.u is None:
        return []
    decimals = decimals_for(coefficient.u) if coefficient.u > 0.0 else 2
    value, opposite = (fixed(sign * coefficient.value, decimals, signed=True) for sign in (1.0, -1.0))
    note = "added for each degree warmer; the other: for each degree colder"
    return [Entry("temperature", value, opposite, "steps per C", note, _u(coefficient))]


def _u(number: Measured) -> str | None:
    return format_u(number.quantity) if number.u else None
