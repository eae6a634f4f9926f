"""What a frame's header tells: the few facts that a measurement needs, by the keywords the config names.

Programs differ in their keywords, so only the start, the exposure and the filter are read by their standard
names (FITS Standard 4.0, sections 4.4 and 9); our own frames carry ``DT-`` keywords as well. The sensor's own
temperature is never read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

Value = str | int | float | bool
Header = Mapping[str, Value]

# Our own keywords. Positions are the controller's counts; the side is +1 for outward, -1 for inward.
OWN_POSITION = "DT-POS"
OWN_TEMPERATURE = "DT-TEMP"
OWN_SIDE = "DT-SIDE"
OWN_TRAVEL = "DT-TRAV"
OWN_PASS = "DT-PASS"
OWN_MARKER = "DT-MARK"
OWN_SIMULATED = "DT-SIM"

_LONGEST_EXPOSURE_S = 1e6


@dataclass(frozen=True, slots=True)
class Keywords:
    """Which header keyword carries what; None where the header does not tell it."""

    position: str | None = None
    temperature: str | None = None
    filter: str = "FILTER"
    exposure: str = "EXPTIME"
    time: str = "DATE-OBS"
    pixel_um: str | None = None
    electrons_per_adu: str | None = None


@dataclass(frozen=True, slots=True)
class FrameFacts:
    """The facts of one frame; None where unknown. ``middle`` is mid-exposure, in UTC.

    ``binning`` is how many pixels were joined along each axis before the frame was stored.
    """

    filter: str | None = None
    position_steps: float | None = None
    temperature_c: float | None = None
    exposure_s: float | None = None
    middle: datetime | None = None
    pixel_um: float | None = None
    electrons_per_adu: float | None = None
    binning: int = 1
    mosaic: str | None = None
    side: int | None = None
    travel_since_reversal_steps: float | None = None
    pass_id: int | None = None
    marker: bool = False
    simulated: bool = False


def facts_from(header: Header, keywords: Keywords) -> FrameFacts:
    """Return a header's facts; what is missing or cannot be read as its kind is None, never a guess."""
    exposure = _exposure(header, keywords)
    side = _number(header, OWN_SIDE)
    pass_id = _number(header, OWN_PASS)
    return FrameFacts(
        filter=_text(header, keywords.filter),
        position_steps=_first_number(header, keywords.position, OWN_POSITION),
        temperature_c=_first_number(header, keywords.temperature, OWN_TEMPERATURE),
        exposure_s=exposure,
        middle=_middle(header, keywords.time, exposure),
        pixel_um=_positive(_first_number(header, keywords.pixel_um)),
        electrons_per_adu=_positive(_first_number(header, keywords.electrons_per_adu)),
        binning=_binning(header),
        mosaic=_mosaic(header),
        side=None if side is None or side == 0.0 else int(math.copysign(1.0, side)),
        travel_since_reversal_steps=_number(header, OWN_TRAVEL),
        pass_id=None if pass_id is None else int(pass_id),
        marker=header.get(OWN_MARKER) is True,
        simulated=header.get(OWN_SIMULATED) is True,
    )


def numeric_value(value: Value | None) -> float | None:
    """Return a header value as a finite number (some programs put numbers in quotes), or None."""
    if value is None or isinstance(value, bool):
        return None
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def parse_time(text: str) -> datetime | None:
    """Return an ISO 8601 date and time in UTC (no zone means UTC), or None; a bare date is no time."""
    stripped = text.strip()
    if not re.match(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}", stripped):
        return None
    try:
        moment = datetime.fromisoformat(stripped)
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _number(header: Header, keyword: str) -> float | None:
    return numeric_value(header.get(keyword))


def _first_number(header: Header, *keywords: str | None) -> float | None:
    values = (_number(header, keyword) for keyword in keywords if keyword is not None)
    return next((value for value in values if value is not None), None)


def _positive(number: float | None) -> float | None:
    return number if number is not None and number > 0.0 else None


def _text(header: Header, keyword: str) -> str | None:
    value = header.get(keyword)
    text = "" if value is None else str(value).strip()
    return text or None


def _exposure(header: Header, keywords: Keywords) -> float | None:
    """Return the exposure; EXPOSURE is the other name in wide use (common practice)."""
    exposure = _first_number(header, keywords.exposure, "EXPTIME", "EXPOSURE")
    return exposure if exposure is not None and 0.0 <= exposure <= _LONGEST_EXPOSURE_S else None


def _middle(header: Header, keyword: str, exposure_s: float | None) -> datetime | None:
    """Return mid-exposure: DATE-AVG is it already, DATE-END is the end (FITS Standard 4.0, table 35)."""
    stamp = _text(header, keyword)
    if stamp is None:
        return None
    moment = parse_time(stamp) or parse_time(f"{stamp}T{_text(header, 'TIME-OBS') or ''}")
    if moment is None or keyword == "DATE-AVG":
        return moment
    half = timedelta(seconds=(exposure_s or 0.0) / 2.0)
    try:
        return moment - half if keyword == "DATE-END" else moment + half
    except OverflowError:
        return None


def _binning(header: Header) -> int:
    """Return the binning; XBINNING is the keyword in wide use (common practice)."""
    number = _number(header, "XBINNING")
    return int(number) if number is not None and number.is_integer() and 1 <= number <= 16 else 1


def _mosaic(header: Header) -> str | None:
    """Return the colour mosaic that the header tells of; BAYERPAT is in wide use (common practice)."""
    text = (_text(header, "BAYERPAT") or "").upper()
    return text if re.fullmatch("[RGBL]{4}", text) else None
