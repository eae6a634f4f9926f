"""What a run looks like right now, for whoever watches: a snapshot, and a queue of events each."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

LiveState = Literal["idle", "running", "holding", "stopping"]
_LARGEST_BACKLOG = 1000


@dataclass(frozen=True, slots=True)
class GateView:
    """One gate as people see it."""

    name: str
    open: bool
    reason: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The run as it stands; positions in the controller's counts."""

    state: LiveState = "idle"
    run_id: str | None = None
    routine: str | None = None
    step: int = 0
    observations: int = 0
    fraction: float = 0.0
    sentence: str = ""
    shut: tuple[str, ...] = ()
    gates: tuple[GateView, ...] = ()
    holds: tuple[dict[str, Any], ...] = ()
    position_counts: int | None = None
    filter: str | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, numbered so that a watcher that fell off can catch up."""

    number: int
    kind: str
    facts: dict[str, Any]


Watcher = queue.Queue[Event | None]


class Live:
    """The one place that the conductor writes to and watchers read from; safe between threads."""

    def __init__(self) -> None:
        self._mutex = threading.Lock()
        self._snapshot = Snapshot()
        self._count = 0
        self._watchers: list[Watcher] = []
        self._touched_s = time.monotonic()

    def snapshot(self) -> Snapshot:
        """Return the latest state."""
        with self._mutex:
            return self._snapshot

    @property
    def quiet_s(self) -> float:
        """Return how long (real seconds) nothing has been written here: a thread that hangs shows."""
        return time.monotonic() - self._touched_s

    def update(self, **changes: Any) -> None:
        """Change fields of the snapshot."""
        with self._mutex:
            self._touched_s = time.monotonic()
            self._snapshot = replace(self._snapshot, **changes)

    def tell(self, kind: str, **facts: Any) -> None:
        """Hand an event to every watcher; one that has stopped reading loses its oldest."""
        with self._mutex:
            self._touched_s = time.monotonic()
            self._count += 1
            event = Event(self._count, kind, facts)
            for watcher in self._watchers:
                if watcher.full():
                    with contextlib.suppress(queue.Empty):
                        watcher.get_nowait()
                watcher.put_nowait(event)

    def watch(self) -> Watcher:
        """Return a new watcher's queue; None is for the watcher's own use, to end its reading."""
        watcher: Watcher = queue.Queue(_LARGEST_BACKLOG)
        with self._mutex:
            self._watchers.append(watcher)
        return watcher

    def unwatch(self, watcher: Watcher) -> None:
        """Forget a watcher."""
        with self._mutex:
            self._watchers.remove(watcher)
