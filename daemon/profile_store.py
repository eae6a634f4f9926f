"""Where profiles live on disk: the latest under a fixed name, every earlier one kept by its time.

A damaged file is an error and its bytes are kept beside it, never read as "no profile yet".
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from daemon.files import write_bytes, write_text
from routines.profile import Measured, Profile, null_paths, profile_from_json

LATEST = "profile.json"
EARLIER = "earlier"


class ProfileDamaged(Exception):
    """A profile file cannot be used: which one, why, and where its bytes were kept."""

    def __init__(self, path: Path, reason: str, copy: Path | None) -> None:
        self.path, self.reason, self.copy = path, reason, copy
        kept = "" if copy is None else f"; a copy is kept in {copy}"
        super().__init__(
            f"{path} is not a usable profile: {reason}{kept}; put an earlier one in place or measure again"
        )


@dataclass(frozen=True, slots=True)
class ProfileStore:
    """The profiles in one state folder."""

    folder: Path

    @property
    def latest_path(self) -> Path:
        """Return where the latest profile is, or will be."""
        return self.folder / LATEST

    def save(self, profile: Profile) -> Path:
        """Write the profile as the latest one, after keeping the one that it replaces."""
        self._keep_previous()
        write_text(self.latest_path, profile.to_json())
        return self.latest_path

    def latest(self) -> Profile | None:
        """Return the latest profile, or None when there was never one; ProfileDamaged when unreadable."""
        return load_profile(self.latest_path) if self.latest_path.exists() else None

    def earlier_paths(self) -> list[Path]:
        """Return the earlier profiles' files, oldest first."""
        return sorted((self.folder / EARLIER).glob("profile-*.json"))

    def history(self) -> list[Profile]:
        """Return every readable profile, oldest first; damaged ones are left out, their files kept."""
        found = []
        for path in [*self.earlier_paths(), *([self.latest_path] if self.latest_path.exists() else [])]:
            try:
                found.append(load_profile(path))
            except ProfileDamaged:
                continue
        return sorted(found, key=lambda profile: profile.created)

    def _keep_previous(self) -> None:
        """Move the bytes of the present latest profile among the earlier ones, damaged or not."""
        if not self.latest_path.exists():
            return
        data = self.latest_path.read_bytes()
        try:
            stamp = profile_from_json(data).created.strftime("%Y%m%dT%H%M%SZ")
        except ValueError:
            stamp = "damaged"
        write_bytes(_free_name(self.folder / EARLIER, f"profile-{stamp}", ".json", data), data)


def load_profile(path: Path) -> Profile:
    """Return the profile in a file; ProfileDamaged names what is wrong and keeps a copy of the bytes."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ProfileDamaged(path, str(error.strerror or error), None) from error
    try:
        return profile_from_json(data)
    except ValueError as error:
        copy = _keep_copy(path, data)
        raise ProfileDamaged(path, _first_reason(error), copy) from error


def _keep_copy(path: Path, data: bytes) -> Path:
    """Keep a damaged file's bytes beside it, under a name that is never read as a profile."""
    copy = _free_name(path.parent, path.name, ".damaged", data)
    if not copy.exists():
        write_bytes(copy, data)
    return copy


def _free_name(folder: Path, stem: str, suffix: str, data: bytes) -> Path:
    """Return a name that is free, or that already holds exactly these bytes."""
    count = 1
    while True:
        path = folder / (f"{stem}{suffix}" if count == 1 else f"{stem}-{count}{suffix}")
        if not path.exists() or path.read_bytes() == data:
            return path
        count += 1


def _first_reason(error: ValueError) -> str:
    """Return pydantic's first complaint in one line: where and what."""
    from pydantic import ValidationError

    if not isinstance(error, ValidationError):
        return str(error)
    first = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"])
    more = "" if error.error_count() == 1 else f" (and {error.error_count() - 1} more)"
    return f"{where}: {first['msg']}{more}" if where else f"{first['msg']}{more}"


_COLUMNS = ("number", "filter", "value", "u", "low95", "high95", "unit", "reason")


def profile_csv(profile: Profile) -> str:
    """Return the numbers as a table, one a row; an empty value has its reason in the last column."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    reasons = {path: profile.reason_for(path) or "" for path in null_paths(profile)}
    for name, unit in _PLAIN:
        writer.writerow(_row(name, "", getattr(profile, name), unit, reasons.get(name, "")))
    best = profile.best_focus
    path = "best_focus.position_steps"
    writer.writerow(_row(path, best.filter, best.position_steps, "steps", reasons.get(path, "")))
    for entry in profile.filters:
        for name in _OF_FILTER:
            path = f"filters.{entry.name}.{name}"
            writer.writerow(_row(name, entry.name, getattr(entry, name), "steps", reasons.get(path, "")))
    return out.getvalue()


_PLAIN = (
    ("backlash_steps", "steps"),
    ("transition_steps", "steps"),
    ("lost_motion_to_outward_steps", "steps"),
    ("lost_motion_to_inward_steps", "steps"),
    ("overshoot_steps", "steps"),
    ("temperature_coefficient_steps_per_c", "steps/C"),
    ("slope_px_per_step", "px/step"),
    ("step_um", "um"),
)
_OF_FILTER = (
    "offset_steps",
    "crossing_inward_steps",
    "crossing_outward_steps",
    "mask_minus_width_steps",
    "critical_focus_zone_steps",
)


def _row(name: str, about: str, number: Measured | int | None, unit: str, reason: str) -> list[object]:
    if number is None:
        return [name, about, "", "", "", "", unit, reason]
    if isinstance(number, int):
        return [name, about, number, "", "", "", unit, reason]
    value, u = ("" if item is None else repr(item) for item in (number.value, number.u))
    return [name, about, value, u, repr(number.low95), repr(number.high95), unit, reason]
