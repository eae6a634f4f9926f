"""What the report says of holds: when the run waited, how long, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from daemon.report.markup import Markup, rows, tag


def holds(kept: Sequence[Mapping[str, Any]]) -> Markup:
    """Return the section on holds; a run that never waited says so."""
    if not kept:
        return tag("section", tag("h2", "Holds"), tag("p", "None: nothing kept the looks waiting."))
    cells: list[list[object]] = [
        [_clock(item.get("began")), _clock(item.get("ended")), _why(item)] for item in kept
    ]
    return tag("section", tag("h2", "Holds"), rows(cells, ["from (UTC)", "to", "why"], class_="words"))


def _why(item: Mapping[str, Any]) -> str:
    if item.get("went_on"):
        return f"went on: {item['went_on']}"
    why = "; ".join(map(str, item.get("reasons", ())))
    return f"{why} (until the program was started again)" if item.get("restarted") else why


def _clock(told: Any) -> str:
    if not told:
        return ""
    try:
        return datetime.fromisoformat(str(told)).strftime("%Y-%m-%d %H:%M:%S")
    except ValueError:
        return str(told)
