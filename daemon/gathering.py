"""What came out of a folder of frames or a table, and the error for one that holds nothing to go on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from routines.observations import Move, Observation


class InputUnusable(Exception):
    """The input as a whole cannot be used: correct it, or the config; every reason is named."""

    def __init__(self, path: str | Path, reasons: Iterable[str]) -> None:
        self.path = str(path)
        self.reasons = tuple(reasons)
        super().__init__("\n".join(self.reasons))


@dataclass(frozen=True, slots=True)
class Gathered:
    """Looks already taken, in the order of time, with all that had to be left out and why.

    ``moves`` is None where no history of moves is known. ``left_out`` names each row or file that gives no
    look; ``remarks`` are worth reading but change nothing.
    ``rows`` counts the rows or frames, those left out included.
    """

    observations: tuple[Observation, ...]
    moves: tuple[Move, ...] | None = None
    left_out: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    rows: int = 0
    simulated: bool = False
