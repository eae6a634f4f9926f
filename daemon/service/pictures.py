"""What the page draws: the rig's filters, a run's looks and numbers, frames, and how the numbers moved.

Plain data from the journal and the files that the worker left; nothing here computes anything heavy.
Positions are in the controller's counts, as people read them off.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.portraits import FOLDER, ZONES, portrait_path, read_portrait
from daemon.profile_store import ProfileStore
from daemon.service.engine import Engine, NoSuchRun
from routines.convention import sign_of
from routines.flags import MEANINGS
from routines.observations import Observation
from routines.scripts.catalogue import ROUTINES
from routines.verdict import focus_zones

if TYPE_CHECKING:
    from daemon.journal import RunRecord, StepRecord
    from routines.profile import Measured, Profile

Plain = dict[str, Any]
_SIGNED = (
    "slope_px_per_step",
    "temperature_coefficient_steps_per_c",
    "offset_steps",
    "crossing_",
    "width_minimum_",
)
_PURPOSES = {
    "characterise": "The whole job: best focus, backlash, every filter's offset, and a proof at the end.",
    "find_focus": "Best focus of the reference filter, and nothing else.",
    "backlash": "How far the focuser turns after a reversal before the drawtube follows.",
    "offsets": "How much each filter shifts focus.",
    "temperature": "Follows focus while the tube cools, for the temperature coefficient.",
    "find_focus_by_width": "Best focus by the width of the stars; the mask stays off.",
    "mask_and_width": "How far apart are the mask's focus and the narrowest stars? With the mask, then off.",
    "recheck": "Do the numbers still hold? By the width of the stars; the mask stays off.",
    "recheck_by_mask": "Do the numbers still hold? With the mask on.",
}


class Pictures:
    """Answers the page's questions about one engine; everything may be called from any thread."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._sign = sign_of(engine.config.focuser.outward)
        self._history: tuple[tuple[str, ...], list[Plain]] = ((), [])

    def rig(self) -> Plain:
        """Return what does not change while the service lives: filters, limits, gates, routines."""
        config, zones = self._engine.config, self._zones()
        limits, gate = config.limits, config.gates.temperature
        return {
            "name": config.rig.name,
            "simulated": self._engine.bench.simulated,
            "reference_filter": config.reference_filter,
            "final_side": config.focuser.final_side,
            "limits_steps": None if limits is None else [limits.low_steps, limits.high_steps],
            "px_per_um": zones.get("px_per_um"),
            "filters": [
                {
                    "name": item.name,
                    "centre_nm": item.centre_nm,
                    "exposure_s": item.exposure_s,
                    "zone_um": zones.get("zones_um", {}).get(item.name),
                }
                for item in config.filters
            ],
            "temperature_gate": None if gate is None else gate.model_dump(mode="json"),
            "routines": [
                {"name": item.name, "method": item.method, "purpose": _PURPOSES.get(item.name, "")}
                for item in ROUTINES.values()
            ],
        }

    def run(self, run_id: str, beyond_step: int) -> Plain:
        """Return a run's looks and latest numbers, of the steps past ``beyond_step`` alone."""
        try:
            record = self._engine.journal.run(run_id)
        except KeyError:
            raise NoSuchRun(f"there is no run {run_id!r}") from None
        steps = self._engine.journal.steps(run_id, beyond_step)
        answered = [step for step in steps if step.answer is not None]
        return {
            "run": run_id,
            "routine": record.routine,
            "last_step": answered[-1].number if answered else beyond_step,
            "looks": [self._look(step) for step in answered if _kind(step) == "Seen"],
            "numbers": self._numbers(answered),
            "holds": self._holds(record),
        }

    def portrait(self, run_id: str, number: int) -> Plain:
        """Return the portrait of a run's look; NoSuchRun when there is none."""
        for step in reversed(self._engine.journal.steps(run_id)):
            if step.answer is None or _kind(step) != "Seen":
                continue
            seen = step.answer["observation"]
            if seen["number"] == number:
                return self._portrait(run_id, seen)
        raise NoSuchRun(f"run {run_id} has no look {number}")

    def history(self) -> list[Plain]:
        """Return every kept profile's numbers, oldest first; read again only when a file has come."""
        store = ProfileStore(self._engine.state)
        paths = [*store.earlier_paths(), store.latest_path]
        stamp = tuple(f"{path.name} {path.stat().st_mtime_ns}" for path in paths if path.exists())
        if stamp != self._history[0]:
            self._history = (stamp, [_moved(profile) for profile in store.history()])
        return self._history[1]

    def _holds(self, record: RunRecord) -> list[Plain]:
        """Return when a run was held and why: as its result tells, or so far while it is on."""
        if record.result is not None:
            return list(record.result.get("holds", []))
        now = self._engine.live.snapshot()
        return list(now.holds) if now.run_id == record.id else []

    def _portrait(self, run_id: str, seen: Plain) -> Plain:
        found = read_portrait(self._engine.state / FOLDER, seen["path"]) if seen.get("path") else None
        if found is None:
            why = "it was drawn as a number, without a frame" if not seen.get("path") else "it was not kept"
            raise NoSuchRun(f"there is no picture of look {seen['number']} of run {run_id}: {why}")
        remarks = [MEANINGS[code][1] if code in MEANINGS else code for code in found.get("flags", ())]
        return {**found, "path": Path(found["path"]).name, "number": seen["number"], "remarks": remarks}

    def _zones(self) -> Plain:
        """Return the focus zones that the worker wrote for this very config, or nothing."""
        try:
            found: Plain = json.loads((self._engine.state / ZONES).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found if found.get("config_sha256") == self._engine.config.fingerprint() else {}

    def _look(self, step: StepRecord) -> Plain:
        assert step.answer is not None
        seen = Observation.from_dict(step.answer["observation"])
        sides = {1: "outward", -1: "inward"}
        return {
            "number": seen.number,
            "step": step.number,
            "filter": seen.filter,
            "method": seen.method,
            "position_steps": self._sign * round(seen.position_steps),
            "value_px": seen.value_px,
            "u_px": seen.u_px,
            "side": sides.get(seen.side),
            "travel_steps": seen.travel_since_reversal_steps,
            "temperature_c": seen.temperature_c,
            "time_s": seen.time_s,
            "exposure_s": seen.exposure_s,
            "frame": None if seen.path is None else Path(seen.path).name,
            "portrait": self._has_portrait(seen.path),
            "flags": list(seen.flags),
        }

    def _has_portrait(self, frame: str | None) -> bool:
        return frame is not None and portrait_path(self._engine.state / FOLDER, frame).is_file()

    def _numbers(self, answered: list[StepRecord]) -> Plain | None:
        """Return the latest estimate's numbers in counts, or None where none has come."""
        found = next((s.answer for s in reversed(answered) if s.answer and _kind(s) == "Estimated"), None)
        if found is None:
            return None
        return {name: self._in_counts(name, value) for name, value in found["numbers"].items()}

    def _in_counts(self, name: str, value: Any) -> Any:
        if self._sign > 0 or not isinstance(value, dict) or not name.startswith(_SIGNED):
            return value
        if "low95" not in value or value["value"] is None:
            return value
        return value | {"value": -value["value"], "low95": -value["high95"], "high95": -value["low95"]}


def _kind(step: StepRecord) -> str:
    assert step.answer is not None
    return str(step.answer["kind"])


def _plain(number: Measured | None) -> Plain | None:
    return None if number is None else number.quantity.as_dict()


def _moved(profile: Profile) -> Plain:
    """Return what is compared from profile to profile."""
    zones = focus_zones(profile)
    return {
        "created": profile.created.isoformat(),
        "run": profile.evidence.run,
        "method": profile.method,
        "simulated": profile.simulated,
        "temperature_c": profile.reference_temperature_c,
        "backlash_steps": _plain(profile.backlash_steps),
        "temperature_coefficient_steps_per_c": _plain(profile.temperature_coefficient_steps_per_c),
        "best_focus_steps": _plain(profile.best_focus.position_steps),
        "best_focus_filter": profile.best_focus.filter,
        "offsets_steps": {item.name: _plain(item.offset_steps) for item in profile.filters},
        "zones_steps": {zone.filter: zone.total_steps for zone in zones},
        "proof": profile.proof.status,
        "observations": profile.evidence.observations,
    }
