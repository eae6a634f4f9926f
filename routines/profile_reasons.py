"""Flags on their way into the document: the fit's own under its names, and a reason for every null."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from routines.convention import Outward, sign_of
from routines.flags import Flag, flag
from routines.profile import WHOLE_PROFILE, FlagEntry

if TYPE_CHECKING:
    from routines.estimate.fitted import FittedRow
    from routines.estimate.result import JointFit


def flag_entries(flags: Sequence[Flag]) -> tuple[FlagEntry, ...]:
    """Return each different flag once, in the order in which they were raised."""
    unique = dict.fromkeys((item.code, item.field, item.message) for item in flags)
    return tuple(FlagEntry(code=code, field=about, message=message) for code, about, message in unique)


def fit_flags_in_document(fit: JointFit, outward: Outward) -> list[Flag]:
    """Return the fit's flags with the document's field names, and positions in the controller's counts."""
    rows = {f"observation {row.number}": row for row in fit.rows}
    found: list[Flag] = []
    for item in fit.flags:
        row = rows.get(item.field)
        words = item.message if row is None else _outlier_words(row, outward)
        found.extend(flag(item.code, path, words) for path in _document_paths(item.field, fit))
    return found


def _outlier_words(row: FittedRow, outward: Outward) -> str:
    place = sign_of(outward) * row.position_steps
    far = row.residual_px / row.total_u_px
    return (
        f"look {row.number} ({row.filter} at {place:g}) lies {far:+.1f} standard uncertainties from the rest "
        "and was put aside"
    )


_DOCUMENT_NAMES = {
    "offsets_steps": "offset_steps",
    "crossings_inward_steps": "crossing_inward_steps",
    "crossings_outward_steps": "crossing_outward_steps",
    "crossings_steps": "",
}


def _document_paths(about: str, fit: JointFit) -> list[str]:
    """Return where in the document a flag of the fit belongs; one about all offsets goes to each filter."""
    if about == "all":
        return [WHOLE_PROFILE]
    number, _, name = about.partition(".")
    if number not in _DOCUMENT_NAMES:
        return [about]
    names = [name] if name else [key for key, value in fit.offsets_steps.items() if value is None]
    return [f"filters.{key}.{_DOCUMENT_NAMES[number]}".rstrip(".") for key in names]


def reason_for_null(path: str, fit: JointFit, reference_filter: str, given: Sequence[FlagEntry]) -> Flag:
    """Return the plainest reason why a number is null, where the fit itself gave none."""
    backlash_reason = next((item for item in given if item.explains("backlash_steps")), None)
    if path == "overshoot_steps":
        words = "no backlash is known, and the config gives no focuser.overshoot_steps"
        return flag("not_identifiable", path, words)
    if path == "best_focus.position_steps":
        return flag("not_identifiable", path, "no filter's focus is known")
    if path.startswith("filters."):
        return _reason_for_filter(path, fit, reference_filter, backlash_reason)
    if backlash_reason is not None and path in _FOLLOWS_BACKLASH:
        return flag(backlash_reason.code, path, backlash_reason.message)
    return flag("not_identifiable", path)


_FOLLOWS_BACKLASH = ("transition_steps", "lost_motion_to_outward_steps", "lost_motion_to_inward_steps")


def _reason_for_filter(
    path: str, fit: JointFit, reference_filter: str, backlash_reason: FlagEntry | None
) -> Flag:
    name, number = path.removeprefix("filters.").rsplit(".", 1)
    if number == "critical_focus_zone_steps":
        return flag("scale_unknown", path)
    if number == "mask_minus_width_steps":
        return flag("single_method", path)
    if fit.observed.get(name, 0) == 0:
        return flag("not_observed", path)
    if number == "offset_steps" and fit.observed.get(reference_filter, 0) == 0:
        return flag("reference_not_observed", path)
    if number.startswith("crossing_") and backlash_reason is not None:
        return flag(backlash_reason.code, path, backlash_reason.message)
    if number.startswith("crossing_"):
        side = "inward" if "inward" in number else "outward"
        return flag(
            "not_identifiable", path, f"the observations cannot tell where it is in focus moving {side}"
        )
    return flag("not_identifiable", path)
