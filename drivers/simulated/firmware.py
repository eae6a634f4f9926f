"""One simulated controller on a pseudo-terminal: bytes in, bytes out, and what can go wrong on the way.

The line keeps real time, as the other end's deadlines do; only the motor lives in virtual time.
"""

from __future__ import annotations

import contextlib
import errno
import os
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np

BOOT_S = 0.3
LONGEST_BACKLOG = 4096


class Reader(Protocol):
    """One protocol's firmware for one device."""

    def awake(self) -> bytes:
        """Return what is said after power-up."""
        ...

    def forget(self) -> None:
        """Drop what has been heard of a request."""
        ...

    def hear(self, data: bytes, now_s: float) -> list[bytes]:
        """Return the replies to the requests that these bytes complete."""
        ...


@dataclass(slots=True)
class LineFaults:
    """What is wrong with the line at the moment; the counts run down with each reply they spoil."""

    silent: int = 0
    late: int = 0
    late_s: float = 0.0
    half: int = 0
    bad_end: int = 0
    garbage_before: int = 0
    garbage_inside: int = 0
    doubled: int = 0
    echo: bool = False
    corrupt_rate: float = 0.0
    reply_instead: bytes | None = None


@dataclass(slots=True)
class _Waiting:
    due_s: float
    data: bytes


@dataclass(slots=True)
class Terminal:
    """A pty with a stable link to its far end; unplugging closes it, plugging in makes another."""

    link: Path
    near: int = -1
    _far: int = -1

    def plug_in(self) -> None:
        """Open a pty in raw mode and point the link at it."""
        self.near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self.near, False)
        spare = self.link.with_suffix(".new")
        spare.unlink(missing_ok=True)
        spare.symlink_to(os.ttyname(self._far))
        spare.replace(self.link)

    def unplug(self) -> None:
        """Close the pty: whoever holds the far end sees the line vanish."""
        for handle in (self.near, self._far):
            if handle >= 0:
                with contextlib.suppress(OSError):
                    os.close(handle)
        self.near = self._far = -1
        self.link.unlink(missing_ok=True)

    def read(self) -> bytes:
        """Return what has come in, nothing when there is none or the cable is out."""
        if self.near < 0:
            return b""
        try:
            return os.read(self.near, 4096)
        except (BlockingIOError, OSError) as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return b""
            raise

    def write(self, data: bytes) -> bytes:
        """Write what the line takes; return the rest. What is written to a pulled cable is lost."""
        if self.near < 0:
            return b""
        try:
            return data[os.write(self.near, data) :]
        except BlockingIOError:
            return data


@dataclass(slots=True)
class Firmware:
    """A controller's firmware on its line; ``power_cycled`` tells the mechanics that power was gone."""

    name: str
    reader: Reader
    terminal: Terminal
    power_cycled: Callable[[], None]
    rng: np.random.Generator
    faults: LineFaults = field(default_factory=LineFaults)
    _waiting: list[_Waiting] = field(default_factory=list)
    _backlog: bytes = b""
    _deaf_until_s: float = 0.0

    def heard(self) -> None:
        """Read the line and answer what is complete."""
        data = self.terminal.read()
        now = time.monotonic()
        if not data or now < self._deaf_until_s:
            return
        data = self._corrupted(data)
        if self.faults.echo:
            self._send_at(now, data)
        for reply in self.reader.hear(data, now):
            self._spoil_and_send(reply, now)
        self.flush()

    def say(self, data: bytes) -> None:
        """Say something that nobody asked for."""
        self._send_at(time.monotonic(), data)
        self.flush()

    def reset(self) -> None:
        """Lose power for a moment."""
        now = time.monotonic()
        self.power_cycled()
        self.reader.forget()
        self._backlog, self._deaf_until_s = b"", now + BOOT_S
        self._waiting = [_Waiting(now + BOOT_S, self.reader.awake())]

    def unplug(self) -> None:
        """Pull the cable."""
        self.terminal.unplug()
        self._waiting, self._backlog = [], b""
        self.reader.forget()

    def plug_in(self) -> None:
        """Put the cable back, under a new name; the controller kept its power."""
        self.terminal.plug_in()

    @property
    def next_due_s(self) -> float | None:
        """Return when something is to be sent, None when nothing waits."""
        if self._backlog:
            return time.monotonic() + 0.01
        return min((item.due_s for item in self._waiting), default=None)

    def flush(self) -> None:
        """Send what is due."""
        now = time.monotonic()
        due = [item for item in self._waiting if item.due_s <= now]
        if not due and not self._backlog:
            return
        self._waiting = [item for item in self._waiting if item.due_s > now]
        data = self._backlog + b"".join(item.data for item in due)
        if self.terminal.near >= 0:
            self._backlog = self.terminal.write(data[:LONGEST_BACKLOG])

    def _send_at(self, due_s: float, data: bytes) -> None:
        self._waiting.append(_Waiting(due_s, data))
        self._waiting.sort(key=lambda item: item.due_s)

    def _spoil_and_send(self, reply: bytes, now: float) -> None:
        """Send a reply as the line's present faults leave it."""
        faults = self.faults
        if faults.reply_instead is not None:
            reply = faults.reply_instead
        if self._spent("silent"):
            return
        if self._spent("half"):
            reply = reply[: max(1, len(reply) // 2)]
        if self._spent("bad_end"):
            reply = reply[:-1] + bytes([reply[-1] ^ 0x07])
        if self._spent("garbage_before"):
            reply = self._noise(7) + reply
        if self._spent("garbage_inside"):
            reply = reply[: len(reply) // 2] + self._noise(3) + reply[len(reply) // 2 :]
        if self._spent("doubled"):
            reply = reply + reply
        due = now + faults.late_s if self._spent("late") else now
        self._send_at(due, self._corrupted(reply))

    def _spent(self, kind: str) -> bool:
        left: int = getattr(self.faults, kind)
        if left <= 0:
            return False
        setattr(self.faults, kind, left - 1)
        return True

    def _noise(self, length: int) -> bytes:
        return bytes(int(value) for value in self.rng.integers(0, 256, length))

    def _corrupted(self, data: bytes) -> bytes:
        rate = self.faults.corrupt_rate
        if rate <= 0.0:
            return data
        return bytes(
            byte ^ (1 << int(self.rng.integers(8))) if self.rng.random() < rate else byte for byte in data
        )
