"""What one look at a star is, as the estimation sees it.

Inside the science counts always rise outward; whoever talks to a controller whose counts fall outward
converts once, at the edge (``routines.convention``).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

Method = Literal["mask", "width"]

OUTWARD = 1
INWARD = -1
SIDE_UNKNOWN = 0


@dataclass(frozen=True, slots=True)
class Observation:
    """One measured frame with where and when it was taken.

    ``value_px`` is the signed spike error (method "mask") or the half-flux diameter (method "width");
    None when the frame could not be measured, with the reason among ``flags``. ``position_steps`` is the
    motor's position, rising outward. ``side`` is OUTWARD or INWARD, the direction of the last motion
    (SIDE_UNKNOWN for tables without moves), ``travel_since_reversal_steps`` how far the motor has gone
    in it. ``pass_id`` names the run of looks without reversal when the script knows it. ``blur_px`` is the
    width of the seeing in the frame, ``peak_share`` the brightest pixel that must not saturate (a mask
    frame's first orders, a star's peak) as a share of saturation. ``frames`` short frames make up the
    ``exposure_s`` in all.
    """

    number: int
    filter: str
    position_steps: float
    method: Method = "mask"
    value_px: float | None = None
    u_px: float | None = None
    side: int = SIDE_UNKNOWN
    travel_since_reversal_steps: float | None = None
    temperature_c: float | None = None
    time_s: float | None = None
    exposure_s: float | None = None
    signal_electrons: float | None = None
    pass_id: int | None = None
    marker: bool = False
    path: str | None = None
    flags: tuple[str, ...] = ()
    blur_px: float | None = None
    peak_share: float | None = None
    frames: int = 1

    @property
    def measured(self) -> bool:
        """Tell whether the look gave a number."""
        return self.value_px is not None

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form used in the journal."""
        fields = asdict(self)
        fields["flags"] = list(self.flags)
        return fields

    @classmethod
    def from_dict(cls, fields: dict[str, Any]) -> Observation:
        """Return the observation that ``as_dict`` wrote."""
        return cls(**{**fields, "flags": tuple(fields.get("flags", ()))})


@dataclass(frozen=True, slots=True)
class Move:
    """One motor move to an absolute place, made before the observation numbered ``before_number``.

    Moves are in the order they were made; a move after the last observation has ``before_number`` one
    past it.
    """

    before_number: int
    position_steps: float
