"""A folder of frames already taken -> looks in the order of time.

Headers are read first, so that what is wrong with keywords is told before minutes of measuring; then the
frames are measured as one set.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.config import Config
from daemon.frame_source import facts_for, frame_files
from daemon.gathering import Gathered, InputUnusable
from daemon.position_keywords import missing_position
from daemon.spike_table import unknown_filter
from drivers.frames import FrameUnreadable, read_header
from drivers.header import FrameFacts, Header
from routines.convention import to_science
from routines.observations import SIDE_UNKNOWN, Observation

if TYPE_CHECKING:
    from daemon.frame_result import FrameResult

_EARLIEST = datetime.min.replace(tzinfo=UTC)
Measure = Callable[[Sequence[Path]], "list[FrameResult]"]


@dataclass(frozen=True, slots=True)
class _Frame:
    path: Path
    header: Header
    facts: FrameFacts


def read_frames(folder: Path, config: Config, measure: Measure) -> Gathered:
    """Return the looks that a folder's frames hold; raises `InputUnusable` when there is nothing to go on."""
    left_out: list[str] = []
    frames = list(_readable(_files_in(folder), config, left_out))
    usable = list(_usable(frames, config, left_out))
    if frames and not usable and all(frame.facts.position_steps is None for frame in frames):
        raise InputUnusable(folder, missing_position(folder, config, [frame.header for frame in frames]))
    ordered, remarks = _in_order(folder, usable)
    looks = []
    for number, (frame, result) in enumerate(
        zip(ordered, measure([frame.path for frame in ordered]), strict=True)
    ):
        if "unreadable" in result.flags:
            left_out.append(f"{frame.path}: {result.message or 'its pixels cannot be read'}")
        looks.append(_look(number, frame, result, config))
    simulated = any(frame.facts.simulated for frame in ordered)
    remarks += _without_temperature(folder, ordered, config)
    return Gathered(tuple(looks), None, tuple(left_out), tuple(remarks), len(looks), simulated)


def _files_in(folder: Path) -> list[Path]:
    try:
        files = frame_files(folder)
        if files:
            return files
        deeper = [item.name for item in sorted(folder.iterdir()) if item.is_dir() and frame_files(item)]
    except OSError as error:
        raise InputUnusable(folder, [f"{folder}: cannot be read: {error.strerror or error}"]) from error
    hint = f"; there are some in its folders {', '.join(deeper[:5])}" if deeper else ""
    raise InputUnusable(folder, [f"{folder}: holds no FITS frames (*.fits, *.fit, *.fts, *.fits.fz){hint}"])


def _readable(paths: Iterable[Path], config: Config, left_out: list[str]) -> Iterable[_Frame]:
    for path in paths:
        try:
            header = read_header(path)
        except FrameUnreadable as error:
            left_out.append(str(error))
            continue
        yield _Frame(path, header, facts_for(config, header))


def _usable(frames: Iterable[_Frame], config: Config, left_out: list[str]) -> Iterable[_Frame]:
    """Pass on the frames whose position and filter are known."""
    for frame in frames:
        if frame.facts.position_steps is None:
            keyword = config.fits.position or "DT-POS"
            left_out.append(f"{frame.path}: no position: its header has no number under {keyword}")
        elif frame.facts.filter not in config.filter_names:
            left_out.append(f"{frame.path}: {unknown_filter(frame.facts.filter, config)}")
        else:
            yield frame


def _in_order(folder: Path, frames: Sequence[_Frame]) -> tuple[list[_Frame], list[str]]:
    """Return the frames in the order of time, or of their names where a time is missing."""
    by_name = sorted(frames, key=lambda frame: _natural(frame.path.name))
    timeless = [frame.path.name for frame in by_name if frame.facts.middle is None]
    if not timeless:
        return sorted(by_name, key=lambda frame: frame.facts.middle or _EARLIEST), []
    which = f"{len(timeless)} of {len(frames)} frames (the first is {timeless[0]})"
    return by_name, [
        f"{folder}: {which} do not tell their time; the order of the file names is taken instead"
    ]


def _natural(name: str) -> list[tuple[int, int, str]]:
    """Return a sort key by which frame2 comes before frame10."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d+)", name)]


def _look(number: int, frame: _Frame, result: FrameResult, config: Config) -> Observation:
    facts = frame.facts
    assert facts.position_steps is not None and facts.filter is not None
    by_width = result.method == "width"
    return Observation(
        number=number,
        filter=facts.filter,
        position_steps=to_science(facts.position_steps, config.focuser.outward),
        method="width" if by_width else "mask",
        value_px=result.width_px if by_width else result.spike_error_px,
        u_px=result.width_u_px if by_width else result.spike_error_u_px,
        side=facts.side or SIDE_UNKNOWN,
        travel_since_reversal_steps=facts.travel_since_reversal_steps,
        temperature_c=facts.temperature_c,
        time_s=None if facts.middle is None else facts.middle.timestamp(),
        exposure_s=facts.exposure_s,
        signal_electrons=result.signal_electrons,
        pass_id=facts.pass_id,
        marker=facts.marker,
        path=str(frame.path),
        flags=result.flags,
    )


def _without_temperature(folder: Path, frames: Sequence[_Frame], config: Config) -> list[str]:
    """Return a remark where the config names a temperature that frames do not carry."""
    keyword = config.fits.temperature
    missing = Counter(frame.facts.temperature_c is None for frame in frames)[True]
    if keyword is None or not missing:
        return []
    return [
        f"{folder}: {missing} of {len(frames)} frames have no number under {keyword} ([fits] temperature)"
    ]
