"""A described device on a line: connect and identify, request by name. Focuser and wheel stand on it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import cast

import structlog

from drivers.dialect import Condition, Dialect, Meaning, Request, Values
from drivers.errors import DeviceError, LinkLost, ReplyInvalid, ReplyLate, Stopped, WrongDevice
from drivers.line import Line
from drivers.roles import NeverStop, StopSignal
from drivers.templates import Value

QUERY_RETRIES = 4
SURE_TRIES = 6
LISTEN_S = 0.02
RECONNECT_WITHIN_S = 30.0
log = structlog.get_logger(__name__)


class Device:
    """A device with its dialect; one worker thread uses it, any thread may ``interject_halt``."""

    def __init__(
        self, dialect: Dialect, url: str, *, name: str | None = None,
        on_reset: Callable[[], None] | None = None,
    ) -> None:  # fmt: skip
        self.dialect = dialect
        self.url = url
        self.name = name or dialect.kind.replace("_", " ")
        self._told_number, self._told_position = 0, cast("float | None", None)
        self.line = Line(
            url,
            dialect.framing,
            dialect.line,
            name=self.name,
            announce=self._heard,
            on_reset=on_reset,
        )

    def connect(self) -> Values:
        """Open the line and identify the device; returns what its identity reply held.

        Raises PortUnavailable, or WrongDevice when something else answers or nothing does.
        """
        self.line.open()
        return self._identified()

    def reconnect(self, within_s: float = RECONNECT_WITHIN_S, stop: StopSignal | None = None) -> Values:
        """Come back after a lost link, with growing pauses between tries."""
        self.line.reconnect(within_s, stop)
        log.info("link_is_back", device=self.name, url=self.url)
        return self._identified()

    def close(self) -> None:
        """Let go of the line."""
        self.line.close()

    def knows(self, name: str) -> bool:
        """Tell whether the description has a request of this name."""
        return self.dialect.knows(name)

    def request(
        self,
        name: str,
        values: Mapping[str, Value] | None = None,
        *,
        within_s: float | None = None,
        stop: StopSignal | None = None,
    ) -> Values:
        """Make one named request; queries are repeated after a late or invalid reply, commands never."""
        described = self.dialect.requests[name]
        wire = self.dialect.encode(name, values)
        if not described.replies:
            self.line.send(wire)
            return {}
        return self.line.exchange(
            wire,
            lambda body: self.dialect.decode(name, body, values),
            retries=QUERY_RETRIES if described.is_query else 0,
            within_s=within_s or described.reply_within_s,
            stop=stop or NeverStop(),
        )

    def sure(self, name: str, *, stop: StopSignal | None = None) -> Values:
        """Return a query's values; on a line without checksum, only when two replies running agree.

        One garbled digit would otherwise pass for a number. Raises ReplyInvalid when none agree.
        """
        values = self.request(name, stop=stop)
        if self.dialect.framing.checksum is not None:
            return values
        for _ in range(SURE_TRIES):
            again = self.request(name, stop=stop)
            if again == values:
                return values
            values = again
        raise ReplyInvalid(f"{self.name} on {self.url}: {name} does not settle: {values} at last")

    def position(self, *, sure: bool = False, stop: StopSignal | None = None) -> Value | None:
        """Return the position, from a reply or as the device tells it by itself; None when it has none."""
        if self.dialect.tells_position:
            return self._told(stop or NeverStop())
        values = self.sure("position", stop=stop) if sure else self.request("position", stop=stop)
        return values.get("position")

    def number(self, name: str, field: str) -> float | None:
        """Return a numeric field of a query's reply, None where the device says there is none."""
        value = self.sure(name).get(field)
        if isinstance(value, str):
            raise ReplyInvalid(f"{self.name}: {name} gave {value!r}, which is no number")
        return value

    def condition(self, stop: StopSignal | None = None) -> tuple[Condition, str] | None:
        """Return what the device says of its motion with its words, None when it cannot tell."""
        if not self.knows("state"):
            return None
        described: Request = self.dialect.requests["state"]
        return described.condition_of(self.request("state", stop=stop).get("state"))

    def interject_halt(self) -> bool:
        """Send the halt now, from any thread; False when the description has none."""
        if not self.knows("halt"):
            return False
        answered = bool(self.dialect.requests["halt"].replies)
        self.line.interject(self.dialect.encode("halt"), answered=answered)
        return True

    def _heard(self, body: bytes) -> Meaning | None:
        """Take note of what a message that came unasked means."""
        meaning = self.dialect.announcement(body)
        if meaning == "position":
            self._told_number, self._told_position = self._told_number + 1, self.dialect.told_position(body)
        return meaning

    def _told(self, stop: StopSignal) -> float | None:
        """Return the position as last told; where it can be asked for, as told after asking.

        Raises ReplyLate when the device tells none in time, Stopped when ``stop`` is set meanwhile.
        """
        asks, before = self.knows("position"), self._told_number
        if asks:
            self.request("position")
        deadline = time.monotonic() + self.dialect.line.reply_within_s
        while True:
            self.line.listen(LISTEN_S)
            if self._told_number != before or (not asks and self._told_number):
                return self._told_position
            if stop.is_set():
                raise Stopped(f"{self.name} on {self.url}: stopped while waiting for the position")
            if time.monotonic() > deadline:
                within_s = self.dialect.line.reply_within_s
                raise ReplyLate(
                    f"{self.name} on {self.url}: told no position within {within_s:g} s; does it tell one "
                    "only while it moves? Then give request.position with reply = []"
                )

    def _identified(self) -> Values:
        if not self.knows("identify"):
            return {}
        started = time.monotonic()
        try:
            return self.request("identify")
        except (ReplyInvalid, ReplyLate) as error:
            waited = time.monotonic() - started
            self.close()
            raise WrongDevice(
                f"{self.name} on {self.url}: no {self.dialect.name!r} answered within {waited:.1f} s; "
                f"is this the right port, speed ({self.dialect.line.baud} baud) and description "
                f"({self.dialect.source})?\n{error}"
            ) from error
        except LinkLost:
            self.close()
            raise


def quietly(action: Callable[[], object], what: str) -> DeviceError | None:
    """Do something on the way out of an error; a second error is logged and returned, never raised."""
    try:
        action()
    except DeviceError as error:
        log.error(what, error=str(error))
        return error
    return None
