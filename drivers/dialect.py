"""What a device understands: requests to bytes, replies to values. Pure; no line, no clock.

A dialect is read from a description file by ``drivers.description``; here is only what it then does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from drivers.errors import Refused, ReplyInvalid
from drivers.framing import Framing
from drivers.templates import Mismatch, Template, Value

Kind = Literal["focuser", "filter_wheel", "thermometer", "instrument"]
Condition = Literal["still", "moving", "failed"]
Meaning = Literal["reset", "ignore", "position"]
Values = dict[str, Value | None]


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How to open the line and how long to wait on it.

    ``boot_delay_s`` is waited after opening, for controllers that opening resets; ``pause_s`` is the least
    silence between two requests; ``dtr`` and ``rts`` None leave those wires as the system sets them.
    """

    baud: int = 9600
    data_bits: int = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: int = 1
    reply_within_s: float = 1.0
    boot_delay_s: float = 0.0
    pause_s: float = 0.0
    echo: bool = False
    dtr: bool | None = None
    rts: bool | None = None


@dataclass(frozen=True, slots=True)
class Motion:
    """How the device moves, where no request can tell."""

    speed_steps_per_s: float | None = None
    hears_while_moving: bool = True
    busy: Literal["state", "position", "reply"] = "position"
    absolute: bool = True
    settle_s: float = 0.2
    turn_within_s: float = 30.0
    first_slot: int = 1
    slots: int | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """One named request: its template, its possible replies, and how reply numbers become units.

    ``value = raw * scale + offset`` for every numeric field; a raw value in ``absent`` reads as None. ``off``
    is the raw setting that means "off". Words of a state sort into ``still``, ``moving`` and ``failed`` (word
    to meaning).
    """

    name: str
    send: Template
    replies: tuple[Template, ...]
    is_query: bool
    reply_within_s: float | None = None
    scale: float = 1.0
    offset: float = 0.0
    absent: tuple[Value, ...] = ()
    off: Value | None = None
    still: tuple[str, ...] = ()
    moving: tuple[str, ...] = ()
    failed: Mapping[str, str] = field(default_factory=dict)

    @property
    def converts(self) -> bool:
        """Tell whether numbers are in another unit on the line."""
        return (self.scale, self.offset) != (1.0, 0.0)

    def condition_of(self, word: Value | None) -> tuple[Condition, str]:
        """Return what a state word means, with the file's words for a failure; ReplyInvalid when unknown."""
        text = str(word)
        if text in self.still:
            return "still", text
        if text in self.moving:
            return "moving", text
        if text in self.failed:
            return "failed", self.failed[text]
        raise ReplyInvalid(f"request {self.name!r}: the description knows no state {text!r}")


@dataclass(frozen=True, slots=True)
class Refusal:
    """A reply that says no; ``meanings`` translates the value of its ``reason`` field.

    Reasons in ``garbled`` mean that the device did not understand a request that we know to be right: it was
    damaged on the line, and the reply counts as invalid. ``causes`` gives the device's own reason for
    "limit", "busy" and "unknown", for a port that speaks as the device does.
    """

    template: Template
    meanings: Mapping[str, str]
    garbled: tuple[str, ...] = ()
    causes: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Unsolicited:
    """A message that comes unasked, and what it means; a position in it is ``raw * scale``."""

    template: Template
    means: Meaning
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Dialect:
    """Everything a description says about one kind of device."""

    kind: Kind
    name: str
    source: str
    line: LineSettings
    framing: Framing
    requests: Mapping[str, Request]
    refusals: tuple[Refusal, ...] = ()
    unsolicited: tuple[Unsolicited, ...] = ()
    motion: Motion = Motion()

    def knows(self, name: str) -> bool:
        """Tell whether the description has a request of this name."""
        return name in self.requests

    def encode(self, name: str, values: Mapping[str, Value] | None = None) -> bytes:
        """Return the bytes of a request on the line; ValueError when a value is missing or does not fit."""
        request = self.requests[name]
        return self.framing.wrap(request.send.encode(_to_raw(request, values or {})))

    def decode(self, name: str, body: bytes, sent: Mapping[str, Value] | None = None) -> Values:
        """Return the values in a reply's body.

        Raises Refused when the device said no, ReplyInvalid when the reply is not one of this request or
        repeats a sent value (a field of the same name) differently.
        """
        request = self.requests[name]
        self._raise_if_refused(name, body)
        raw = self._match(request, body)
        values = {key: _from_raw(request, value) for key, value in raw.items()}
        if name == "state":
            request.condition_of(values.get("state"))
        for key, value in _to_raw(request, sent or {}).items():
            if key in raw and raw[key] != value:
                raise ReplyInvalid(f"request {name!r} sent {key} = {value} and the reply says {raw[key]}")
        return values

    def announcement(self, body: bytes) -> Meaning | None:
        """Return what a message means that comes unasked, None when it is not one of those."""
        for unsolicited in self.unsolicited:
            if _try(unsolicited.template, body) is not None:
                return unsolicited.means
        return None

    @property
    def tells_position(self) -> bool:
        """Tell whether the position comes in messages of the device's own rather than in replies."""
        return any(unsolicited.means == "position" for unsolicited in self.unsolicited)

    def told_position(self, body: bytes) -> float | None:
        """Return the position in a message that comes unasked, None when it is not one of those."""
        for unsolicited in self.unsolicited:
            values = _try(unsolicited.template, body) if unsolicited.means == "position" else None
            if values is not None:
                return float(values["position"]) * unsolicited.scale
        return None

    def _raise_if_refused(self, name: str, body: bytes) -> None:
        for refusal in self.refusals:
            values = _try(refusal.template, body)
            if values is None:
                continue
            reason = str(values.get("reason", ""))
            meaning = refusal.meanings.get(reason, "")
            words = f"{reason} ({meaning})" if meaning else reason
            # Without a checksum, a reason that nobody has heard of is more likely a damaged word.
            unheard_of = bool(refusal.meanings) and not meaning and self.framing.checksum is None
            if reason in refusal.garbled or unheard_of:
                raise ReplyInvalid(f"the device did not understand {name!r}: {words}")
            raise Refused(f"the device refused {name!r}: {words}", reason)

    def _match(self, request: Request, body: bytes) -> dict[str, Value]:
        reasons = []
        for template in request.replies:
            try:
                return template.decode(body)
            except Mismatch as mismatch:
                reasons.append(f"not {template.source!r}: {mismatch}")
        hint = _hint(request, body)
        raise ReplyInvalid(f"request {request.name!r}: reply {body!r} is {'; '.join(reasons)}{hint}")


def _hint(request: Request, body: bytes) -> str:
    """Return the likely cause of a reply that fits nothing, in brackets, or nothing."""
    if body.endswith(b"\r"):
        return " (it ends with CR: is the reply's end CR LF?)"
    first = request.send.parts[0] if request.send.parts else b""
    literal = first.encode("latin-1") if isinstance(first, str) else first
    if isinstance(literal, bytes) and literal and body.startswith(literal):
        return " (it begins as the request does: does the device echo?)"
    return ""


def _try(template: Template, body: bytes) -> dict[str, Value] | None:
    try:
        return template.decode(body)
    except Mismatch:
        return None


def _from_raw(request: Request, raw: Value) -> Value | None:
    if raw in request.absent:
        return None
    if isinstance(raw, str) or not request.converts:
        return raw
    return raw * request.scale + request.offset


def _to_raw(request: Request, values: Mapping[str, Value]) -> dict[str, Value]:
    """Return values in the line's unit, whole where the template wants whole numbers."""
    raw: dict[str, Value] = {}
    types = {part.name: part.type for part in request.send.fields}
    for key, value in values.items():
        if isinstance(value, str) or not request.converts:
            raw[key] = value
            continue
        number = (value - request.offset) / request.scale
        raw[key] = number if types.get(key) in ("decimal", "scientific") else round(number)
    return raw
