"""Processor times, taken the same way everywhere: the least of a few tries.

Time on the processor and not on the wall, so that what else the machine does matters little; everything
measured here computes and hardly waits.
"""

from __future__ import annotations

import resource
import subprocess
from collections.abc import Callable
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


def show(what: str, measured: float, unit: str, aim: str = "") -> None:
    """Print one line: what, how much, and what the project aims at."""
    print(f"  {what:<58} {measured:8.3f} {unit:<4} {aim}", flush=True)
