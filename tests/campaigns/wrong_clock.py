"""Clocks set, suspended, changed by law, or woken up in 1970: each occasion once, none lost for ever.

Schedules are followed over weeks of half-minute looks while the clock is disturbed at random. Nothing may
start twice for one moment, and once the clock has been right for two days, each day has its run again.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from daemon.rehearse import default_config
from daemon.schedule import Scheduler
from tests.campaigns.tally import Tally

FULL, BRIEF = 300, 12
# Zones with different rules: either hemisphere, half an hour only, and none at all (IANA tz database).
ZONES = ("Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "Africa/Nairobi")
LOOK_S, DAYS = 30.0, 6
TROUBLES = ("steps of hours", "suspended", "daylight saving", "dead battery at boot", "steps of minutes")


class SetClock:
    """A wall clock that anybody may set."""

    def __init__(self, now: datetime) -> None:
        self.time = now

    def now(self) -> datetime:
        return self.time


class CountingEngine:
    """Takes every request and remembers when it came."""

    def __init__(self, clock: SetClock) -> None:
        self.clock, self.started, self.busy = clock, [], False
        self.live = SimpleNamespace(tell=lambda *args, **kwargs: None)

    def request(self, routine: str, *, if_busy: str = "refuse", origin: str = "") -> str:
        self.started.append(self.clock.now())
        return f"run{len(self.started)}"


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Follow so many disturbed weeks."""
    with tempfile.TemporaryDirectory() as folder:
        for number in range(rounds):
            rng = np.random.default_rng([seed, 17, number])
            trouble = TROUBLES[number % len(TROUBLES)]
            lost = Week(rng, trouble, Path(folder) / f"{number}.json").lived()
            tally.add(trouble, "lost" if lost else "right", lost)


class Week:
    """Some days of one schedule, at a wall time of every day, under one kind of trouble."""

    def __init__(self, rng: np.random.Generator, trouble: str, memory: Path) -> None:
        self.rng, self.trouble, self.memory = rng, trouble, memory
        self.zone = str(rng.choice(ZONES))
        self.hour, self.minute = int(rng.integers(0, 24)), int(rng.integers(0, 60))
        self.true = self._beginning()
        self.off = timedelta(0)
        self.clock = SetClock(self.true)
        self.engine = CountingEngine(self.clock)
        self.config = self._config()
        self.scheduler = self._booted()

    def _beginning(self) -> datetime:
        """Return a moment of 2026; for daylight saving, three days before a change of the zone."""
        start = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=int(self.rng.integers(0, 300)))
        if self.trouble != "daylight saving":
            return start
        zone = ZoneInfo(self.zone)
        for _ in range(366):
            if start.astimezone(zone).utcoffset() != (start + timedelta(days=1)).astimezone(zone).utcoffset():
                return start - timedelta(days=3)
            start += timedelta(days=1)
        return start

    def _config(self) -> Any:
        from daemon.config.tables import ScheduleTable

        config = default_config()
        table = ScheduleTable(
            name="nightly", routine="find_focus", at=f"{self.minute} {self.hour} * * *", if_missed="run_once",
            latest_s=3600.0,
        )  # fmt: skip
        service = config.service.model_copy(update={"timezone": self.zone})
        return config.model_copy(update={"schedules": (table,), "service": service})

    def _booted(self) -> Scheduler:
        """Start the service anew; what it remembers is on the disk."""
        return Scheduler(self.config, self.engine, self.clock, self.memory, lambda: 0.0)  # type: ignore[arg-type]  # stand-in

    def lived(self) -> str:
        """Live through it; return what went wrong, or nothing."""
        if self.trouble == "dead battery at boot":
            self._boot_in_1970()
        troubled_until = self.true + timedelta(days=DAYS - 3)
        end = self.true + timedelta(days=DAYS)
        while self.true < end:
            self.true += timedelta(seconds=LOOK_S)
            if self.true < troubled_until:
                self._disturb()
            elif self.off:
                self.off = timedelta(0)  # set right, and from now on left alone
            self.clock.time = self.true + self.off
            self.scheduler.tick()
        return self._wrong(troubled_until, end)

    def _boot_in_1970(self) -> None:
        self.clock.time = datetime(1970, 1, 1, tzinfo=UTC)
        self.scheduler = self._booted()
        for _ in range(10):
            self.clock.time += timedelta(seconds=LOOK_S)
            self.scheduler.tick()

    def _disturb(self) -> None:
        if self.rng.random() > 1e-3:
            return
        if self.trouble == "steps of hours":
            self.off = timedelta(hours=float(self.rng.uniform(-30.0, 30.0)))
        elif self.trouble == "steps of minutes":
            self.off = timedelta(seconds=float(self.rng.uniform(-600.0, 600.0)))
        elif self.trouble == "suspended":
            self.true += timedelta(hours=float(self.rng.uniform(0.1, 20.0)))
        elif self.rng.random() < 0.5:
            self.scheduler = self._booted()

    def _wrong(self, troubled_until: datetime, end: datetime) -> str:
        """Return what was wrong: a moment used twice, or a day missed after all had long been well."""
        zone = ZoneInfo(self.zone)
        if self.trouble not in ("steps of hours", "dead battery at boot"):
            days = Counter(moment.astimezone(zone).date() for moment in self._moments(zone))
            twice = [str(day) for day, count in days.items() if count > 1]
            if twice:
                return f"{self.zone} {self.hour:02d}:{self.minute:02d}: started twice on {', '.join(twice)}"
        well = [
            moment
            for moment in self.engine.started
            if troubled_until + timedelta(days=1) < moment <= end - timedelta(minutes=2)
        ]
        if not 1 <= len(well) <= 3:
            return f"{self.zone} {self.hour:02d}:{self.minute:02d}: {len(well)} runs in two right days"
        late = [moment for moment in well if self._late_s(moment.astimezone(zone)) > 90.0 + 3600.0]
        return f"{self.zone}: started at {late[0]}, due at {self.hour:02d}:{self.minute:02d}" if late else ""

    def _moments(self, zone: ZoneInfo) -> list[datetime]:
        """Return the due moments that the starts stand for: a late start counts for the day it was due on."""
        return [
            moment - timedelta(seconds=self._late_s(moment.astimezone(zone)))
            for moment in self.engine.started
        ]

    def _late_s(self, wall: datetime) -> float:
        due = wall.replace(hour=self.hour, minute=self.minute, second=0, microsecond=0)
        late_s = (wall - due).total_seconds()
        return late_s if late_s >= -1.0 else late_s + 86_400.0
