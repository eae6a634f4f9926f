"""What a single-board computer beside the telescope needs for the same work, from the figures just measured.

Such a computer is taken as five times slower than the machine that measures (our own rule; run the table on
yours), with 1 GB of memory. A look is 2 s of exposure and 0.8 s of readout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

SLOWER, MEMORY_MB = 5.0, 1024.0
_LOOK_S = 2.8


@dataclass(frozen=True, slots=True)
class Share:
    """One figure by its name, what it takes up, and how much of that there is, in the figure's unit."""

    what: str
    of: str
    available: float
    slows: bool = True


SHARES = (
    Share("read a cut-out near where it is expected", "a look", 1e3 * _LOOK_S),
    Share("measure each further frame (read, find, fit)", "a look with 26 million pixels", _LOOK_S),
    Share("joint fit with every interval, 300 looks", "the eight looks between two fits", 8.0 * _LOOK_S),
    Share("a step of a run, beyond its devices", "a look", 1e3 * _LOOK_S),
    Share("the service answers after", "ten seconds after power-on", 10.0),
    Share("idle: processor", "the processor", 100.0),
    Share("idle: memory", "the memory", MEMORY_MB, slows=False),
    Share("largest memory of a fresh process, one frame", "the memory", MEMORY_MB, slows=False),
)


def budget(figures: list[dict[str, Any]]) -> list[str]:
    """Return a line for each figure that the budget knows and the table has; empty without any."""
    measured = {row["what"]: (row["measured"], row["unit"]) for row in figures}
    lines = []
    for share in SHARES:
        if share.what in measured:
            value, unit = measured[share.what]
            there = value * (SLOWER if share.slows else 1.0)
            lines.append(
                f"  {share.what:<58} {there:>10.4g} {unit:5} {100.0 * there / share.available:5.1f} % of "
                f"{share.of}"
            )
    head = f"\non a single-board computer {SLOWER:g} times slower, with {MEMORY_MB / 1024.0:g} GB:"
    return [head, *lines] if lines else []
