"""Processor times, taken the same way everywhere: the least of a few tries.

Time on the processor and not on the wall, so that what else the machine does matters little; everything
measured here computes and hardly waits.
"""

from __future__ import annotations

import resource
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


def least_time_s(work: Callable[[], object], tries: int = 5) -> float:
    """Return the processor time of the cheapest of ``tries`` runs in this process."""
    return min(_spent_s(work, resource.RUSAGE_SELF) for _ in range(tries))


def least_command_time_s(command: list[str | Path], tries: int = 5) -> float:
    """Return the processor time of the cheapest of ``tries`` runs of a command."""

    def run() -> None:
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)

    return min(_spent_s(run, resource.RUSAGE_CHILDREN) for _ in range(tries))


def _spent_s(work: Callable[[], object], whose: int) -> float:
    before = resource.getrusage(whose)
    work()
    after = resource.getrusage(whose)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: ours in its unit, and what it is held to (in words, "" when only told)."""

    what: str
    measured: float
    unit: str
    aim: str = ""


ROWS: list[Row] = []
"""What this process has measured so far; the table and the JSON are made of it."""


def record(what: str, measured: float, unit: str, aim: str = "") -> None:
    """Keep a figure for the table at the end."""
    ROWS.append(Row(what.strip(), float(measured), unit, aim))


def show(what: str, measured: float, unit: str, aim: str = "") -> None:
    """Keep a figure, and print it at once: what, how much, and what the project aims at."""
    record(what, measured, unit, aim)
    print(f"  {what:<58} {measured:8.3f} {unit:<4} {aim}", flush=True)
