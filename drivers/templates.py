"""Templates of requests and replies: literal text or bytes with typed fields in braces.

``"at {position:int}"`` is a text template, ``"90 {position:i32be}"`` one of bytes (literals as pairs of hex
digits). They are read from left to right without ever going back, so that no reply, however odd, takes more
than linear time: that is why they are not regular expressions.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

Value = int | float | str

MOST_DIGITS = 20
_SIGNS = "+-"
_CHARACTERS = {
    "int": "0123456789",
    "decimal": "0123456789.",
    "scientific": "0123456789.+-eE",
    "hex": "0123456789abcdefABCDEF",
    "word": "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-.",
}
_INTEGER_BYTES = {f"{sign}{8 * size}{order}": (size, order, sign == "i")
                  for sign in "iu" for size in (2, 3, 4) for order in ("be", "le")}  # fmt: skip
_INTEGER_BYTES |= {"i8": (1, "be", True), "u8": (1, "be", False)}

TEXT_TYPES = ("int", "decimal", "scientific", "hex", "word", "text")
BYTE_TYPES = (*sorted(_INTEGER_BYTES), "ascii")


class TemplateError(ValueError):
    """The template itself is malformed."""


class Mismatch(ValueError):
    """A reply is not of this template's form."""


@dataclass(frozen=True, slots=True)
class Field:
    """One typed field of a template; ``width`` counts characters or bytes, None when it varies.

    ``decimals`` is the number of decimal places written, for "decimal" and "scientific" only.
    """

    name: str
    type: str
    width: int | None = None
    signed: bool = False
    decimals: int | None = None


@dataclass(frozen=True, slots=True)
class TextTemplate:
    """A template whose messages are text."""

    source: str
    parts: tuple[str | Field, ...]

    @property
    def fields(self) -> tuple[Field, ...]:
        """Return its fields, in order."""
        return tuple(part for part in self.parts if isinstance(part, Field))

    def encode(self, values: Mapping[str, Value]) -> bytes:
        """Return the message with its fields filled; ValueError when a value is missing or does not fit."""
        written = [part if isinstance(part, str) else _write_text(part, values) for part in self.parts]
        return "".join(written).encode("latin-1")

    def decode(self, body: bytes) -> dict[str, Value]:
        """Return the fields of a message; Mismatch, saying where, when it has another form."""
        text, place, values = body.decode("latin-1"), 0, {}
        for number, part in enumerate(self.parts):
            if isinstance(part, str):
                place = _skip_literal(text, place, part)
            else:
                follower = self.parts[number + 1] if number + 1 < len(self.parts) else ""
                end = _end_of_field(text, place, part, follower if isinstance(follower, str) else "")
                values[part.name] = _read_text(part, text[place:end])
                place = end
        if place != len(text):
            raise Mismatch(f"unexpected {text[place:]!r} after {text[:place]!r}")
        return values


@dataclass(frozen=True, slots=True)
class BytesTemplate:
    """A template whose messages are bytes."""

    source: str
    parts: tuple[bytes | Field, ...]

    @property
    def fields(self) -> tuple[Field, ...]:
        """Return its fields, in order."""
        return tuple(part for part in self.parts if isinstance(part, Field))

    @property
    def size(self) -> int:
        """Return the number of bytes of every message of this form."""
        return sum(len(part) if isinstance(part, bytes) else part.width or 0 for part in self.parts)

    def encode(self, values: Mapping[str, Value]) -> bytes:
        """Return the message with its fields filled; ValueError when a value is missing or does not fit."""
        return b"".join(
            part if isinstance(part, bytes) else _write_bytes(part, values) for part in self.parts
        )

    def decode(self, body: bytes) -> dict[str, Value]:
        """Return the fields of a message; Mismatch, saying where, when it has another form."""
        if len(body) != self.size:
            raise Mismatch(f"{len(body)} bytes where {self.size} were expected")
        place, values = 0, {}
        for part in self.parts:
            size = len(part) if isinstance(part, bytes) else part.width or 0
            piece = body[place : place + size]
            if isinstance(part, Field):
                values[part.name] = _read_bytes(part, piece)
            elif piece != part:
                raise Mismatch(f"{piece.hex(' ')} at byte {place} where {part.hex(' ')} was expected")
            place += size
        return values


Template = TextTemplate | BytesTemplate


def parse_text(source: str) -> TextTemplate:
    """Return the text template written as ``source``; TemplateError says what is wrong with it."""
    parts: list[str | Field] = []
    for is_field, piece in _split(source):
        parts.append(_text_field(piece) if is_field else piece)
    for first, second in pairwise(parts):
        if isinstance(first, Field) and isinstance(second, Field) and first.width is None:
            example = f"{{{first.name}:int:5}}"
            raise TemplateError(f"field {first.name!r} touches {second.name!r}: give it a width: {example}")
    _refuse_doubles(parts)
    return TextTemplate(source, tuple(parts))


def parse_bytes(source: str) -> BytesTemplate:
    """Return the template of bytes written as ``source``; TemplateError says what is wrong with it."""
    parts: list[bytes | Field] = []
    for is_field, piece in _split(source):
        if is_field:
            parts.append(_byte_field(piece))
        elif piece.strip():
            parts.append(_hex_literal(piece))
    _refuse_doubles(parts)
    return BytesTemplate(source, tuple(parts))


def _split(source: str) -> Iterator[tuple[bool, str]]:
    """Yield (is a field, piece) for the runs of a template; a doubled brace stands for itself."""
    literal, place = "", 0
    while place < len(source):
        character = source[place]
        if character in "{}" and source[place : place + 2] == 2 * character:
            literal, place = literal + character, place + 2
        elif character == "{":
            end = source.find("}", place)
            if end < 0:
                raise TemplateError(f"'{{' at character {place} is never closed")
            if literal:
                yield False, literal
            yield True, source[place + 1 : end]
            literal, place = "", end + 1
        elif character == "}":
            raise TemplateError(f"'}}' at character {place} closes nothing; write '}}}}' for a brace itself")
        else:
            literal, place = literal + character, place + 1
    if literal:
        yield False, literal


def _refuse_doubles(parts: list[str | Field] | list[bytes | Field]) -> None:
    names = [part.name for part in parts if isinstance(part, Field)]
    for name in names:
        if names.count(name) > 1:
            raise TemplateError(f"field {name!r} is named twice")


def _name_and_type(piece: str) -> tuple[str, str, list[str]]:
    name, *rest = (word.strip() for word in piece.split(":"))
    if not name.isidentifier() or not rest:
        raise TemplateError(f"{{{piece}}} is not of the form {{name:type}}")
    return name, rest[0], rest[1:]


def _text_field(piece: str) -> Field:
    name, kind, options = _name_and_type(piece)
    if kind not in TEXT_TYPES:
        raise TemplateError(f"{{{piece}}}: unknown type {kind!r}; text has {', '.join(TEXT_TYPES)}")
    signed = "signed" in options
    numbers = [option for option in options if option != "signed"]
    if len(numbers) > 1 or any(not (number.isdecimal() and int(number) <= 64) for number in numbers):
        raise TemplateError(f"{{{piece}}}: {numbers} is not a width of at most 64")
    size = int(numbers[0]) if numbers else None
    if signed and (kind != "hex" or size is None):
        raise TemplateError(
            f"{{{piece}}}: 'signed' goes with hex of a given width, such as {{name:hex:4:signed}}"
        )
    if kind in ("decimal", "scientific"):
        return Field(name, kind, None, False, size)
    if size == 0:
        raise TemplateError(f"{{{piece}}}: a width of 0 holds nothing")
    return Field(name, kind, size, signed)


def _byte_field(piece: str) -> Field:
    name, kind, options = _name_and_type(piece)
    if kind in _INTEGER_BYTES and not options:
        size, _, signed = _INTEGER_BYTES[kind]
        return Field(name, kind, size, signed)
    if kind == "ascii" and len(options) == 1 and options[0].isdecimal() and 0 < int(options[0]) <= 64:
        return Field(name, kind, int(options[0]))
    known = ", ".join(sorted(_INTEGER_BYTES))
    raise TemplateError(f"{{{piece}}}: unknown type; bytes have {known} and ascii with a width (ascii:6)")


def _hex_literal(piece: str) -> bytes:
    try:
        return bytes.fromhex(piece)
    except ValueError:
        raise TemplateError(f"{piece.strip()!r} is not pairs of hex digits, such as '90 0A'") from None


def _number(field: Field, values: Mapping[str, Value]) -> int:
    value = _value(field, values)
    if not isinstance(value, int):
        raise ValueError(f"{field.name} = {value!r} is not a whole number")
    return value


def _value(field: Field, values: Mapping[str, Value]) -> Value:
    if field.name not in values:
        raise ValueError(f"no value for {field.name}")
    return values[field.name]


def _write_text(field: Field, values: Mapping[str, Value]) -> str:
    if field.type in ("word", "text"):
        text = str(_value(field, values))
        _check_characters(field, text)
    elif field.type == "decimal":
        text = f"{float(_value(field, values)):.{1 if field.decimals is None else field.decimals}f}"
    elif field.type == "scientific":
        text = f"{float(_value(field, values)):.{8 if field.decimals is None else field.decimals}E}"
    elif field.type == "hex":
        text = _write_hex(field, _number(field, values))
    else:
        number = _number(field, values)
        text = str(number) if field.width is None else f"{number:0{field.width}d}"
    if field.width is not None and len(text) != field.width:
        raise ValueError(f"{field.name} = {text!r} does not fill a field of {field.width} characters")
    return text


def _check_characters(field: Field, text: str) -> None:
    allowed = _CHARACTERS.get(field.type)
    if (
        not text
        or (allowed and not set(text) <= set(allowed))
        or not text.isascii()
        or not text.isprintable()
    ):
        raise ValueError(f"{field.name} = {text!r} cannot be sent as {field.type}")


def _write_hex(field: Field, number: int) -> str:
    bits = 4 * (field.width or MOST_DIGITS)
    lowest, highest = (-(1 << bits - 1), (1 << bits - 1) - 1) if field.signed else (0, (1 << bits) - 1)
    if not lowest <= number <= highest:
        raise ValueError(f"{field.name} = {number} does not fit {field.width} hex digits")
    return f"{number % (1 << bits):0{field.width or 1}X}"


def _skip_literal(text: str, place: int, literal: str) -> int:
    if not text.startswith(literal, place):
        raise Mismatch(f"{text[place : place + len(literal)]!r} where {literal!r} was expected")
    return place + len(literal)


def _end_of_field(text: str, place: int, field: Field, follower: str) -> int:
    """Return where a field ends: at its width, its last fitting character, or the literal after it."""
    if field.width is not None:
        return min(place + field.width, len(text))
    if field.type == "text":
        end = text.find(follower, place) if follower else len(text)
        return len(text) if end < 0 else end
    allowed, end = _CHARACTERS[field.type], place
    if field.type in ("int", "decimal") and text[end : end + 1] in (*_SIGNS,):
        end += 1
    while end < len(text) and text[end] in allowed:
        end += 1
    return end


def _read_text(field: Field, piece: str) -> Value:
    if field.width is not None and len(piece) != field.width:
        raise Mismatch(f"{field.name}: {piece!r} is shorter than {field.width} characters")
    if field.type in ("word", "text"):
        if field.type == "word" and (not piece or not set(piece) <= set(_CHARACTERS["word"])):
            raise Mismatch(f"{field.name}: {piece!r} is not a word")
        return piece
    if field.type == "scientific":
        return _read_scientific(field, piece)
    digits = piece[1:] if field.type != "hex" and piece[:1] in (*_SIGNS,) else piece
    fits = set(digits) <= set(_CHARACTERS[field.type]) and 0 < len(digits) <= MOST_DIGITS
    if not fits or digits.count(".") > 1 or digits == ".":
        raise Mismatch(f"{field.name}: {piece!r} is not a number of type {field.type}")
    if field.type == "decimal":
        return float(piece)
    if field.type == "int":
        return int(piece)
    number = int(piece, 16)
    bits = 4 * len(piece)
    return number - (1 << bits) if field.signed and number >> (bits - 1) else number


def _read_scientific(field: Field, piece: str) -> float:
    """Return a number with an exponent, as instruments write it (IEEE 488.2, NR3)."""
    try:
        number = float(piece) if len(piece) <= MOST_DIGITS + 8 else math.inf
    except ValueError:
        number = math.inf
    if not math.isfinite(number):
        raise Mismatch(f"{field.name}: {piece!r} is not a number of type scientific")
    return number


def _write_bytes(field: Field, values: Mapping[str, Value]) -> bytes:
    if field.type == "ascii":
        text = str(_value(field, values))
        if len(text) != field.width or not text.isascii():
            raise ValueError(f"{field.name} = {text!r} is not {field.width} ASCII characters")
        return text.encode("ascii")
    number = _number(field, values)
    size, order, signed = _INTEGER_BYTES[field.type]
    try:
        return number.to_bytes(size, "big" if order == "be" else "little", signed=signed)
    except OverflowError:
        raise ValueError(f"{field.name} = {number} does not fit {field.type}") from None


def _read_bytes(field: Field, piece: bytes) -> Value:
    if field.type == "ascii":
        if not piece.isascii():
            raise Mismatch(f"{field.name}: {piece!r} is not ASCII")
        return piece.decode("ascii")
    _, order, signed = _INTEGER_BYTES[field.type]
    return int.from_bytes(piece, "big" if order == "be" else "little", signed=signed)
