"""Where frames do not say their focuser position: which of their keywords may, and the line to add."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from daemon.config import Config
from drivers.header import Header, numeric_value

_LISTED = 12
# Keywords of the FITS Standard 4.0 and of common practice that change between frames and are no position.
_NO_POSITION = re.compile(
    r"DT-(?!POS).*|NAXIS\d*|Z?BITPIX|BZERO|BSCALE|[PG]COUNT|TFIELDS|Z?TILE\d*|DATAMAX|DATAMIN|EXPTIME|EXPOSURE|XPOSURE|TELAPSE"
    r"|MJD.*|JD.*|.*JD|AIRMASS|CHECKSUM|DATASUM|(CCD|SET|DET)-?TEMP|GAIN|EGAIN|OFFSET|[XY]BINNING|[XY]PIXSZ"
    r"|C(RVAL|RPIX|DELT|ROTA|UNIT|D)\d.*|RA|DEC|OBJC?T?(RA|DEC)|(CENT)?(ALT|AZ)|HA|LST|FWHM|STDEV|MEAN|MEDIAN"
)
_LIKELY = re.compile(r"FOC|POS|STEP")


def missing_position(folder: Path, config: Config, headers: Sequence[Header]) -> list[str]:
    """Return what to tell when no frame of a folder has its position, candidates and the line to add."""
    keyword = config.fits.position
    named = "the config names no keyword for it" if keyword is None else f"none has a number under {keyword}"
    file = config.file or "the config"
    first = f"{folder}: no frame tells the focuser position: {named} ([fits] position in {file})"
    found = candidates(headers)
    if not found:
        return [
            first,
            "no numeric keyword changes across the folder: does the program that took the frames write the "
            "position at all? If not, write the positions into a CSV of spike errors instead",
        ]
    listed = [f"  {name}: {told}" for name, told in found[:_LISTED]]
    return [first, "numeric keywords that change across the folder:", *listed, *_line_to_add(found[0][0])]


def _line_to_add(name: str) -> list[str]:
    return ["if one of them is the position, add it, for example:", "  [fits]", f'  position = "{name}"']


def candidates(headers: Sequence[Header]) -> list[tuple[str, str]]:
    """Return the numeric keywords that change across headers with their range, likeliest first."""
    values: dict[str, list[float]] = {}
    for header in headers:
        for name, value in header.items():
            number = numeric_value(value)
            if number is not None and not _NO_POSITION.fullmatch(name):
                values.setdefault(name, []).append(number)
    changing = {name: numbers for name, numbers in values.items() if len(set(numbers)) > 1}
    ranked = sorted(changing, key=lambda name: _rank(name, changing[name], len(headers)))
    return [(name, _range_of(changing[name])) for name in ranked]


def _rank(name: str, numbers: Sequence[float], frames: int) -> tuple[bool, bool, bool, str]:
    whole = all(number.is_integer() for number in numbers)
    return not _LIKELY.search(name), not whole, len(numbers) < frames, name


def _range_of(numbers: Sequence[float]) -> str:
    return f"{min(numbers):g} to {max(numbers):g}, {len(set(numbers))} different values"
