"""The event stream: what happens, numbered and kept for a while, so that whoever drops off catches up.

One thread takes events from the one queue and hands them to the event loop; everything else here lives on
the loop and needs no lock. Format: Server-Sent Events (WHATWG HTML standard, section 9.2).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable

from daemon.live import Event, Live

KEPT = 2000
HEARTBEAT_S = 15.0
LOOK_AGAIN_S = 1.0
RECONNECT_MS = 2000
MOST_READERS = 32


class TooManyReaders(Exception):
    """The stream has as many readers as it serves at once."""


class EventHub:
    """Events of this life of the service; ids read LIFE-NUMBER, so that an older life's are told apart."""

    def __init__(self, live: Live, life: str) -> None:
        self._live = live
        self._life = life
        self._kept: deque[Event] = deque(maxlen=KEPT)
        self._news = asyncio.Condition()
        self._closed = False
        self._readers = 0
        self._watcher: queue.Queue[Event | None] | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to take events; call it on the loop."""
        loop = asyncio.get_running_loop()
        watcher = self._live.watch()
        self._watcher = watcher
        self._thread = threading.Thread(target=_pump, args=(watcher, loop, self._publish), name="events")
        self._thread.start()

    async def close(self) -> None:
        """End every stream and the thread."""
        self._closed = True
        await self._wake()
        if self._watcher is not None and self._thread is not None:
            self._live.unwatch(self._watcher)
            with contextlib.suppress(queue.Full):
                self._watcher.put_nowait(None)
            await asyncio.to_thread(self._thread.join, 1.0)

    def close_soon(self) -> None:
        """End every stream; for a signal handler on the loop's own thread."""
        self._closed = True

    async def stream(self, last_id: str | None, status: Callable[[], str]) -> AsyncIterator[bytes]:
        """Yield the events after ``last_id`` and all that follow, with the status whenever it changes.

        Without an id a reader gets the status and what comes from now on; with one that is no longer kept,
        or of an earlier life, all that is kept, after an event ``gap`` that says so.
        """
        self._readers += 1
        try:
            yield f"retry: {RECONNECT_MS}\n\n".encode()
            async for chunk in self._chunks(last_id, status):
                yield chunk
        finally:
            self._readers -= 1

    def require_room(self) -> None:
        """Raise TooManyReaders when no further reader can be served."""
        if self._readers >= MOST_READERS:
            raise TooManyReaders(f"{MOST_READERS} readers follow the events already")

    async def _chunks(self, last_id: str | None, status: Callable[[], str]) -> AsyncIterator[bytes]:
        after, gap = self._place_of(last_id)
        if gap:
            yield _encoded("gap", json.dumps({"why": "events before the first one here are gone"}))
        told, quiet_s = "", 0.0
        while not self._closed:
            news = [event for event in self._kept if event.number > after]
            for event in news:
                after = event.number
                yield _encoded(
                    event.kind, json.dumps(event.facts, default=str), f"{self._life}-{event.number}"
                )
            now = await asyncio.to_thread(status)
            if now != told:
                told = now
                yield _encoded("status", now)
            elif not news:
                quiet_s += LOOK_AGAIN_S
            if quiet_s >= HEARTBEAT_S:
                quiet_s = 0.0
                yield b": still here\n\n"
            await self._wait(after)

    def _place_of(self, last_id: str | None) -> tuple[int, bool]:
        """Return the number after which to go on, and whether something in between is lost."""
        latest = self._kept[-1].number if self._kept else 0
        if last_id is None:
            return latest, False
        life, _, number = last_id.rpartition("-")
        oldest = self._kept[0].number if self._kept else latest + 1
        if life != self._life or not (number.isascii() and number.isdigit()) or len(number) > 15:
            return oldest - 1, True
        return max(int(number), oldest - 1), int(number) < oldest - 1

    async def _wait(self, after: int) -> None:
        """Wait for news, at most a moment, since the status may change without any."""
        async with self._news:
            if self._closed or (self._kept and self._kept[-1].number > after):
                return
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), LOOK_AGAIN_S)

    def _publish(self, event: Event) -> None:
        self._kept.append(event)
        task = asyncio.ensure_future(self._wake())
        task.add_done_callback(lambda done: done.exception())

    async def _wake(self) -> None:
        async with self._news:
            self._news.notify_all()


def _pump(
    watcher: queue.Queue[Event | None], loop: asyncio.AbstractEventLoop, publish: Callable[[Event], None]
) -> None:
    while (event := watcher.get()) is not None:
        try:
            loop.call_soon_threadsafe(publish, event)
        except RuntimeError:
            return  # the loop has ended


def _encoded(kind: str, data: str, identity: str | None = None) -> bytes:
    head = "" if identity is None else f"id: {identity}\n"
    body = "".join(f"data: {line}\n" for line in data.splitlines() or [""])
    return f"{head}event: {kind}\n{body}\n".encode()
