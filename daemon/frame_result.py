"""A frame's line: what `drawtube measure` says of it, from header, mask's model or star width."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routines.measure.reading import MaskReading
from routines.observations import Method

if TYPE_CHECKING:
    from drivers.frames import RawFrame


@dataclass(frozen=True, slots=True)
class FrameResult:
    """One frame's line of ``measure --json``; pixels are unbinned, 0-based, x the column.

    ``width_px`` is the half-flux diameter where the method is "width", else the width of the fitted seeing.
    ``message`` is for people, ``width_u_px`` for the fit; neither is part of the line.
    """

    path: str
    filter: str | None = None
    position_steps: float | None = None
    temperature_c: float | None = None
    exposure_s: float | None = None
    time: str | None = None
    method: Method | None = None
    spike_error_px: float | None = None
    spike_error_u_px: float | None = None
    defocus_um: float | None = None
    defocus_u_um: float | None = None
    star_x_px: float | None = None
    star_y_px: float | None = None
    arms_deg: tuple[float, float, float] | None = None
    signal_electrons: float | None = None
    width_px: float | None = None
    flags: tuple[str, ...] = ()
    message: str | None = field(default=None, compare=False)
    width_u_px: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the fields of the contract, ready for JSON."""
        fields = asdict(self)
        del fields["message"], fields["width_u_px"]
        fields["flags"] = list(self.flags)
        fields["arms_deg"] = None if self.arms_deg is None else list(self.arms_deg)
        return fields

    @property
    def measured(self) -> bool:
        """Tell whether the frame gave a number."""
        return (self.width_u_px if self.method == "width" else self.spike_error_px) is not None


def facts_of(path: Path, raw: RawFrame) -> FrameResult:
    """Return what the header alone tells."""
    facts = raw.facts
    return FrameResult(
        path=str(path),
        filter=facts.filter,
        position_steps=facts.position_steps,
        temperature_c=facts.temperature_c,
        exposure_s=facts.exposure_s,
        time=None if facts.middle is None else facts.middle.isoformat().replace("+00:00", "Z"),
    )


def mirrored(line: FrameResult) -> FrameResult:
    """Return a line read from the other side of focus."""
    if line.defocus_um is None or line.spike_error_px is None:
        return line
    return replace(line, defocus_um=-line.defocus_um, spike_error_px=-line.spike_error_px)


def words_for(reading: MaskReading) -> str | None:
    """Return why a reading has no value, in words, or None when it has one."""
    if reading.spike_error_px is not None:
        return None
    from routines.flags import MEANINGS, kind_of

    refusals = [MEANINGS[code][1] for code in reading.flags if kind_of(code) == "refusal"]
    return "; ".join(refusals) or None
