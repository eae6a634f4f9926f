"""The device's side of every built-in description: what the driver's side sends it understands, and back."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import description
from drivers.errors import Refused, ReplyInvalid
from drivers.framing import BadFrame
from drivers.served import Asked, ServedDialect

NAMES = description.built_in_names()
SERVED = {name: ServedDialect(description.load(name)) for name in NAMES}
quietly = settings(max_examples=200, deadline=None)
REQUESTS = [(name, request) for name in NAMES for request in SERVED[name].dialect.requests]
whole = st.integers(-(2**31), 2**31 - 1)


def value_for(field_type: str) -> st.SearchStrategy[object]:
    if field_type in ("word", "text"):
        return st.sampled_from(["on", "off", "still", "3.2"])
    if field_type == "decimal":
        return st.integers(-400, 400).map(lambda tenths: tenths / 10)
    if field_type.startswith(("u8", "u16")):
        return st.integers(0, 255)
    return st.integers(-(2**15), 2**15 - 1) if field_type.startswith("i16") else whole


@pytest.mark.parametrize(("name", "request_name"), REQUESTS)
@quietly
@given(data=st.data())
def test_a_request_goes_there_and_its_reply_comes_back(
    name: str, request_name: str, data: st.DataObject
) -> None:
    served, dialect = SERVED[name], SERVED[name].dialect
    request = dialect.requests[request_name]
    sent = {field.name: data.draw(value_for(field.type)) for field in request.send.fields}
    piece = served.take(dialect.encode(request_name, sent))
    assert piece is not None
    assert (piece.rest, served.decode(piece.body)) == (b"", Asked(request_name, sent))
    told = dict(sent)
    for field in request.replies[0].fields:
        if field.name not in told:
            value = data.draw(value_for(field.type))
            told[field.name] = (
                value * request.scale if request.converts and not isinstance(value, str) else value
            )
    if request_name == "state":
        told["state"] = served.state_word(data.draw(st.sampled_from(["still", "moving", "failed"])))
    answer = dialect.framing.take(served.reply(request_name, told))
    assert answer is not None
    read = dialect.decode(request_name, answer.body, sent)
    for key, value in read.items():
        if value is None:
            assert told[key] in {raw * request.scale + request.offset for raw in request.absent}
        else:
            assert str(value) == str(told[key]) or float(value) == pytest.approx(float(told[key]))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("cause", ["limit", "busy", "unknown"])
def test_a_refusal_is_understood_as_one(name: str, cause: str) -> None:
    """The causes' own words are those of the manual, protocols.md: A.1 and B.1."""
    served, dialect = SERVED[name], SERVED[name].dialect
    body = served.take(dialect.encode("halt")).body
    answer = dialect.framing.take(served.refusal(body, cause))
    with pytest.raises((Refused, ReplyInvalid)) as refused:
        dialect.decode("halt", answer.body)
    words = {"limit": ("limit", "3"), "busy": ("turning", "4"), "unknown": ("word", "1")}[cause]
    assert any(word in str(refused.value) for word in words)


@pytest.mark.parametrize("name", NAMES)
@quietly
@given(heard=st.binary(max_size=300))
def test_any_bytes_are_taken_apart_without_an_error_of_another_kind(name: str, heard: bytes) -> None:
    served, buffer = SERVED[name], heard
    for _ in range(len(heard) + 1):
        try:
            piece = served.take(buffer)
        except BadFrame as damage:
            assert len(damage.rest) < len(buffer)
            buffer = damage.rest
            continue
        if piece is None:
            break
        assert len(piece.rest) < len(buffer)
        buffer = piece.rest
        asked = served.decode(piece.body)
        if asked is None:
            served.refusal(piece.body, "unknown")
    else:
        raise AssertionError("it never comes to an end")
