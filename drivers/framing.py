"""How one message is told from the next on a line: ended text, or binary frames. Pure.

A message's *body* is what the templates see: the text without its end and checksum, or the frame's bytes
after its length and before its checksum, with escapes undone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from drivers.checksums import Checksum

Order = Literal["big", "little"]


class BadFrame(ValueError):
    """A complete message arrived damaged; ``rest`` is what follows it in the buffer."""

    def __init__(self, message: str, rest: bytes) -> None:
        super().__init__(message)
        self.rest = rest


@dataclass(frozen=True, slots=True)
class Piece:
    """The first complete message of a buffer: its body, the bytes after it, and junk before it."""

    body: bytes
    rest: bytes
    junk: bytes = b""


@dataclass(frozen=True, slots=True)
class TextFraming:
    """Messages of text, each with an end; ``checksum`` is written in hex digits after ``separator``.

    ``request_start`` and ``reply_start`` are fixed characters in front, outside the templates; the checksum
    covers them if ``covers_start``.
    """

    request_end: bytes
    reply_end: bytes
    longest: int = 256
    request_start: bytes = b""
    reply_start: bytes = b""
    checksum: Checksum | None = None
    separator: bytes = b""
    covers_start: bool = False

    def wrap(self, body: bytes) -> bytes:
        """Return the bytes to send for a request's body."""
        return self.request_start + body + self._sum_of(self.request_start, body) + self.request_end

    def wrap_reply(self, body: bytes) -> bytes:
        """Return the bytes that a device of this kind would send."""
        return self.reply_start + body + self._sum_of(self.reply_start, body) + self.reply_end

    def take(self, buffer: bytes) -> Piece | None:
        """Return the first complete reply of ``buffer``, None while there is none; BadFrame when damaged."""
        end = buffer.find(self.reply_end)
        if end < 0:
            if len(buffer) > self.longest:
                raise BadFrame(f"{len(buffer)} bytes without the end {self.reply_end!r}", b"")
            return None
        message, rest = buffer[:end], buffer[end + len(self.reply_end) :]
        if not message.startswith(self.reply_start):
            raise BadFrame(f"{message!r} does not begin with {self.reply_start!r}", rest)
        return Piece(self._checked(message[len(self.reply_start) :], rest), rest)

    def _sum_of(self, start: bytes, body: bytes) -> bytes:
        if self.checksum is None:
            return b""
        value = self.checksum.compute(start + body if self.covers_start else body)
        return self.separator + f"{value:0{2 * self.checksum.size}X}".encode()

    def _checked(self, message: bytes, rest: bytes) -> bytes:
        if self.checksum is None:
            return message
        size = 2 * self.checksum.size + len(self.separator)
        body, given = message[:-size], message[-size:]
        wanted = self._sum_of(self.reply_start, body)
        if given.upper() != wanted.upper():
            raise BadFrame(f"checksum {given!r} where {wanted!r} was expected in {message!r}", rest)
        return body


@dataclass(frozen=True, slots=True)
class BinaryFraming:
    """Binary frames: start, [length,] body, [checksum,] [end], with optional escapes after the start.

    The length field holds the body's size plus ``length_adds`` (-1 when the manual does not count a command
    byte, +2 when it counts a checksum of two bytes). ``length_size`` 0 means that frames carry no
    length: then ``end`` closes them. The checksum covers length and body, and the start too if
    ``covers_start``.
    """

    start: bytes
    length_size: int = 1
    length_adds: int = 0
    length_order: Order = "big"
    checksum: Checksum | None = None
    checksum_order: Order = "big"
    covers_start: bool = False
    covers_length: bool = True
    escape: int | None = None
    escape_xor: int = 0
    escaped: frozenset[int] = frozenset()
    end: bytes = b""
    longest: int = 256

    def wrap(self, body: bytes) -> bytes:
        """Return the bytes to send for a request's body."""
        length = b""
        if self.length_size:
            length = (len(body) + self.length_adds).to_bytes(self.length_size, self.length_order)
        plain = length + body + self._sum_of(length, body)
        return self.start + self._escape(plain) + self.end

    wrap_reply = wrap

    def take(self, buffer: bytes) -> Piece | None:
        """Return the first complete frame of ``buffer``, None while there is none; BadFrame when damaged."""
        begin = buffer.find(self.start)
        if begin < 0:
            if len(buffer) > self.longest:
                raise BadFrame(f"{len(buffer)} bytes without a frame's start", b"")
            return None
        inner = buffer[begin + len(self.start) :]
        piece = self._take_counted(inner) if self.length_size else self._take_ended(inner)
        return None if piece is None else Piece(piece.body, piece.rest, buffer[:begin])

    def _take_counted(self, inner: bytes) -> Piece | None:
        sum_size = self.checksum.size if self.checksum else 0
        plain, used = self._plain(inner, self.length_size)
        if len(plain) < self.length_size:
            return None
        size = int.from_bytes(plain, self.length_order) - self.length_adds
        if not 0 <= size <= self.longest:
            raise BadFrame(f"the length field says a body of {size} bytes", inner[used:])
        plain, used = self._plain(inner, self.length_size + size + sum_size)
        if len(plain) < self.length_size + size + sum_size:
            return None
        rest = inner[used:]
        if self.end:
            if len(rest) < len(self.end):
                return None
            if not rest.startswith(self.end):
                raise BadFrame(f"{rest[: len(self.end)].hex(' ')} where the frame should end", rest)
            rest = rest[len(self.end) :]
        return self._checked(plain[: self.length_size], plain[self.length_size :], rest)

    def _take_ended(self, inner: bytes) -> Piece | None:
        end = inner.find(self.end)
        if end < 0:
            if len(inner) > self.longest:
                raise BadFrame(f"{len(inner)} bytes without the end {self.end.hex(' ')}", b"")
            return None
        rest = inner[end + len(self.end) :]
        plain, _ = self._plain(inner[:end], end)
        return self._checked(b"", plain, rest)

    def _checked(self, length: bytes, tail: bytes, rest: bytes) -> Piece:
        if self.checksum is None:
            return Piece(tail, rest)
        size = self.checksum.size
        body, given = tail[:-size], tail[-size:]
        wanted = self._sum_of(length, body)
        if given != wanted:
            raise BadFrame(f"checksum {given.hex(' ')} where {wanted.hex(' ')} was expected", rest)
        return Piece(body, rest)

    def _sum_of(self, length: bytes, body: bytes) -> bytes:
        if self.checksum is None:
            return b""
        covered = (self.start if self.covers_start else b"") + (length if self.covers_length else b"") + body
        return self.checksum.compute(covered).to_bytes(self.checksum.size, self.checksum_order)

    def _escape(self, plain: bytes) -> bytes:
        if self.escape is None:
            return plain
        sent = bytearray()
        for byte in plain:
            sent += bytes((self.escape, byte ^ self.escape_xor)) if byte in self.escaped else bytes((byte,))
        return bytes(sent)

    def _plain(self, sent: bytes, count: int) -> tuple[bytes, int]:
        """Return up to ``count`` bytes with escapes undone, and how many bytes on the line they took."""
        if self.escape is None:
            return sent[:count], min(count, len(sent))
        plain, place = bytearray(), 0
        while len(plain) < count and place < len(sent):
            byte = sent[place]
            if byte != self.escape:
                if byte in self.escaped:
                    raise BadFrame("a frame begins inside another", sent[place:])
                plain.append(byte)
                place += 1
            elif place + 1 == len(sent):
                break
            else:
                plain.append(sent[place + 1] ^ self.escape_xor)
                place += 2
                if plain[-1] not in self.escaped:
                    raise BadFrame(f"escape followed by {sent[place - 1]:02X}", sent[place:])
        return bytes(plain), place


Framing = TextFraming | BinaryFraming
