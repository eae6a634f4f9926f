"""A profile after a later run: what that run found is put in, everything else kept as it is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from routines.convention import quantity_to_counts, sign_of
from routines.profile import Coefficient, FilterEntry, FlagEntry, Measured, Profile
from routines.profile_rules import approach_rule, rules_in_words
from routines.quantity import Quantity
from routines.scripts.recheck import in_words

_HALF95 = 1.959964


def checked_profile(profile: Profile, check: Mapping[str, Any], created: datetime) -> Profile | None:
    """Return the profile with what a check found moved, None where nothing has.

    ``check`` is what the recheck's script told under "recheck"; its positions rise outward. Every filter's
    focus moves as the reference filter's did, on both sides; where the backlash changed, it and the other
    side follow. Temperature: with a coefficient the reference temperature stays; without one the new focus
    holds at the temperature of the check.
    """
    moved = check["verdict"] == "moved"
    change = float(check["backlash_change_steps"]) if check.get("backlash_verdict") == "moved" else 0.0
    if not moved and not change:
        return None
    shift = float(check["shift_steps"]) if moved else 0.0
    u = float(check["found_u_steps"])
    sign = sign_of(profile.outward)
    other_shift = shift + _other_side_sign(profile) * change
    filters = tuple(
        _shifted(profile, entry, sign * shift, sign * other_shift, u) for entry in profile.filters
    )
    best = profile.best_focus
    entry = next((item for item in filters if item.name == best.filter), None)
    place = None if entry is None else entry.crossing(best.branch)
    temperature_c = _temperature_c(profile, check) if moved else profile.reference_temperature_c
    best = best.model_copy(update={"position_steps": place, "temperature_c": temperature_c})
    backlash = _changed(profile.backlash_steps, change, float(check.get("backlash_change_u_steps") or 0.0))
    overshoot = profile.overshoot_steps
    if overshoot is not None:
        overshoot += max(0, math.ceil(change))
    note = FlagEntry(code="rechecked", field="best_focus", message=f"{in_words(check)} {_when(created)}")
    kept = tuple(item for item in profile.flags if item.code != "rechecked")
    fields = {
        "created": created,
        "filters": filters,
        "best_focus": best,
        "backlash_steps": backlash,
        "overshoot_steps": overshoot,
        "reference_temperature_c": temperature_c,
        "flags": (*kept, note),
        "rules": rules_in_words(
            best=best,
            reference_filter=profile.reference_filter,
            backlash=backlash,
            transition=profile.transition_steps,
            coefficient=profile.temperature_coefficient_steps_per_c,
            reference_c=temperature_c,
            approach=approach_rule(profile.final_side, overshoot, profile.outward),
        ),
    }
    return Profile.model_validate({**profile.model_dump(by_alias=True), **_dumped(fields)})


def with_coefficient(
    profile: Profile,
    steps_per_c: Quantity,
    valid_from_c: float | None,
    valid_to_c: float | None,
    created: datetime,
) -> Profile:
    """Return the profile with a temperature coefficient (steps rising outward) gathered over nights."""
    counted = quantity_to_counts(steps_per_c, profile.outward)
    coefficient = Coefficient(
        **Measured.of(counted).model_dump(), valid_from_c=valid_from_c, valid_to_c=valid_to_c
    )
    field = "temperature_coefficient_steps_per_c"
    kept = tuple(item for item in profile.flags if item.field != field)
    fields = {
        "created": created,
        field: coefficient,
        "flags": kept,
        "rules": rules_in_words(
            best=profile.best_focus,
            reference_filter=profile.reference_filter,
            backlash=profile.backlash_steps,
            transition=profile.transition_steps,
            coefficient=coefficient,
            reference_c=profile.reference_temperature_c,
            approach=approach_rule(profile.final_side, profile.overshoot_steps, profile.outward),
        ),
    }
    return Profile.model_validate({**profile.model_dump(by_alias=True), **_dumped(fields)})


def profile_with_differences(
    profile: Profile, differences: Mapping[str, Mapping[str, float] | None], created: datetime
) -> Profile | None:
    """Return the profile with how far mask and width differ by filter, None where nothing new is told.

    ``differences`` are quantities as dictionaries, in steps that rise outward.
    """
    known = {
        name: Measured.of(quantity_to_counts(Quantity.from_dict(dict(told)), profile.outward))
        for name, told in differences.items()
        if told is not None and profile.filter_named(name) is not None
    }
    if not known:
        return None
    filters = tuple(
        entry.model_copy(
            update={"mask_minus_width_steps": known.get(entry.name, entry.mask_minus_width_steps)}
        )
        for entry in profile.filters
    )
    given = {f"filters.{name}.mask_minus_width_steps" for name in known}
    flags = tuple(item for item in profile.flags if item.field not in given)
    fields = {"created": created, "filters": filters, "flags": flags}
    return Profile.model_validate({**profile.model_dump(by_alias=True), **_dumped(fields)})


def with_kept_differences(profile: Profile, earlier: Profile | None) -> Profile:
    """Return a profile with what an earlier one knows of mask against width, where it does not know itself.

    The difference belongs to optics and filters, not to a night: it is kept as long as rig and counting are
    the same and the size of a step agrees.
    """
    if earlier is None or (earlier.rig, earlier.outward) != (profile.rig, profile.outward):
        return profile
    if not _agree(profile.step_um, earlier.step_um):
        return profile
    kept = {
        entry.name: known.mask_minus_width_steps
        for entry in profile.filters
        if entry.mask_minus_width_steps is None
        and (known := earlier.filter_named(entry.name)) is not None
        and known.mask_minus_width_steps is not None
    }
    if not kept:
        return profile
    filters = tuple(
        entry.model_copy(
            update={"mask_minus_width_steps": kept.get(entry.name, entry.mask_minus_width_steps)}
        )
        for entry in profile.filters
    )
    fields = {f"filters.{name}.mask_minus_width_steps" for name in kept}
    notes = tuple(
        FlagEntry(
            code="kept_from_earlier",
            field=field,
            message=f"kept from the profile of {earlier.created:%Y-%m-%d %H:%M}: not measured in this run",
        )
        for field in sorted(fields)
    )
    flags = (*(item for item in profile.flags if item.field not in fields), *notes)
    changed = {"filters": filters, "flags": flags}
    return Profile.model_validate({**profile.model_dump(by_alias=True), **_dumped(changed)})


def _agree(one: Measured | None, other: Measured | None) -> bool:
    """Tell whether two numbers may be the same; where one is not known nothing speaks against it."""
    if one is None or other is None or one.value is None or other.value is None:
        return True
    allowed = 3.0 * math.hypot(one.u or 0.0, other.u or 0.0) + 0.01 * abs(one.value)
    return abs(one.value - other.value) <= allowed


def _dumped(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: _plain(value) for name, value in fields.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(_plain(item) for item in value)
    return value.model_dump(by_alias=True) if hasattr(value, "model_dump") else value


def _other_side_sign(profile: Profile) -> float:
    """Return which way the other side's focus moves when the backlash grows: away from the final side's."""
    return 1.0 if profile.final_side == "inward" else -1.0


def _temperature_c(profile: Profile, check: Mapping[str, Any]) -> float | None:
    known = profile.temperature_coefficient_steps_per_c
    if known is not None and known.value is not None:
        return profile.reference_temperature_c
    now = check.get("temperature_c")
    return profile.reference_temperature_c if now is None else float(now)


def _shifted(
    profile: Profile, entry: FilterEntry, shift_counts: float, other_counts: float, found_u: float
) -> FilterEntry:
    final = f"crossing_{profile.final_side}_steps"
    other = "crossing_outward_steps" if profile.final_side == "inward" else "crossing_inward_steps"
    offset = entry.offset_steps
    u = math.hypot(found_u, (0.0 if offset is None else offset.u) or 0.0)
    return entry.model_copy(
        update={
            final: _moved_to(getattr(entry, final), shift_counts, u),
            other: _moved_to(getattr(entry, other), other_counts, u),
        }
    )


def _moved_to(number: Measured | None, shift: float, u: float) -> Measured | None:
    """Return a position that was found again: shifted, with the check's uncertainty in place of its own."""
    if number is None or number.value is None or shift == 0.0:
        return number
    value = number.value + shift
    return Measured(value=value, u=u, low95=value - _HALF95 * u, high95=value + _HALF95 * u)


def _changed(number: Measured | None, change: float, u: float) -> Measured | None:
    if number is None or number.value is None or number.u is None or change == 0.0:
        return number
    value = number.value + change
    return Measured(value=value, u=u, low95=value - _HALF95 * u, high95=value + _HALF95 * u)


def _when(created: datetime) -> str:
    return f"Checked on {created.strftime('%Y-%m-%d %H:%M %Z').strip()}."
