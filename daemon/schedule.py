"""Starts runs when they are due, on a clock that may be real or virtual, and may be set or stand still.

Every look compares the time of day with what was handled last, so that neither a suspended machine nor a
clock set by hours makes it walk through every missed moment, start the same one twice, or fall asleep. Each
occasion that does not become a run is logged with its reason.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog

from daemon.api_models import ScheduleState
from daemon.clock import Clock
from daemon.files import write_text
from daemon.occasions import NextAfter, next_after, why_not_now, zone_of
from daemon.service.engine import Busy, Engine, EngineError
from drivers.errors import DeviceError

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.config.tables import ScheduleTable

WAKE_S = 30.0
# A loop that looks every 30 s is punctual within a minute; later than that counts as missed.
ON_TIME_S = 60.0
# A moment handled further in the future than any clock change by law (at most 2 h: common practice, 1 h)
# was handled by a clock that was wrong.
CLOCK_WAS_WRONG_S = 26 * 3600.0
log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Entry:
    """One schedule and where it stands; times in UTC."""

    table: ScheduleTable
    moments: NextAfter | None
    handled: datetime
    waiting: datetime | None = None
    looked: datetime | None = None
    started: datetime | None = None
    reference_c: float | None = None
    last: str = "nothing yet"


class Scheduler:
    """Asks an engine for runs at their moments; ``tick`` does one look, ``run`` looks until stopped."""

    def __init__(
        self, config: Config, engine: Engine, clock: Clock, memory: Path, temperature_c: Callable[[], float]
    ) -> None:
        self._config, self._engine, self._clock = config, engine, clock
        self._memory, self._temperature_c = memory, temperature_c
        self._zone = zone_of(config)
        now = clock.now()
        remembered = _remembered(memory)
        self._entries = [
            self._entry(table, now, remembered.get(table.name, {})) for table in config.schedules
        ]

    def run(self, stop: threading.Event) -> None:
        """Look every half minute, or sooner when something is due, until ``stop`` is set."""
        while not stop.is_set():
            try:
                self.tick()
            except Exception:
                log.exception("schedule_failed")
            stop.wait(min(WAKE_S, max(0.5, self.next_s())))

    def tick(self) -> None:
        """Start what is due now, and say why what is due does not start."""
        now = self._clock.now()
        for entry in self._entries:
            if entry.moments is None:
                self._by_temperature(entry, now)
            else:
                self._by_time(entry, now)

    def next_s(self) -> float:
        """Return the seconds until the next moment, at most ``WAKE_S``."""
        now = self._clock.now()
        times = [entry.moments(now) for entry in self._entries if entry.moments is not None]
        left = [(moment - now).total_seconds() for moment in times if moment is not None]
        return min([WAKE_S, *left])

    def states(self) -> list[ScheduleState]:
        """Return each schedule's next moment and what became of the last one."""
        now = self._clock.now()
        return [
            ScheduleState(
                name=entry.table.name,
                routine=entry.table.routine,
                next=None if entry.moments is None else entry.moments(now),
                last=entry.last,
            )
            for entry in self._entries
        ]

    def _entry(self, table: ScheduleTable, now: datetime, kept: dict[str, Any]) -> _Entry:
        handled = _time(kept.get("handled")) or now
        begun = _time(kept.get("begun")) or now
        entry = _Entry(table, next_after(table, self._config.site, self._zone, begun), handled)
        entry.started = _time(kept.get("started"))
        reference = kept.get("reference_c")
        entry.reference_c = float(reference) if isinstance(reference, int | float) else None
        return entry

    def _by_time(self, entry: _Entry, now: datetime) -> None:
        assert entry.moments is not None
        self._mend_clock(entry, now)
        due = entry.moments(entry.handled)
        if due is not None and due <= now:
            due = self._latest_due(entry, due, now)
            entry.handled, entry.waiting = now, due
            self._remember()
        if entry.waiting is not None:
            self._try(entry, entry.waiting, now)

    def _mend_clock(self, entry: _Entry, now: datetime) -> None:
        """Forget what a clock that was far ahead has handled; a small step back repeats nothing."""
        if (entry.handled - now).total_seconds() > CLOCK_WAS_WRONG_S:
            log.warning("clock_set_back", schedule=entry.table.name, handled=entry.handled.isoformat())
            entry.handled, entry.waiting = now, None
            self._remember()

    def _latest_due(self, entry: _Entry, first: datetime, now: datetime) -> datetime | None:
        """Return the last moment that is not too late by now; the others are skipped and told of."""
        assert entry.moments is not None
        latest_s = entry.table.latest_s if entry.table.if_missed == "run_once" else ON_TIME_S
        reach = max(entry.handled, now - timedelta(seconds=latest_s))
        found = first if first > reach else entry.moments(reach)
        if found is None or found > now:
            late_s = (now - first).total_seconds()
            self._skip(
                entry,
                f"due {first.isoformat()}, seen {late_s:.0f} s late; at most {latest_s:.0f} s is allowed",
            )
            return None
        if found != first:
            self._skip(entry, f"moments from {first.isoformat()} were missed; one run stands for them")
        while (later := entry.moments(found)) is not None and later <= now:
            found = later
        return found

    def _try(self, entry: _Entry, due: datetime, now: datetime) -> None:
        """Start a due run, let it wait for its turn, or skip it."""
        late_s = (now - due).total_seconds()
        patient = entry.table.if_missed == "run_once"
        why = why_not_now(entry.table, self._config.site, self._zone, now)
        if why is None and self._started(entry, now):
            return
        reason = why or "another run was on"
        if not patient or why is not None or late_s > entry.table.latest_s:
            entry.waiting = None
            self._skip(entry, f"due {due.isoformat()}: {reason}")

    def _started(self, entry: _Entry, now: datetime) -> bool:
        try:
            run_id = self._engine.request(entry.table.routine, origin=f"schedule {entry.table.name}")
        except Busy:
            return False
        except EngineError as error:
            entry.waiting = None
            self._skip(entry, str(error))
            return True
        entry.waiting, entry.started = None, now
        entry.last = f"started run {run_id} at {now.isoformat(timespec='seconds')}"
        log.info("schedule_started", schedule=entry.table.name, run=run_id)
        self._remember()
        return True

    def _skip(self, entry: _Entry, reason: str) -> None:
        entry.last = f"skipped: {reason}"
        log.warning("schedule_skipped", schedule=entry.table.name, reason=reason)
        self._engine.live.tell("schedule_skipped", schedule=entry.table.name, reason=reason)

    def _by_temperature(self, entry: _Entry, now: datetime) -> None:
        """Start a check when the temperature has moved since the last one, at most once in a cool-down.

        Nothing is read while a run is on or outside the window: the port is not opened for nothing.
        """
        table = entry.table
        if self._engine.busy or why_not_now(table, self._config.site, self._zone, now) is not None:
            return
        if not _passed(entry.looked, now, table.look_every_s) or not _passed(
            entry.started, now, table.cool_down_s
        ):
            return
        entry.looked = now
        try:
            temperature = self._temperature_c()
        except DeviceError as error:
            self._skip(entry, f"no temperature: {error}")
            return
        if entry.reference_c is None:
            self._refer(entry, temperature, "first temperature seen")
            return
        shift = temperature - entry.reference_c
        assert table.temperature_shift_c is not None
        if abs(shift) >= table.temperature_shift_c and self._started(entry, now):
            self._refer(entry, temperature, f"{shift:+.1f} C since the last check, started at")

    def _refer(self, entry: _Entry, temperature_c: float, words: str) -> None:
        entry.reference_c = temperature_c
        entry.last = f"{words} {temperature_c:.1f} C"
        self._remember()

    def _remember(self) -> None:
        """Keep what was handled, so that a restart neither repeats nor forgets."""
        kept = _remembered(self._memory)
        for entry in self._entries:
            before = kept.get(entry.table.name, {})
            kept[entry.table.name] = {
                "begun": before.get("begun") or entry.handled.isoformat(),
                "handled": entry.handled.isoformat(),
                "started": None if entry.started is None else entry.started.isoformat(),
                "reference_c": entry.reference_c,
            }
        with contextlib.suppress(OSError):
            write_text(self._memory, json.dumps(kept, indent=1))


def _passed(since: datetime | None, now: datetime, seconds: float) -> bool:
    """Tell whether so much time has passed; a moment in the future was told by a wrong clock."""
    return since is None or since > now or (now - since).total_seconds() >= seconds


def _time(text: Any) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def _remembered(path: Path) -> dict[str, dict[str, Any]]:
    """Return what was kept; a damaged file only means that nothing is remembered, and is told of."""
    try:
        kept = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        log.warning("schedule_memory_unreadable", path=str(path), error=str(error))
        return {}
    if not isinstance(kept, dict):
        return {}
    return {name: facts for name, facts in kept.items() if isinstance(facts, dict)}
