"""Take values out of a TOML table by type and range, collecting what is wrong instead of stopping at it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from drivers.errors import Problem

MISSING = object()
# Far beyond any table that a person writes; the parser's time and memory grow with the square of it.
_LONGEST_KEY_PARTS = 500


def read_toml(text: str) -> dict[str, Any]:
    """Return the tables of a TOML text; raises ValueError (in words) for whatever is no such text."""
    if any(piece.count(".") > _LONGEST_KEY_PARTS for piece in re.split("[=\n]", text)):
        raise ValueError(f"is nested too deeply: a key of more than {_LONGEST_KEY_PARTS} parts")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"is not valid TOML: {error}") from error
    except RecursionError as error:
        raise ValueError("is nested too deeply") from error
    except ValueError as error:
        # The parser lets this escape for integers longer than Python converts and for impossible dates.
        raise ValueError(f"holds a value that cannot be read: {str(error).partition(';')[0]}") from error


class Table:
    """One table of a description being read: takes keys by type, and collects what is wrong."""

    def __init__(self, content: Mapping[str, Any], path: str, problems: list[Problem]) -> None:
        self.content = content
        self.path = path
        self.problems = problems
        self.known: set[str] = set()

    def complain(self, key: str, what: str, example: str) -> None:
        """Note a problem at a key of this table."""
        self.problems.append(Problem(f"{self.path}.{key}" if self.path else key, what, example))

    def take(self, key: str, kind: type | tuple[type, ...], default: Any, example: str) -> Any:
        """Return a value of the given type; the default, with a problem noted, when it has another."""
        self.known.add(key)
        value = self.content.get(key, MISSING)
        if value is MISSING:
            if default is MISSING:
                self.complain(key, "is missing", example)
            return None if default is MISSING else default
        kinds = kind if isinstance(kind, tuple) else (kind,)
        if not isinstance(value, kind) or (isinstance(value, bool) and bool not in kinds):
            self.complain(key, f"{value!r} is not of the right type", example)
            return None if default is MISSING else default
        return value

    def text(self, key: str, example: str, default: Any = MISSING) -> str:
        """Return a string."""
        return str(self.take(key, str, default, example) or "")

    def number(self, key: str, default: float, low: float, high: float, example: str) -> float:
        """Return a number in a range."""
        value = float(self.take(key, (int, float), default, example))
        if not low <= value <= high:
            self.complain(key, f"{value:g} is not between {low:g} and {high:g}", example)
            return default
        return value

    def whole(self, key: str, default: int, low: int, high: int, example: str) -> int:
        """Return a whole number in a range."""
        value = int(self.take(key, int, default, example))
        if not low <= value <= high:
            self.complain(key, f"{value} is not between {low} and {high}", example)
            return default
        return value

    def flag(self, key: str, default: bool, example: str) -> bool:
        """Return true or false."""
        return bool(self.take(key, bool, default, example))

    def choice(self, key: str, options: tuple[str, ...], default: Any = MISSING) -> str:
        """Return one of several words."""
        example = f'{key} = "{options[0]}"'
        value = self.take(key, str, default, example)
        if value is not None and value not in options:
            self.complain(key, f"{value!r} is none of {', '.join(options)}{nearest(value, options)}", example)
            return options[0]
        return str(value or options[0])

    def table(self, key: str) -> Table:
        """Return a table below this one, empty when absent."""
        content = self.take(key, dict, {}, f"[{key}]")
        return Table(content, f"{self.path}.{key}" if self.path else key, self.problems)

    def tables(self, key: str) -> list[Table]:
        """Return the tables of an array of tables."""
        items = self.take(key, list, [], f"[[{key}]]")
        return [Table(item if isinstance(item, dict) else {}, f"{key}[{number}]", self.problems)
                for number, item in enumerate(items)]  # fmt: skip

    def close(self) -> None:
        """Complain about every key that nobody asked for."""
        for key in self.content:
            if key not in self.known:
                options = tuple(sorted(self.known))
                self.complain(key, f"is not a key of this table{nearest(key, options)}", "")


def nearest(word: str, options: tuple[str, ...]) -> str:
    """Return a hint at the closest known word, or nothing."""
    close = get_close_matches(word, options, 1)
    return f"; did you mean {close[0]!r}?" if close else ""
