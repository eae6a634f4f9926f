"""One request-reply line over any pyserial URL: deadlines, retries, an interjected halt, reconnection.

The whole message has one deadline, on the real monotonic clock: a simulated one cannot hurry a device. A
late, short or damaged reply is an error and never a partial value. One worker thread makes exchanges; any
other thread may ``interject`` a halt, which goes out at once and ends the exchange in progress.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock, RLock
from typing import Any, TypeVar

import structlog

from drivers.dialect import LineSettings, Meaning
from drivers.errors import LinkLost, PortUnavailable, ReplyInvalid, ReplyLate, Stopped
from drivers.framing import BadFrame, Framing, Piece
from drivers.ports import SLICE_S, as_link_lost, open_port
from drivers.roles import NeverStop, StopSignal
from drivers.trace import HEARD, SENT, Trace

T = TypeVar("T")
Accept = Callable[[bytes], T]
Announce = Callable[[bytes], "Meaning | None"]

QUIET_S = 0.03
LATE_COSTS = 2
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.1, 5.0
log = structlog.get_logger(__name__)


class Repeats:
    """Logs a repeated failure once, then counts it, then logs its recovery with the count."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.count = 0

    def failed(self, error: Exception) -> None:
        """Note a failure."""
        self.count += 1
        if self.count == 1:
            log.warning(self.what, error=str(error))

    def worked(self) -> None:
        """Note that it works (again)."""
        if self.count > 1:
            log.info(f"{self.what}_recovered", failures=self.count)
        self.count = 0


@dataclass(slots=True)
class _Wait:
    """How long one exchange waits, and what ends it early."""

    within_s: float
    interjections: int
    stop: StopSignal
    deadline_s: float = 0.0


class Line:
    """A line to one device; see the module's docstring for who may call what."""

    def __init__(
        self, url: str, framing: Framing, settings: LineSettings, *, name: str = "device",
        announce: Announce | None = None, on_reset: Callable[[], None] | None = None,
    ) -> None:  # fmt: skip
        self.url = url
        self.name = name
        self.trace = Trace()
        self._framing = framing
        self._settings = settings
        self._announce = announce or (lambda body: None)
        self._on_reset = on_reset or (lambda: None)
        self._port: Any = None
        self._exchanging = RLock()
        self._writing = Lock()
        self._interjections = 0
        self._owed = 0
        self._counting = Lock()
        self._buffer = b""
        self._last_heard_s = 0.0
        self._repeats = Repeats("exchange_failed")

    @property
    def is_open(self) -> bool:
        """Tell whether the port is open, as far as is known."""
        return self._port is not None

    def open(self) -> None:
        """Open the port, wait for a controller that opening resets, and drop what it says meanwhile."""
        with self._exchanging:
            self.close()
            self._port = open_port(self.url, self._settings)
            self._buffer = b""
            self._owe(-self._owed)
            if self._settings.boot_delay_s:
                self._listen_and_drop(self._settings.boot_delay_s)

    def close(self) -> None:
        """Close the port; harmless when it is closed or its device is gone."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except Exception as error:
                # A vanished device may raise anything here, and it is closed all the same.
                log.debug("close_failed", url=self.url, error=str(error))

    def reconnect(self, within_s: float, stop: StopSignal | None = None) -> None:
        """Open the port again, with growing pauses; PortUnavailable when it does not come back in time."""
        deadline, pause = time.monotonic() + within_s, FIRST_PAUSE_S
        while True:
            try:
                return self.open()
            except PortUnavailable:
                left = deadline - time.monotonic()
                if left <= 0 or (stop is not None and stop.is_set()):
                    raise
                time.sleep(min(pause, left))
                pause = min(2 * pause, LONGEST_PAUSE_S)

    def exchange(
        self,
        request: bytes,
        accept: Accept[T],
        *,
        retries: int = 0,
        within_s: float | None = None,
        stop: StopSignal | None = None,
    ) -> T:
        """Send a request and return what ``accept`` makes of its reply's body.

        ``accept`` raises ReplyInvalid for a body that is not this request's reply. Raises ReplyLate or
        ReplyInvalid after ``retries`` more tries (0 for commands; a late reply counts as two), LinkLost, or
        Stopped when a halt was interjected or ``stop`` is set while waiting.
        """
        wait = _Wait(within_s or self._settings.reply_within_s, self._interjections, stop or NeverStop())
        with self._exchanging:
            while True:
                try:
                    value = self._exchange_once(request, accept, wait)
                except (ReplyLate, ReplyInvalid) as error:
                    self._repeats.failed(error)
                    retries -= LATE_COSTS if isinstance(error, ReplyLate) else 1
                    if retries < 0:
                        raise
                else:
                    self._repeats.worked()
                    return value

    def send(self, request: bytes) -> None:
        """Send a request that is not answered."""
        with self._exchanging:
            self._prepare()
            self._write(request)

    def listen(self, seconds: float) -> None:
        """Hear what the device says unasked for so long; announcements are heeded, all else only traced."""
        with self._exchanging:
            self._opened()
            deadline = time.monotonic() + seconds
            while time.monotonic() < deadline:
                self._read_slice()
                self._drop_messages()

    def interject(self, request: bytes, *, answered: bool = True) -> None:
        """Send a request now, from any thread, without waiting for the exchange in progress.

        That exchange ends as Stopped; replies still owed are dropped before the next exchange.
        """
        self._interjections += 1
        try:
            self._write(request)
        finally:
            self._owe(int(answered))

    def _exchange_once(self, request: bytes, accept: Accept[T], wait: _Wait) -> T:
        self._prepare()
        self._check_stop(wait, owed=0)
        self._write(request)
        wait.deadline_s = time.monotonic() + wait.within_s
        if self._settings.echo:
            self._drop_echo(request, wait)
        body = self._next_body(wait)
        while self._announced(body):
            body = self._next_body(wait)
        try:
            return accept(body)
        except ReplyInvalid as error:
            # The true reply may still be on its way behind this one.
            self._owe(1)
            if self._interjections != wait.interjections:
                raise self._stopped() from error
            raise ReplyInvalid(self._dressed(str(error))) from error

    def _next_body(self, wait: _Wait) -> bytes:
        """Return the next message's body; ReplyLate or ReplyInvalid past the deadline."""
        while True:
            try:
                piece = self._take()
            except BadFrame as damage:
                self._buffer = damage.rest
                raise ReplyInvalid(self._dressed(f"damaged reply: {damage}")) from damage
            if piece is not None:
                return piece.body
            self._check_stop(wait, owed=1)
            if time.monotonic() >= wait.deadline_s:
                self._owe(1)
                raise self._too_late(wait.within_s)
            self._read_slice()

    def _check_stop(self, wait: _Wait, owed: int) -> None:
        if self._interjections != wait.interjections or wait.stop.is_set():
            self._owe(owed)
            raise self._stopped()

    def _take(self) -> Piece | None:
        piece = self._framing.take(self._buffer)
        if piece is not None:
            self._buffer = piece.rest
        return piece

    def _too_late(self, within_s: float) -> ReplyLate | ReplyInvalid:
        rest, self._buffer = self._buffer, b""
        if rest:
            return ReplyInvalid(
                self._dressed(f"unfinished reply {rest!r} after {within_s:g} s: is its end right?")
            )
        return ReplyLate(self._dressed(f"no reply within {within_s:g} s"))

    def _prepare(self) -> None:
        """Drop what earlier exchanges still owe and whatever else came unasked, and keep the pause."""
        if self._owed:
            self._settle_debts()
        with as_link_lost(self.name, self.url):
            waiting = self._opened().in_waiting
        if waiting or self._buffer:
            self._listen_and_drop(QUIET_S)
        rest = self._last_heard_s + self._settings.pause_s - time.monotonic()
        if rest > 0:
            time.sleep(rest)

    def _settle_debts(self) -> None:
        """Wait for replies that are still owed, no longer than one of them may take."""
        deadline = time.monotonic() + self._settings.reply_within_s
        debts = self._owed
        while debts > 0 and time.monotonic() < deadline:
            self._read_slice()
            paid = self._drop_messages()
            self._owe(-min(paid, debts))
            debts -= paid
        self._owe(-max(debts, 0))
        self._buffer = b""

    def _owe(self, replies: int) -> None:
        """Count replies that will still come for requests nobody waits on any more."""
        with self._counting:
            self._owed = max(0, self._owed + replies)

    def _listen_and_drop(self, seconds: float) -> None:
        deadline = time.monotonic() + seconds
        while True:
            self._read_slice()
            self._drop_messages()
            if time.monotonic() >= deadline:
                break
        self._buffer = b""

    def _drop_messages(self) -> int:
        """Drop the complete messages of the buffer, heeding announcements; return how many were replies."""
        dropped = 0
        while self._buffer:
            try:
                piece = self._take()
            except BadFrame as damage:
                self._buffer = damage.rest
                dropped += 1
                continue
            if piece is None:
                break
            if not self._announced(piece.body):
                dropped += 1
                log.debug("stray_reply_dropped", url=self.url, body=repr(piece.body))
        return dropped

    def _announced(self, body: bytes) -> bool:
        meaning = self._announce(body)
        if meaning == "reset":
            log.warning("device_says_it_was_reset", device=self.name, url=self.url)
            self._on_reset()
        return meaning is not None

    def _drop_echo(self, request: bytes, wait: _Wait) -> None:
        while len(self._buffer) < len(request) and time.monotonic() < wait.deadline_s:
            self._check_stop(wait, owed=1)
            self._read_slice()
        if not self._buffer.startswith(request):
            heard, self._buffer = self._buffer, b""
            self._owe(1)
            raise ReplyInvalid(self._dressed(f"{heard!r} where the echo of {request!r} was expected"))
        self._buffer = self._buffer[len(request) :]

    def _read_slice(self) -> None:
        """Add what arrives within one slice to the buffer."""
        with as_link_lost(self.name, self.url):
            port = self._opened()
            data = port.read(1)
            if data:
                data += port.read(port.in_waiting) if port.in_waiting else b""
        if data:
            self._last_heard_s = time.monotonic()
            self.trace.add(self._last_heard_s, HEARD, data)
            self._buffer += data

    def _write(self, data: bytes) -> None:
        with self._writing, as_link_lost(self.name, self.url):
            self._opened().write(data)
        self.trace.add(time.monotonic(), SENT, data)

    def _opened(self) -> Any:
        port = self._port
        if port is None:
            raise LinkLost(f"{self.name} on {self.url}: the line is closed")
        return port

    def _stopped(self) -> Stopped:
        return Stopped(f"{self.name} on {self.url}: a halt ended the exchange in progress")

    def _dressed(self, what: str) -> str:
        return f"{self.name} on {self.url}: {what}; the last bytes:\n{self.trace.show(time.monotonic())}"


__all__ = ["QUIET_S", "SLICE_S", "Line", "Repeats"]
