"""Codec round trips, and arbitrary bytes: only documented errors come out, in linear work."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import description, templates
from drivers.checksums import Checksum
from drivers.dialect import Dialect
from drivers.errors import DescriptionError, Refused, ReplyInvalid
from drivers.framing import BadFrame, BinaryFraming, Framing, TextFraming
from drivers.templates import Mismatch, TemplateError

DIALECTS = [description.load(name) for name in description.built_in_names()]
INT32 = st.integers(-(2**31), 2**31 - 1)

checksums = st.one_of(
    st.none(),
    st.builds(Checksum, st.sampled_from(["sum", "xor"]), st.sampled_from([8, 16])),
    st.just(Checksum("lrc")),
    st.builds(Checksum, st.just("crc"), st.just(16), st.just(0x1021), st.integers(0, 0xFFFF), st.booleans(),
              st.booleans(), st.integers(0, 0xFFFF)),
)  # fmt: skip


@st.composite
def binary_framings(draw: st.DrawFn) -> BinaryFraming:
    start = draw(st.integers(0, 255))
    others = [byte for byte in range(256) if byte != start]
    escape = draw(st.one_of(st.none(), st.sampled_from(others)))
    xor = draw(st.integers(1, 255)) if escape is not None else 0
    escaped = frozenset((start, escape)) if escape is not None else frozenset()
    if any(byte ^ xor in escaped for byte in escaped):
        xor = next(x for x in range(1, 256) if not any(byte ^ x in escaped for byte in escaped))
    return BinaryFraming(
        start=bytes([start]),
        length_size=draw(st.sampled_from([1, 2])),
        length_adds=draw(st.integers(0, 3)),
        length_order=draw(st.sampled_from(["big", "little"])),
        checksum=draw(checksums),
        checksum_order=draw(st.sampled_from(["big", "little"])),
        covers_start=draw(st.booleans()),
        covers_length=draw(st.booleans()),
        escape=escape,
        escape_xor=xor,
        escaped=escaped,
        end=draw(st.sampled_from([b"", b"\r"])),
    )


@given(binary_framings(), st.lists(st.binary(max_size=40), min_size=1, max_size=3), st.data())
def test_binary_frames_come_back_however_they_are_cut(
    framing: BinaryFraming, bodies: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(framing.wrap(body) for body in bodies)
    cut = data.draw(st.integers(0, len(stream)))
    buffer, found = b"", []
    for piece in (stream[:cut], stream[cut:]):
        buffer += piece
        while (taken := framing.take(buffer)) is not None:
            found.append(taken.body)
            buffer = taken.rest
    assert found == bodies
    assert buffer == b""


@given(binary_framings(), st.binary(min_size=1, max_size=40), st.data())
def test_a_changed_byte_never_gives_another_body_under_a_crc(
    framing: BinaryFraming, body: bytes, data: st.DataObject
) -> None:
    if framing.checksum is None or framing.checksum.kind != "crc" or not framing.covers_length:
        return
    sent = bytearray(framing.wrap(body))
    place = data.draw(st.integers(0, len(sent) - 1))
    sent[place] ^= data.draw(st.integers(1, 255))
    try:
        taken = framing.take(bytes(sent))
    except BadFrame:
        return
    # A CRC-16 finds every burst of up to 16 bits; an escape in the damaged place may shift what follows.
    assert taken is None or taken.body == body or framing.escape is not None


@given(st.sampled_from(DIALECTS), st.binary(max_size=120))
def test_arbitrary_bytes_give_only_documented_errors(dialect: Dialect, data: bytes) -> None:
    _swallow(dialect.framing, data)
    for name in dialect.requests:
        try:
            dialect.decode(name, data)
        except (ReplyInvalid, Refused):
            continue
    dialect.announcement(data)


def _swallow(framing: Framing, data: bytes) -> None:
    buffer = data
    for _ in range(len(data) + 1):
        before = buffer
        try:
            piece = framing.take(buffer)
        except BadFrame as damage:
            assert len(damage.rest) < len(before)
            buffer = damage.rest
            continue
        if piece is None:
            return
        assert len(piece.rest) < len(before)
        buffer = piece.rest
    raise AssertionError("the buffer never ended")


@given(st.sampled_from(["int", "int:6", "hex:8:signed", "decimal:3"]), st.integers(-9999, 99999))
def test_text_numbers_round_trip(kind: str, number: int) -> None:
    template = templates.parse_text(f"at {{value:{kind}}};")
    value = number / 8 if kind.startswith("decimal") else number
    if kind == "int:6" and number < -9999:
        return
    assert template.decode(template.encode({"value": value})) == {"value": value}


@given(st.sampled_from(["i32be", "i32le"]), INT32)
def test_binary_numbers_round_trip(kind: str, number: int) -> None:
    template = templates.parse_bytes(f"90 {{value:{kind}}} 0A")
    body = template.encode({"value": number})
    assert len(body) == template.size == 6
    assert template.decode(body) == {"value": number}


@given(st.text(max_size=40))
def test_any_text_as_a_template_is_accepted_or_explained(source: str) -> None:
    for parse in (templates.parse_text, templates.parse_bytes):
        try:
            template = parse(source)
        except TemplateError:
            continue
        with suppress(Mismatch):
            template.decode(source.encode("utf-8", "replace"))


@given(st.text(max_size=300))
def test_any_text_as_a_description_is_explained(text: str) -> None:
    with pytest.raises(DescriptionError):
        description.parse(text, "drawn.toml")


SOME_VALUES = st.one_of(
    st.integers(), st.text(max_size=8), st.booleans(), st.floats(allow_nan=False, allow_infinity=False),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.sampled_from(["send", "kind", "x"]), st.integers(), max_size=2),
)  # fmt: skip


@settings(max_examples=300)
@given(st.sampled_from(description.built_in_names()), st.data())
def test_a_good_description_with_one_value_changed_loads_or_is_explained(
    name: str, data: st.DataObject
) -> None:
    source = (description.BUILT_IN / f"{name}.toml").read_text("utf-8")
    lines = source.splitlines()
    keyed = [number for number, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    number = data.draw(st.sampled_from(keyed))
    key = lines[number].split(" = ")[0]
    lines[number] = f"{key} = {_toml(data.draw(SOME_VALUES))}"
    try:
        dialect = description.parse("\n".join(lines), "changed.toml")
    except DescriptionError as error:
        assert all(problem.key and problem.what for problem in error.problems)
    else:
        assert dialect.requests


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return "'" + "".join(c for c in value if c.isprintable() and c != "'") + "'"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, int):
        return str(max(min(value, 2**63 - 1), -(2**63)))
    return repr(value)


@given(st.binary(max_size=60))
def test_text_framing_with_a_checksum_round_trips(body: bytes) -> None:
    framing = TextFraming(b"\r", b"\r", request_start=b":", reply_start=b":", checksum=Checksum("lrc"))
    clean = body.replace(b"\r", b"")
    piece = framing.take(framing.wrap_reply(clean) + b"tail")
    assert piece is not None
    assert (piece.body, piece.rest) == (clean, b"tail")
