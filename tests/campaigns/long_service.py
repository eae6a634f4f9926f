"""A month of schedules in minutes: memory, descriptors, threads and the journal's growth stay flat.

The engine, the scheduler and the simulated rig are the service's own; only the wall clock is ours, and is
put forward half a minute at a time, as the scheduler's own loop would see it.
"""

from __future__ import annotations

import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from daemon.config.tables import ScheduleTable
from daemon.journal import Journal
from daemon.live import Live
from daemon.schedule import Scheduler
from daemon.service.bench import bench_for
from daemon.service.engine import Engine
from tests.campaigns.tally import Tally
from tests.campaigns.wrong_clock import SetClock

FULL, BRIEF = 30, 3
LOOK_S, WARM_DAYS = 30.0, 2
# What a run leaves in memory at most, and what the allocator may hold on to: a leak shows over a month.
GROWTH_KIB = 8_192
LATEST_S = 90.0


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Live through so many days, with a run each evening."""
    from calm_rig import calm_config, two_filters

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        config = two_filters(calm_config(place))
        evening = ScheduleTable(name="evening", routine="backlash", at="30 19 * * *")
        simulated = config.simulated.model_copy(update={"looks": "numbers", "seed": seed})
        service = config.service.model_copy(update={"timezone": "UTC"})
        config = config.model_copy(
            update={"schedules": (evening,), "simulated": simulated, "service": service}
        )
        Month(config, place / "state", tally).lived(rounds)


class Month:
    """One long life of engine and scheduler, and what was measured of it each day."""

    def __init__(self, config: Any, state: Path, tally: Tally) -> None:
        self.state, self.tally = state, tally
        state.mkdir()
        self.clock = SetClock(datetime(2026, 1, 14, 12, tzinfo=UTC))
        self.journal = Journal.open(state / "journal.sqlite3")
        self.engine = Engine(config, state, self.journal, bench_for(config, state, None), Live())
        self.scheduler = Scheduler(
            config, self.engine, self.clock, state / "schedule.json", self.engine.bench.temperature_c
        )
        self.days: list[dict[str, int]] = []

    def lived(self, days: int) -> None:
        self.engine.start()
        try:
            for _ in range(days):
                self._day()
        finally:
            closed = self.engine.close(30.0)
            self.journal.close()
        self.tally.add("the engine ends when told", "right" if closed else "lost")
        self._judge()

    def _day(self) -> None:
        runs = len(self.journal.runs())
        until, started = self.clock.time + timedelta(days=1), None
        while self.clock.time < until:
            self.clock.time += timedelta(seconds=LOOK_S)
            self.scheduler.tick()
            if self.engine.busy:
                started = self.clock.time
                self._await_idle()
        made = self.journal.runs()[runs:]
        states = [run.state for run in made]
        due = (until - timedelta(days=1)).replace(hour=19, minute=30)
        late_s = LATEST_S + 1 if started is None else (started - due).total_seconds()
        self.tally.add(
            "the evening's run, on time and done",
            "right" if states == ["done"] and 0.0 <= late_s <= LATEST_S else "lost",
            f"{self.clock.time.date()}: {states}, {late_s:.0f} s after its time, {made and made[-1].result}",
        )
        self._measure()

    def _await_idle(self, within_s: float = 300.0) -> None:
        until = time.monotonic() + within_s
        while self.engine.busy and time.monotonic() < until:
            time.sleep(0.02)

    def _measure(self) -> None:
        status = Path("/proc/self/status").read_text().splitlines()
        memory = next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
        self.days.append(
            {
                "memory (KiB)": memory,
                "descriptors": len(list(Path("/proc/self/fd").iterdir())),
                "threads": threading.active_count(),
                "journal (KiB)": self._journal_kib(),
            }
        )

    def _journal_kib(self) -> int:
        self.journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return (self.state / "journal.sqlite3").stat().st_size // 1024

    def _judge(self) -> None:
        """Compare the first warm day with the last."""
        first, last = self.days[min(WARM_DAYS, len(self.days)) - 1], self.days[-1]
        for name in ("memory (KiB)", "descriptors", "threads"):
            allowed = GROWTH_KIB if name.startswith("memory") else 0
            grown = last[name] - first[name]
            self.tally.add(f"{name} flat", "right" if grown <= allowed else "lost", f"{first} -> {last}")
            self.tally.note(f"{name}: {first[name]} on day {WARM_DAYS}, {last[name]} on day {len(self.days)}")
        each = [day["journal (KiB)"] - before["journal (KiB)"] for before, day in pairwise(self.days)]
        flat = not each or max(each[-5:]) <= 1.5 * max(each[:5]) + 4
        self.tally.add("journal grows by the same each day", "right" if flat else "lost", str(each))
        self.tally.note(
            f"journal: {each[0] if each else 0} KiB a run at first, {each[-1] if each else 0} at last"
        )
