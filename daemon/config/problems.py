"""The words in which a config's mistakes are told: file, line, key, value, what is allowed, and the unit.

The allowed range is read off the same field definition that refused the value, so the two cannot differ.
"""

from __future__ import annotations

import difflib
import json
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from daemon.config.model import Config

# Longest suffix first, so that "c_per_h" is not taken for "h".
_UNITS = (
    ("electrons_per_adu", "electrons per ADU"),
    ("degrees_per_unit", "C per unit of the sensor"),
    ("_c_per_h", "C/h"),
    ("_electrons", "electrons"),
    ("_steps", "steps"),
    ("_ratio", "a ratio"),
    ("_share", "a share of one"),
    ("_duty", "a share of one"),
    ("_mm", "mm"),
    ("_um", "um"),
    ("_nm", "nm"),
    ("_px", "px"),
    ("_deg", "degrees"),
    ("_adu", "ADU"),
    ("_gb", "GB"),
    ("_mag", "mag"),
    ("_s", "s"),
)
_LONGEST_VALUE = 60
_LISTS = ("filter", "schedule")


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake; ``key`` is a dotted path, ``value`` as it would be written in the file."""

    file: str
    key: str
    value: str | None
    message: str
    line: int | None = None

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        subject = self.key if self.value is None else f"{self.key} = {self.value}"
        return f"{place}: {subject}: {self.message}" if subject else f"{place}: {self.message}"

    def as_dict(self) -> dict[str, str | int | None]:
        """Return the JSON form."""
        names = ("file", "line", "key", "value", "message")
        return {name: getattr(self, name) for name in names}


class ConfigErrors(Exception):
    """The config cannot be used; ``problems`` holds every reason, and fixing all of them is enough."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def shown(value: object) -> str:
    """Return a value as TOML would write it, shortened when long."""
    try:
        text = json.dumps(value, ensure_ascii=False, default=str)
    except (ValueError, RecursionError):
        text = "..."
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."


def unit_of(key: str) -> str:
    """Return the unit that a key's name carries, or an empty string."""
    return next((unit for suffix, unit in _UNITS if key.endswith(suffix)), "")


def allowed(key: str, info: FieldInfo) -> str:
    """Return what a field may hold, in words: kind, range and unit."""
    kind, bounds = _kind_and_bounds(info)
    if get_origin(kind) is Literal:
        choices = [shown(choice) for choice in get_args(kind)]
        return choices[0] if len(choices) == 1 else "one of " + ", ".join(choices)
    if kind is bool:
        return "true or false"
    if kind in (int, float):
        noun = "a whole number" if kind is int else "a number"
        return " ".join(part for part in (noun, _range_text(bounds), _unit_text(key)) if part)
    if kind is str:
        return _text_kinds(bounds)
    return "a list of texts, one for each argument" if get_origin(kind) is tuple else "a table"


def _unit_text(key: str) -> str:
    unit = unit_of(key)
    return f"({unit})" if unit else ""


def _text_kinds(bounds: list[Any]) -> str:
    patterns = [str(getattr(item, "pattern", "")) for item in bounds]
    if any("RGBL" in pattern for pattern in patterns):
        return 'the four colours of one 2 x 2 cell row by row, for example "RGGB"'
    if any("A-Z0-9_" in pattern for pattern in patterns):
        return "a FITS keyword in capitals"
    return "text of 1 to 500 printable characters in quotes"


def _kind_and_bounds(info: FieldInfo) -> tuple[Any, list[Any]]:
    """Strip Optional and Annotated off a field's type, collecting its constraints."""
    kind: Any = info.annotation
    bounds: list[Any] = list(info.metadata)
    while True:
        if get_origin(kind) in (Union, types.UnionType):
            kind = next(arg for arg in get_args(kind) if arg is not type(None))
        elif hasattr(kind, "__metadata__"):
            for item in kind.__metadata__:
                bounds.extend(item.metadata if isinstance(item, FieldInfo) else [item])
            kind = kind.__origin__
        else:
            return kind, bounds


def _range_text(bounds: list[Any]) -> str:
    words = []
    for item in bounds:
        if isinstance(item, annotated_types.Gt):
            words.append(f"above {_plain(item.gt)}")
        elif isinstance(item, annotated_types.Ge):
            words.append(f"at least {_plain(item.ge)}")
        elif isinstance(item, annotated_types.Lt):
            words.append(f"below {_plain(item.lt)}")
        elif isinstance(item, annotated_types.Le):
            words.append(f"at most {_plain(item.le)}")
    return " and ".join(words)


def _plain(number: Any) -> str:
    return str(int(number)) if float(number).is_integer() else f"{number:g}"


def key_path(loc: Iterable[int | str]) -> str:
    """Return a dotted path, with array items numbered from 1 as a person counts: ``filter[2].name``."""
    path = ""
    for part in loc:
        path += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if path else str(part))
    return path


def _model_at(loc: Iterable[int | str]) -> type[BaseModel] | None:
    """Return the table that a path leads to, or None where it leads to a plain value."""
    model: type[BaseModel] | None = Config
    for part in loc:
        if isinstance(part, int) or model is None:
            continue
        info = field_of(model, part)
        model = None if info is None else _table_in(info)
    return model


def _table_in(info: FieldInfo) -> type[BaseModel] | None:
    kind, _ = _kind_and_bounds(info)
    if get_origin(kind) is tuple:
        kind = get_args(kind)[0]
    return kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def field_of(model: type[BaseModel], key: str) -> FieldInfo | None:
    """Return the field that a key of the file fills."""
    for name, info in model.model_fields.items():
        if (info.alias or name) == key:
            return info
    return None


def _keys_of(model: type[BaseModel]) -> list[str]:
    return [info.alias or name for name, info in model.model_fields.items()]


def _unknown(loc: tuple[int | str, ...], key: str) -> str:
    model = _model_at(loc[:-1]) or Config
    known = _keys_of(model)
    homes = [name for name in _keys_of(Config) if _has_key(name, key) and name != key]
    near = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.0)
    close = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.75)
    if close or not homes:
        return f"unknown key; the nearest known one is {near[0]}"
    return f"unknown key here; {key} belongs in [{homes[0]}]"


def _has_key(table: str, key: str) -> bool:
    model = _model_at((table,))
    return model is not None and key in _keys_of(model)


def problem_from(details: ErrorDetails, file: str) -> Problem:
    """Return one of pydantic's findings in our words."""
    loc = details["loc"]
    key = next((str(part) for part in reversed(loc) if isinstance(part, str)), "")
    if details["type"] == "extra_forbidden":
        return Problem(file, key_path(loc), shown(details["input"]), _unknown(loc, key))
    parent = _model_at(loc[: len(loc) - 1 - loc[::-1].index(key)] if key else ())
    info = None if parent is None else field_of(parent, key)
    if details["type"] == "missing":
        return Problem(file, key_path(loc), None, _missing(key, info))
    if info is None or key in _LISTS:
        return Problem(file, key_path(loc), shown(details["input"]), _table_expected(key))
    return Problem(file, key_path(loc), shown(details["input"]), f"must be {allowed(key, info)}")


def _missing(key: str, info: FieldInfo | None) -> str:
    if key == "filter":
        return "missing; at least one [[filter]] table is needed"
    if info is not None and _table_in(info) is not None:
        return f"missing; the table [{key}] is needed"
    return "missing" if info is None else f"missing; it must be {allowed(key, info)}"


def _table_expected(key: str) -> str:
    return f"must be a list of tables, each under [[{key}]]" if key in _LISTS else "must be a table"


def nearest(name: str, known: Mapping[str, Any] | Iterable[str]) -> str | None:
    """Return the known name closest to a misspelt one, if any is close."""
    folded = {item.casefold(): item for item in known}
    found = difflib.get_close_matches(name.casefold(), list(folded), n=1)
    return folded[found[0]] if found else None
