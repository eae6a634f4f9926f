"""What the durable record costs: a thousand steps appended and replayed, and a run on devices of nothing."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from daemon.conductor import new_run_id
from daemon.journal import Journal, RunRecord
from tests.benchmarks.timing import show
from tests.campaigns.tally import borrow_rigs

STEPS = 1_000
NOW = datetime(2026, 1, 14, 19, tzinfo=UTC)


def elapsed_s(work: Callable[[], object]) -> float:
    """Return the time on the wall: a synced write waits on the disk, not on the processor."""
    began = time.monotonic()
    work()
    return time.monotonic() - began


def run() -> None:
    """Print appends, their yardstick (as many synced writes of a plain file), replay, a run's overhead."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite3"
        journal, run_id = Journal.open(path), new_run_id()
        journal.begin_run(RunRecord(run_id, "backlash", 1, {}, "0", {}, created=NOW.isoformat()))
        appended = elapsed_s(lambda: append(journal, run_id))
        synced = elapsed_s(lambda: synced_writes(Path(folder) / "plain"))
        show("1,000 steps journaled (2,000 synced commits)", appended, "s")
        show("  beside 2,000 synced writes of a plain file", appended / synced, "", "aim: under 4")
        show(
            "1,000 steps read back and checked",
            elapsed_s(lambda: journal.steps(run_id)),
            "s",
            "aim: under 0.1",
        )
        show("the journal's size for them", path.stat().st_size / 1024.0, "KiB")
        journal.close()
        overhead(Path(folder))


def append(journal: Journal, run_id: str) -> None:
    seen = {"kind": "Seen", "observation": {"position_steps": 5000.0, "value_px": 0.25, "u_px": 0.03}}
    for number in range(STEPS):
        journal.intend(run_id, number, {"kind": "Observe", "filter": "L", "exposure_s": 2.0}, NOW)
        journal.answer(run_id, number, seen, NOW)


def synced_writes(path: Path) -> None:
    import os

    with path.open("wb", buffering=0) as stream:
        for _ in range(2 * STEPS):
            stream.write(bytes(200))
            os.fsync(stream.fileno())


def overhead(folder: Path) -> None:
    """Print what a step of a whole run costs beyond its devices, which take no time here."""
    borrow_rigs()
    from fake_rig import FakeRig, begin, conductor_of

    journal = Journal.open(folder / "run" / "journal.sqlite3")
    conductor = conductor_of(journal, FakeRig())
    run_id = begin(conductor, "characterise")
    took = elapsed_s(lambda: conductor.carry_on(run_id))
    steps = len(journal.steps(run_id))
    journal.close()
    show("a step of a run, beyond its devices", 1000.0 * took / steps, "ms", "aim: under 1 % of a 2 s look")
