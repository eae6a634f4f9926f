"""From a file to a `Config`, or to every mistake in it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from daemon.config.consistency import contradictions
from daemon.config.model import Config
from daemon.config.problems import ConfigErrors, Problem, problem_from
from drivers.tables import read_toml

_LARGEST_BYTES = 1_000_000
_HEADER = re.compile(r"^\s*\[\[?\s*([A-Za-z0-9_.\-]+)\s*\]\]?")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+)\s*=")


def load_config(path: str | Path) -> Config:
    """Read and check a config file; raises `ConfigErrors` holding every problem."""
    place = Path(path)
    try:
        with place.open("rb") as stream:
            content = stream.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise _only(str(path), f"cannot be read: {error.strerror or error}") from error
    if len(content) > _LARGEST_BYTES:
        raise _only(str(path), f"is larger than {_LARGEST_BYTES} bytes; this is no config")
    config = parse_config(content, file=str(path))
    config._file = place.absolute()
    return config


def parse_config(content: bytes, *, file: str) -> Config:
    """Check the bytes of a config; ``file`` is the name used in messages."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise _only(file, "is not UTF-8 text", line=line) from error
    try:
        raw = read_toml(text)
    except ValueError as error:
        raise _only(file, str(error)) from error
    try:
        return config_from_dict(raw, file=file)
    except ConfigErrors as errors:
        lines = _lines_of_keys(text)
        placed = [replace(problem, line=_line_for(problem.key, lines)) for problem in errors.problems]
        raise ConfigErrors(sorted(placed, key=lambda problem: problem.line or 0)) from None


def config_from_dict(raw: Mapping[str, Any], *, file: str = "config") -> Config:
    """Check a config given as nested tables; raises `ConfigErrors` holding every problem."""
    problems: list[Problem] = []
    config: Config | None = None
    try:
        config = Config.model_validate(dict(raw))
    except ValidationError as error:
        found = error.errors(include_url=False, include_context=False)
        problems.extend(problem_from(details, file) for details in found)
    except RecursionError:
        problems.append(Problem(file, "", None, "is nested too deeply"))
    problems.extend(contradictions(raw, file))
    if problems or config is None:
        raise ConfigErrors(problems)
    return config


def _only(file: str, message: str, *, line: int | None = None) -> ConfigErrors:
    return ConfigErrors([Problem(file, "", None, message, line)])


def _lines_of_keys(text: str) -> dict[str, int]:
    """Return the line of each plainly written table and key, by the dotted paths used in messages."""
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            table = header[1]
            if line.lstrip().startswith("[["):
                counts[table] = counts.get(table, 0) + 1
                table = f"{table}[{counts[table]}]"
            lines.setdefault(table, number)
        elif key:
            lines.setdefault(f"{table}.{key[1]}" if table else key[1], number)
    return lines


def _line_for(key: str, lines: dict[str, int]) -> int | None:
    """Return the line of a key, or of the nearest table around it."""
    while key:
        if key in lines:
            return lines[key]
        key = key.rpartition(".")[0]
    return None
