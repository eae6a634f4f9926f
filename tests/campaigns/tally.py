"""What a campaign counts: every try ends right, or is told (an honest refusal, error or null), or is lost.

Lost is what must not happen: a wrong number accepted, data gone, a service down, an error nobody documented.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

Outcome = Literal["right", "told", "lost"]
TESTS = Path(__file__).resolve().parents[1]
MOST_EXAMPLES = 5


def borrow_rigs() -> None:
    """Make the helpers that stand beside the tests importable: calm rigs, fake rigs, a service to talk to."""
    for folder in (TESTS, TESTS / "rig", TESTS / "unit"):
        if str(folder) not in sys.path:
            sys.path.insert(0, str(folder))


@dataclass
class Tally:
    """Counts outcomes by what was tried; ``show`` prints a line at once, for the long ones."""

    show: Callable[[str], None] = lambda line: None
    counts: dict[str, Counter[Outcome]] = field(default_factory=dict)
    examples: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, what: str, outcome: Outcome, words: str = "") -> None:
        """Count one try."""
        self.counts.setdefault(what, Counter())[outcome] += 1
        if outcome == "lost":
            self.show(f"  LOST {what}: {words}")
            if len(self.examples) < MOST_EXAMPLES:
                self.examples.append(f"{what}: {words}")

    def note(self, line: str) -> None:
        """Keep a line to be printed under the table."""
        self.notes.append(line)

    @property
    def lost(self) -> int:
        """Return how many tries were lost."""
        return sum(counts["lost"] for counts in self.counts.values())

    def lines(self) -> list[str]:
        """Return the table, the notes and some examples of what was lost."""
        rows = [f"  {'what':<58} {'tries':>7} {'right':>7} {'told':>7} {'LOST':>5}"]
        for what, counts in self.counts.items():
            rows.append(
                f"  {what:<58} {counts.total():>7} {counts['right']:>7} {counts['told']:>7} "
                f"{counts['lost']:>5}"
            )
        return [*rows, *(f"  {line}" for line in self.notes), *(f"  LOST {line}" for line in self.examples)]
