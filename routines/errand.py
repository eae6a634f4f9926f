"""What a script asks about where to look next, as plain data that a journal can hold.

The script knows what things cost and what is wanted; the worker knows what has been seen. Nothing heavy is
imported here: scripts run in the service.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

# An offset is wanted to a sixteenth of the narrowest critical focus zone, the backlash to twice that; nothing
# finer than a step helps a focuser that stands at whole steps.
ZONE_SHARE = 16.0
LEAST_HALF_WIDTH_STEPS = 1.0
BACKLASH_FACTOR = 2.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where the last look was made."""

    filter: str
    position_steps: float
    side: int


@dataclass(frozen=True, slots=True)
class Errand:
    """Which numbers are wanted how well, and what looking for them costs.

    ``wants`` holds "backlash" and/or "offsets". ``zone_px`` is the narrowest critical focus zone as a spike
    error (0: not known), ``sides`` the sides that looks may come from, ``left_s`` the sky seconds left,
    ``most_looks`` how many to name at once. Half-widths (steps) of None follow from the zone.
    """

    wants: tuple[str, ...]
    filters: tuple[str, ...]
    reference_filter: str
    sides: tuple[int, ...]
    low_limit_steps: float
    high_limit_steps: float
    reach_px: float
    zone_px: float
    overshoot_steps: float
    exposures_s: tuple[float, ...]
    readout_s: float
    wheel_s: float
    settle_s: float
    seconds_per_step: float
    left_s: float
    most_looks: int
    at: Place | None = None
    offset_half_width_steps: float | None = None
    backlash_half_width_steps: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form: lists in place of tuples, so that a trip through JSON changes nothing."""
        return {
            key: list(value) if isinstance(value, tuple) else value for key, value in asdict(self).items()
        }

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> Errand:
        """Return the errand that ``as_dict`` wrote."""
        values: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in record.items()
        }
        at = values.get("at")
        values["at"] = None if at is None else Place(**at)
        return cls(**values)

    def targets_steps(self, slope_px_per_step: float) -> dict[str, float]:
        """Return the half-width (steps) wanted of an offset and of the backlash."""
        zone = self.zone_px / abs(slope_px_per_step) if slope_px_per_step else 0.0
        offset = self.offset_half_width_steps or max(LEAST_HALF_WIDTH_STEPS, zone / ZONE_SHARE)
        return {
            "offsets": offset,
            "backlash": self.backlash_half_width_steps or BACKLASH_FACTOR * offset,
        }


@dataclass(frozen=True, slots=True)
class NextLooks:
    """The answer: the looks to make next, and the half-widths (steps) now, wanted, and expected after them.

    ``reached`` tells that every wanted interval is inside its target.
    """

    looks: tuple[Place, ...] = ()
    reached: bool = False
    half_widths_steps: dict[str, float] = field(default_factory=dict)
    targets_steps: dict[str, float] = field(default_factory=dict)
    expected_steps: dict[str, float] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {**asdict(self), "looks": [asdict(look) for look in self.looks]}

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> NextLooks:
        """Return the answer that ``as_dict`` wrote."""
        return cls(**{**record, "looks": tuple(Place(**look) for look in record["looks"])})
