"""A scripted device on the far end of a pseudo-terminal, and a clock that only moves by sleeping."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

Handler = Callable[[bytes], "bytes | None"]


class Peer:
    """Answers each LF-ended request by ``handler``; everything heard is kept."""

    def __init__(self, handler: Handler, end: bytes = b"\n") -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.handler = handler
        self.heard: list[bytes] = []
        self._end = end
        self._wake, self._waker = os.pipe()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def _run(self) -> None:
        buffer = b""
        while True:
            ready, _, _ = select.select([self.master, self._wake], [], [])
            if self._wake in ready:
                return
            buffer += os.read(self.master, 4096)
            while self._end in buffer:
                request, buffer = buffer.split(self._end, 1)
                self.heard.append(request)
                reply = self.handler(request)
                if reply is not None:
                    os.write(self.master, reply)

    def stop_listening(self) -> None:
        if self._thread.is_alive():
            os.write(self._waker, b"x")
            self._thread.join()

    def vanish(self) -> None:
        """Go away as a pulled cable does."""
        self.stop_listening()
        for fd in ("master", "_slave"):
            if getattr(self, fd) >= 0:
                os.close(getattr(self, fd))
                setattr(self, fd, -1)

    def close(self) -> None:
        self.vanish()
        os.close(self._wake)
        os.close(self._waker)


@contextmanager
def peer(handler: Handler, end: bytes = b"\n") -> Iterator[Peer]:
    device = Peer(handler, end)
    try:
        yield device
    finally:
        device.close()


class SleptClock:
    """A clock that moves on by sleeping and nothing else; ``moved`` is told each stretch."""

    def __init__(self, moved: Callable[[float], None] = lambda seconds: None) -> None:
        self.seconds = 1000.0
        self.moved = moved

    def now(self) -> datetime:
        return datetime(2031, 3, 1, tzinfo=UTC) + timedelta(seconds=self.seconds)

    def monotonic(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds
        self.moved(seconds)
