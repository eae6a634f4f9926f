"""The device's side of a dialect: decode requests and encode replies, from the same description. Pure.

With this a port can speak as the real device does, so that a program which drives the device drives the port.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from drivers.dialect import Dialect, Refusal, Request
from drivers.framing import Framing, Piece, TextFraming
from drivers.templates import Field, Mismatch, Template, Value

Cause = Literal["limit", "busy", "unknown"]
_WORDS = ("word", "text", "ascii")


@dataclass(frozen=True, slots=True)
class Asked:
    """A request as understood: its name, and its fields' values in the program's units."""

    name: str
    values: Mapping[str, Value]


class ServedDialect:
    """What a device of this description hears and says."""

    def __init__(self, dialect: Dialect) -> None:
        self.dialect = dialect
        self._framing = _turned(dialect.framing)
        # "slack" before "slack {setting:int}": the form with fewer fields is the more particular one.
        self._by_form = sorted(dialect.requests.values(), key=lambda item: len(item.send.fields))

    def take(self, buffer: bytes) -> Piece | None:
        """Return the first complete request of a buffer, None while there is none; BadFrame when damaged."""
        piece = self._framing.take(buffer)
        if piece is None or not isinstance(self._framing, TextFraming):
            return piece
        # Programs differ in their line ends; a CR or LF too many does no harm in text.
        return replace(piece, body=piece.body.strip(b"\r\n"))

    def decode(self, body: bytes) -> Asked | None:
        """Return the request in a message's body, None when the description has none of this form."""
        for request in self._by_form:
            try:
                raw = request.send.decode(body)
            except Mismatch:
                continue
            return Asked(request.name, {key: _to_units(request, value) for key, value in raw.items()})
        return None

    def reply(self, name: str, values: Mapping[str, Value | None]) -> bytes:
        """Return the bytes that answer a request, none where the description says that no reply comes.

        Raises ValueError when no form of the reply can hold the values.
        """
        request = self.dialect.requests[name]
        if not request.replies:
            return self._told(values) if name == "position" else b""
        complaints = []
        for template in request.replies:
            try:
                body = template.encode(dict(_raw_values(request, template, values)))
            except ValueError as error:
                complaints.append(str(error))
            else:
                return self.dialect.framing.wrap_reply(body)
        raise ValueError(f"no reply to {name!r} can hold {dict(values)}: {'; '.join(complaints)}")

    def _told(self, values: Mapping[str, Value | None]) -> bytes:
        """Return the message by which the device tells its position by itself, none where it does not."""
        position = values.get("position")
        for message in self.dialect.unsolicited:
            if message.means == "position" and position is not None:
                raw = round(float(position) / message.scale)
                return self.dialect.framing.wrap_reply(message.template.encode({"position": raw}))
        return b""

    def refusal(self, body: bytes, cause: Cause) -> bytes:
        """Return the bytes that refuse a request for a cause; none where the description knows no refusal."""
        for refusal in self.dialect.refusals:
            reason = _reason(refusal, cause)
            values = {field.name: _refusing(field, reason, body) for field in refusal.template.fields}
            try:
                answer = refusal.template.encode({k: v for k, v in values.items() if v is not None})
            except ValueError:
                continue
            return self.dialect.framing.wrap_reply(answer)
        return b""

    def state_word(self, condition: Literal["still", "moving", "failed"]) -> Value | None:
        """Return the description's first word for a condition; "still" stands in where it has no failure."""
        request = self.dialect.requests["state"]
        words = {"still": request.still, "moving": request.moving, "failed": tuple(request.failed)}
        return next(iter(words[condition] or request.still), None)


def _turned(framing: Framing) -> Framing:
    """Return the framing that takes requests where the given one takes replies."""
    if not isinstance(framing, TextFraming):
        return framing
    return replace(
        framing,
        request_end=framing.reply_end,
        reply_end=framing.request_end,
        request_start=framing.reply_start,
        reply_start=framing.request_start,
    )


def _to_units(request: Request, raw: Value) -> Value:
    if isinstance(raw, str) or not request.converts:
        return raw
    return raw * request.scale + request.offset


def _raw_values(
    request: Request, template: Template, values: Mapping[str, Value | None]
) -> Iterator[tuple[str, Value]]:
    """Yield the reply's fields as they are on the line; one without a value is left out."""
    for field in template.fields:
        value = values.get(field.name)
        if value is None:
            if request.absent:
                yield field.name, request.absent[0]
        elif field.type in _WORDS:
            yield field.name, str(value)
        else:
            number = float(value)
            if request.converts:
                number = (number - request.offset) / request.scale
            yield field.name, number if field.type in ("decimal", "scientific") else round(number)


def _reason(refusal: Refusal, cause: Cause) -> Value | None:
    """Return the device's own word for a cause, or its first that does not blame the line."""
    given = refusal.causes.get(cause)
    if given is not None:
        return given
    return next((word for word in refusal.meanings if word not in refusal.garbled), None)


def _refusing(field: Field, reason: Value | None, body: bytes) -> Value | None:
    """Return a refusal field's value: the reason, or else the code of the command that is refused."""
    if field.name != "reason":
        return body[0] if field.type == "u8" and body else None
    if reason is None or field.type in _WORDS:
        return reason
    try:
        return int(str(reason))
    except ValueError:
        return None
