"""A table of spike errors or star widths, and a table of moves, as CSV -> looks and moves.

Positions in the tables are the controller's counts; they are turned outward-rising here. The columns beyond
the required ones are those of our own ``observations.csv``, so that a table written by a run is read back
with everything that its fit used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

from daemon.config import Config
from daemon.frame_source import configured_filter
from daemon.gathering import Gathered, InputUnusable
from daemon.observation_table import NO_MOVE, OPTIONAL, REQUIRED
from daemon.table_reader import BadCell, CsvTable, Row, read_table
from routines.convention import to_science
from routines.flags import MEANINGS
from routines.observations import INWARD, OUTWARD, SIDE_UNKNOWN, Method, Move, Observation

FARTHEST_STEPS = 1e8
LARGEST_ERROR_PX = 1e5
_SIDES = {"outward": OUTWARD, "inward": INWARD, "": SIDE_UNKNOWN}
_MARKS = {"": False, "0": False, "1": True}

Meaning = TypeVar("Meaning")


def read_spike_errors(path: Path, config: Config) -> Gathered:
    """Return a table's looks in the order of its rows; raises `InputUnusable` when it is no such table.

    A look's number is its 0-based data row, bad rows counted, so that a moves table can refer to it. A row
    holds a spike error or a star width, never both; a table of widths alone needs no column of spike errors.
    """
    table = read_table(path, REQUIRED, OPTIONAL, instead={"spike_error_px": "width_px"})
    looks = []
    for row in table.rows:
        try:
            looks.append(_look(row, config))
        except BadCell as error:
            table.bad.append(table.tell(row, error))
    remarks = [*table.remarks, *_backward_times(table, looks)]
    if not table.count:
        remarks.append(f"{path}: has a header row but no data rows")
    # Numbers made on the simulated rig stay marked as such, however often they are copied.
    simulated = any(row.cells.get("simulated") == "1" for row in table.rows)
    moves = _moves_within(table, remarks, config)
    return Gathered(tuple(looks), moves, tuple(table.bad), tuple(remarks), table.count, simulated)


def _moves_within(table: CsvTable, remarks: list[str], config: Config) -> tuple[Move, ...] | None:
    """Return the moves that the rows themselves tell of; None unless every row does."""
    cells = [(row, row.cells.get("moves_before", "")) for row in table.rows]
    if not cells or not all(text for _, text in cells):
        return None
    if table.bad:
        remarks.append(f"{table.path}: with rows left out, the moves in the others are no history; not used")
        return None
    return tuple(
        Move(row.number, to_science(place, config.focuser.outward))
        for row, _ in cells
        for place in moved_to(row)
    )


def _look(row: Row, config: Config) -> Observation:
    flags = tuple(row.cells.get("flags", "").split())
    unknown = [code for code in flags if code not in MEANINGS]
    if unknown:
        raise BadCell(f"flags holds {unknown[0]!r}, which is no known flag")
    moved_to(row)
    method, value_px, u_px = _value(row, flags)
    moment = row.time_in("time")
    pass_id = row.number_in("pass_id", -1e9, 1e9)
    return Observation(
        number=row.number,
        filter=_filter(row, config),
        position_steps=to_science(
            row.needed_number("position_steps", -FARTHEST_STEPS, FARTHEST_STEPS, "steps"),
            config.focuser.outward,
        ),
        method=method,
        value_px=value_px,
        u_px=u_px,
        side=_one_of(row, "side", _SIDES),
        travel_since_reversal_steps=row.number_in(
            "travel_since_reversal_steps", 0.0, FARTHEST_STEPS, "steps"
        ),
        temperature_c=row.number_in("temperature_c", -100.0, 100.0, "C"),
        time_s=None if moment is None else moment.timestamp(),
        exposure_s=row.number_in("exposure_s", 0.0, 1e6, "s"),
        signal_electrons=row.number_in("signal_electrons", 0.0, 1e15, "electrons"),
        pass_id=None if pass_id is None else int(pass_id),
        marker=_one_of(row, "marker", _MARKS),
        path=row.cells.get("frame") or None,
        flags=flags,
    )


def moved_to(row: Row) -> tuple[float, ...]:
    """Return the counts that the motor went to since the look before; raises BadCell."""
    words = row.cells.get("moves_before", "").split()
    if words == [NO_MOVE]:
        return ()
    try:
        places = tuple(float(word) for word in words)
    except ValueError:
        places = (math.inf,)
    if not all(abs(place) <= FARTHEST_STEPS for place in places):
        raise BadCell(f"moves_before must be positions between spaces, or {NO_MOVE}")
    return places


def _filter(row: Row, config: Config) -> str:
    name = row.cells["filter"]
    if not name:
        raise BadCell("filter is empty")
    known = configured_filter(config, name)
    if known is None:
        raise BadCell(unknown_filter(name, config))
    return known


def unknown_filter(name: str | None, config: Config) -> str:
    """Return what to say of a filter that the config does not know."""
    told = "no filter is named" if name is None else f"the config does not know the filter {name!r}"
    return f"{told}; it knows {', '.join(config.filter_names)}"


def _value(row: Row, flags: Sequence[str]) -> tuple[Method, float | None, float | None]:
    """Return what was seen and its u; it may be empty only where a flag says why nothing was measured."""
    width = _positive(row, "width_px", LARGEST_ERROR_PX, "px")
    if width is not None:
        if row.cells.get("spike_error_px"):
            raise BadCell("holds a spike error and a star width; a frame is taken with the mask or without")
        return "width", width, _positive(row, "width_u_px", LARGEST_ERROR_PX, "px")
    u_px = _positive(row, "spike_error_u_px", LARGEST_ERROR_PX, "px")
    if flags and not row.cells.get("spike_error_px"):
        return "mask", None, u_px
    column = "spike_error_px" if "spike_error_px" in row.cells else "width_px"
    return "mask", row.needed_number(column, -LARGEST_ERROR_PX, LARGEST_ERROR_PX, "px"), u_px


def _positive(row: Row, column: str, high: float, unit: str) -> float | None:
    value = row.number_in(column, 0.0, high, unit)
    if value == 0.0:
        raise BadCell(f"{column} is 0; it must be above 0, or empty where it is not known")
    return value


def _one_of(row: Row, column: str, meanings: dict[str, Meaning]) -> Meaning:
    text = row.cells.get(column, "")
    if text not in meanings:
        choices = ", ".join(choice for choice in meanings if choice)
        raise BadCell(f"{column} is {text!r}; it must be one of {choices}, or empty")
    return meanings[text]


def _backward_times(table: CsvTable, looks: Sequence[Observation]) -> list[str]:
    """Return a remark where times run against the order of the rows, which is what counts."""
    timed = [look for look in looks if look.time_s is not None]
    backward = [
        after.number for before, after in pairwise(timed) if (after.time_s or 0.0) < (before.time_s or 0.0)
    ]
    if not backward:
        return []
    lines = {row.number: row.line for row in table.rows}
    listed = ", ".join(str(lines[number]) for number in backward[:5])
    return [f"{table.path}: times run backwards at line {listed}; the order of the rows is taken as it is"]


def read_moves(path: Path, looks: Sequence[Observation], rows: int, config: Config) -> tuple[Move, ...]:
    """Return a table's moves in order, each before the look it precedes.

    ``rows`` is the count of data rows, bad ones included. Raises `InputUnusable` for any bad row: a history
    with a hole in it is no history.
    """
    table = read_table(path, ("position_steps",), ("time", "before_row"))
    if not {"time", "before_row"} & set(table.columns):
        raise InputUnusable(path, [f"{path}: the header row lacks the column before_row, or time"])
    moves, bad = [], list(table.bad)
    for row in table.rows:
        try:
            moves.append(_move(row, looks, rows, config))
        except BadCell as error:
            bad.append(table.tell(row, error))
    if bad:
        raise InputUnusable(path, [*bad, f"{path}: moves are all needed or none; nothing was computed"])
    return tuple(sorted(moves, key=lambda move: move.before_number))


def _move(row: Row, looks: Sequence[Observation], rows: int, config: Config) -> Move:
    position = row.needed_number("position_steps", -FARTHEST_STEPS, FARTHEST_STEPS, "steps")
    before = row.number_in("before_row", 0, rows)
    if before is None:
        moment = row.time_in("time")
        if moment is None:
            raise BadCell("neither before_row nor time is given")
        before = _first_after(moment.timestamp(), looks, rows)
    elif not before.is_integer():
        raise BadCell(f"before_row is {before:g}; it must be a whole number, 0 for the first data row")
    return Move(int(before), to_science(position, config.focuser.outward))


def _first_after(time_s: float, looks: Sequence[Observation], rows: int) -> int:
    """Return the number of the first look whose middle is later than a move's time."""
    if any(look.time_s is None for look in looks):
        raise BadCell("a move is given by its time, but not every look has one; use before_row")
    return next((look.number for look in looks if (look.time_s or 0.0) > time_s), rows)
