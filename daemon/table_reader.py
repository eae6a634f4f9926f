"""Read a small CSV table strictly: a header row, known columns, and cells that are what they should be.

Every bad row is named with its line and its reason; nothing is repaired by guessing.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from daemon.gathering import InputUnusable
from drivers.header import parse_time

_LARGEST_BYTES = 100_000_000
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")
_SHOWN = 40


class BadCell(ValueError):
    """A cell is not what its column holds; the message says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Row:
    """One data row: its line in the file, its 0-based number among the data rows, its cells by column."""

    line: int
    number: int
    cells: dict[str, str]

    def number_in(
        self, column: str, low: float = -math.inf, high: float = math.inf, unit: str = ""
    ) -> float | None:
        """Return a cell as a number from ``low`` to ``high``, None when empty; raises BadCell."""
        text = self.cells.get(column, "")
        if not text:
            return None
        if not _NUMBER.fullmatch(text):
            comma = re.fullmatch(r"[-+]?[\d,]+", text) is not None
            hint = "; write it without commas, and decimals with a point" if comma else ""
            raise BadCell(f"{column} is {_shown(text)}, which is not a number{hint}")
        value = float(text)
        if not low <= value <= high:
            raise BadCell(f"{column} is {_shown(text)}; it must be from {low:g} to {high:g} {unit}".rstrip())
        return value

    def needed_number(self, column: str, low: float, high: float, unit: str = "") -> float:
        """Return a cell that must hold a number; raises BadCell."""
        value = self.number_in(column, low, high, unit)
        if value is None:
            raise BadCell(f"{column} is empty")
        return value

    def time_in(self, column: str) -> datetime | None:
        """Return a cell as a time in UTC (no zone means UTC), None when empty; raises BadCell."""
        text = self.cells.get(column, "")
        moment = parse_time(text) if text else None
        if text and moment is None:
            raise BadCell(f"{column} is {_shown(text)}; write it as 2026-01-31T22:15:00 (UTC)")
        return moment


@dataclass(slots=True)
class CsvTable:
    """A table as read: its columns, its sound rows, and a sentence for each row that is not one."""

    path: Path
    columns: tuple[str, ...]
    rows: list[Row] = field(default_factory=list)
    bad: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    count: int = 0

    def tell(self, row: Row, reason: object) -> str:
        """Return a sentence about one row."""
        return f"{self.path}:{row.line}: {reason}"


def read_table(
    path: Path, required: Sequence[str], optional: Sequence[str], instead: Mapping[str, str] | None = None
) -> CsvTable:
    """Read a table; raises `InputUnusable` when it is none or lacks a column, naming every reason.

    A required column that is a key of ``instead`` may be missing where the column it names is there.
    """
    lines = csv.reader(io.StringIO(_text(path), newline=""), strict=True)
    columns = _header(path, lines, required, optional, instead or {})
    table = CsvTable(path, columns)
    known = {*required, *optional}
    table.remarks += [_ignored(path, name, known) for name in columns if name and name not in known]
    while True:
        try:
            cells = next(lines, None)
        except csv.Error as error:
            # After a broken quote nothing tells where the next row begins.
            where = f"{path}:{lines.line_num}"
            table.bad.append(f"{where}: cannot be read as CSV ({error}); the rest is left out")
            return table
        if cells is None:
            return table
        if any(cell.strip() for cell in cells):
            _take(table, lines.line_num, [cell.strip() for cell in cells])


def _take(table: CsvTable, line: int, cells: list[str]) -> None:
    """Add one data row to a table, or the reason why it is none."""
    if len(cells) == len(table.columns):
        table.rows.append(Row(line, table.count, dict(zip(table.columns, cells, strict=True))))
    else:
        counts = f"has {len(cells)} cells; the header has {len(table.columns)} columns"
        table.bad.append(f"{table.path}:{line}: {counts}")
    table.count += 1


def _text(path: Path) -> str:
    try:
        size = path.stat().st_size
        if size > _LARGEST_BYTES:
            raise InputUnusable(path, [f"{path}: is larger than {_LARGEST_BYTES} bytes"])
        content = path.read_bytes()
    except OSError as error:
        raise InputUnusable(path, [f"{path}: cannot be read: {error.strerror or error}"]) from error
    if not content.strip():
        raise InputUnusable(path, [f"{path}: is empty"])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputUnusable(path, [f"{path}:{line}: is not UTF-8 text"]) from error


def _header(
    path: Path,
    lines: Iterator[list[str]],
    required: Sequence[str],
    optional: Sequence[str],
    instead: Mapping[str, str],
) -> tuple[str, ...]:
    try:
        first = next((cells for cells in lines if any(cell.strip() for cell in cells)), [])
    except csv.Error as error:
        raise InputUnusable(path, [f"{path}: cannot be read as CSV: {error}"]) from error
    columns = tuple(cell.strip() for cell in first)
    reasons = [_separator(path, columns)] if len(columns) == 1 and re.search("[;\t|]", columns[0]) else []
    if not reasons:
        absent = [name for name in required if name not in columns and instead.get(name) not in columns]
        reasons = [_missing(path, name, columns, optional) for name in absent]
        doubles = sorted({name for name in columns if name and columns.count(name) > 1})
        reasons += [f"{path}: the column {name} is there {columns.count(name)} times" for name in doubles]
    if reasons:
        raise InputUnusable(path, reasons)
    return columns


def _separator(path: Path, columns: tuple[str, ...]) -> str:
    used = "semicolons" if ";" in columns[0] else "tabs or bars"
    return f"{path}: its cells are separated by {used}; save it with commas (and decimal points)"


def _missing(path: Path, name: str, columns: Sequence[str], optional: Sequence[str]) -> str:
    spare = [column for column in columns if column not in optional]
    near = difflib.get_close_matches(name, spare, n=1)
    hint = f'; is it "{near[0]}"?' if near else ""
    found = ", ".join(_shown(column) for column in columns[:12])
    return f"{path}: the header row lacks the column {name}{hint} (found: {found})"


def _ignored(path: Path, name: str, known: set[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; is {near[0]} meant?" if near else ""
    return f"{path}: the column {_shown(name)} is not used{hint}"


def _shown(text: str) -> str:
    short = text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
    return repr(short)
