"""The built-in dialects against the worked examples of their manual, and what a wrong reply says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers import description
from drivers.errors import DescriptionError, Refused, ReplyInvalid
from drivers.templates import Mismatch, parse_text

WORDS = description.load("focuser_words")
FRAMES = description.load("focuser_frames")
WHEEL = description.load("wheel_frames")
MANUAL = Path(__file__).resolve().parents[2] / "config_examples" / "protocols.md"

REQUESTS = [
    (FRAMES, "identity?", "identify", {}),
    (FRAMES, "position?", "position", {}),
    (FRAMES, "move to 12000", "move", {"position": 12000}),
    (FRAMES, "move to 42662", "move", {"position": 42662}),
    (FRAMES, "move to 43281", "move", {"position": 43281}),
    (FRAMES, "move to 116", "move", {"position": 116}),
    (FRAMES, "move to 900000", "move", {"position": 900000}),
    (FRAMES, "halt", "halt", {}),
    (FRAMES, "state?", "state", {}),
    (FRAMES, "temperature?", "temperature", {}),
    (FRAMES, "range?", "range", {}),
    (FRAMES, "speed?", "speed", {}),
    (FRAMES, "take-up?", "backlash_compensation", {}),
    (FRAMES, "set take-up to 0", "backlash_compensation_set", {"setting": 0}),
    (FRAMES, "follow?", "temperature_compensation", {}),
    (FRAMES, "set follow off", "temperature_compensation_set", {"setting": 0}),
    (WHEEL, "slots?", "slots", {}),
    (WHEEL, "present slot?", "slot", {}),
    (WHEEL, "turn to slot 4", "turn", {"slot": 4}),
    (WHEEL, "turn to slot 9", "turn", {"slot": 9}),
]
REPLIES = [
    (FRAMES, "F, protocol 1", "identify", {"firmware_major": 3, "firmware_minor": 2}),
    (FRAMES, "12345", "position", {"position": 12345}),
    (FRAMES, "-7", "position", {"position": -7}),
    (FRAMES, "moving to 42662", "move", {"position": 42662}),
    (FRAMES, "halting", "halt", {}),
    (FRAMES, "turning (the", "state", {"state": 1}),
    (FRAMES, "-3.4375 C", "temperature", {"temperature": -3.4375}),
    (FRAMES, "12.5 C", "temperature", {"temperature": 12.5}),
    (FRAMES, "no probe", "temperature", {"temperature": None}),
    (FRAMES, "0 to 60000", "range", {"lowest": 0, "highest": 60000}),
    (FRAMES, "1500 steps per second", "speed", {"speed": 1500}),
    (FRAMES, "80 steps", "backlash_compensation", {"setting": 80}),
    (FRAMES, "follow is off", "temperature_compensation_set", {"setting": 0}),
    (WHEEL, "7 slots", "slots", {"slots": 7}),
    (WHEEL, "slot 2", "slot", {"slot": 2}),
    (WHEEL, "on no slot", "slot", {"slot": None}),
    (WHEEL, "lost", "state", {"state": 2}),
]


def worked_example(label: str) -> bytes:
    """Return the bytes that the manual's table gives for a message."""
    found = re.search(rf"^\| {re.escape(label)}[^|]*\| `([0-9A-F ]+)` \|$", MANUAL.read_text("utf-8"), re.M)
    assert found, label
    return bytes.fromhex(found[1])


@pytest.mark.parametrize(("dialect", "label", "name", "values"), REQUESTS)
def test_requests_are_the_manuals_bytes(dialect, label, name, values) -> None:
    assert dialect.encode(name, values) == worked_example(label)


@pytest.mark.parametrize(("dialect", "label", "name", "values"), REPLIES)
def test_replies_read_as_the_manual_says(dialect, label, name, values) -> None:
    piece = dialect.framing.take(worked_example(label))
    assert piece is not None
    assert dialect.decode(name, piece.body) == values


def test_words_requests_are_the_manuals_bytes() -> None:
    assert WORDS.encode("identify") == bytes.fromhex("77 68 6F 0A")
    assert WORDS.encode("position") == bytes.fromhex("77 68 65 72 65 0A")
    assert WORDS.encode("move", {"position": 12000}) == bytes.fromhex("67 6F 20 31 32 30 30 30 0A")
    piece = WORDS.framing.take(bytes.fromhex("61 74 20 31 32 33 34 35 0D 0A"))
    assert piece is not None
    assert WORDS.decode("position", piece.body) == {"position": 12345}


@pytest.mark.parametrize(
    "body", [b"at 12x", b"at ", b"at 1 2", b"at  5", b"AT 5", b"at 5.0", b"at --5", b"", b"\xff"]
)
def test_a_malformed_reply_is_an_error_and_no_number(body: bytes) -> None:
    with pytest.raises(ReplyInvalid):
        WORDS.decode("position", body)


def test_a_reply_may_be_absent() -> None:
    assert WORDS.decode("temperature", b"warmth none") == {}
    assert WORDS.decode("temperature", b"warmth -0.3") == {"temperature": -0.3}


def test_a_refusal_says_why() -> None:
    with pytest.raises(Refused, match="outside the controller's own range") as refusal:
        WORDS.decode("move", b"refused limit", {"position": 9})
    assert refusal.value.reason == "limit"
    with pytest.raises(Refused, match="motor is turning"):
        FRAMES.decode("move", bytes.fromhex("FF 11 04"))


def test_a_request_garbled_on_the_way_counts_as_invalid() -> None:
    with pytest.raises(ReplyInvalid, match="did not understand"):
        WORDS.decode("position", b"refused word")


def test_without_a_checksum_an_unheard_of_reason_or_state_counts_as_damaged() -> None:
    with pytest.raises(ReplyInvalid, match="did not understand"):
        WORDS.decode("move", b"refused limjt", {"position": 9})
    with pytest.raises(ReplyInvalid, match="knows no state 'stall'"):
        WORDS.decode("state", b"motor stall")
    with pytest.raises(Refused, match="9"):
        FRAMES.decode("move", bytes.fromhex("FF 11 09"))


def test_a_reply_that_repeats_another_value_is_invalid() -> None:
    with pytest.raises(ReplyInvalid, match="sent position = 12000 and the reply says 13000"):
        WORDS.decode("move", b"going 13000", {"position": 12000})


def test_likely_causes_are_named() -> None:
    with pytest.raises(ReplyInvalid, match="CR LF"):
        WORDS.decode("position", b"at 5\r")
    with pytest.raises(ReplyInvalid, match="echo"):
        WORDS.decode("position", b"where")


def test_state_words_sort_into_conditions() -> None:
    state = WORDS.requests["state"]
    assert state.condition_of("still") == ("still", "still")
    assert state.condition_of("turning")[0] == "moving"
    assert state.condition_of("blocked") == ("failed", "the motor ran into a limit switch")
    assert FRAMES.requests["state"].condition_of(2)[0] == "failed"
    with pytest.raises(ReplyInvalid, match="knows no state 'lazy'"):
        state.condition_of("lazy")


MINIMAL = """
description = 1
kind = "focuser"
name = "Half steps in hex"
[framing]
kind = "text"
request_start = ":"
reply_start = "="
request_end = ";"
reply_end = ";"
[framing.checksum]
kind = "xor"
separator = "*"
[motion]
speed_steps_per_s = 200
[request.position]
send = "P"
reply = "P{position:hex:6:signed}"
scale = 0.5
[request.move]
send = "M{position:hex:6:signed}"
reply = "M"
[request.halt]
send = "H"
reply = []
"""


def test_fixed_width_hex_in_half_steps_with_a_checksum() -> None:
    dialect = description.parse(MINIMAL, "minimal.toml")
    # 0x50 = 'P'; exclusive-or of one byte is itself.
    assert dialect.encode("position") == b":P*50;"
    moved = description.parse(MINIMAL.replace('reply = "M"', 'reply = "M"\nscale = 0.5'), "minimal.toml")
    assert moved.encode("move", {"position": -3}) == b":MFFFFFA*" + f"{_xor(b'MFFFFFA'):02X}".encode() + b";"
    piece = dialect.framing.take(b"=PFFFFFA*" + f"{_xor(b'PFFFFFA'):02X}".encode() + b";")
    assert piece is not None
    assert dialect.decode("position", piece.body) == {"position": -3.0}


def _xor(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("description = 1", "description = 7"), "version 7 is not known"),
        (("description = 1", ""), "description: is missing; for example: description = 1"),
        (('kind = "focuser"', 'kind = "focusser"'), "did you mean 'focuser'"),
        (("[request.halt]", "[request.halted]"), "request.halt: a focuser needs this request"),
        (("{position:hex:6:signed}", "{position:hexx}"), "unknown type 'hexx'"),
        (
            ('send = "P"', 'sned = "P"'),
            "request.position.sned: is not a key of this table; did you mean 'send'",
        ),
        (('reply_end = ";"', 'reply_end = ""'), "nothing would tell where a reply ends"),
        (('kind = "xor"', 'kind = "crc"'), "framing.checksum.polynomial: is missing"),
        (("speed_steps_per_s = 200", ""), "motion.speed_steps_per_s"),
        (("speed_steps_per_s = 200", "speed_steps_per_s = true"), "is not of the right type"),
        (("scale = 0.5", "scale = 0"), "request.position.scale: is 0"),
        (("{position:hex:6:signed}", "{place:hex:6:signed}"), "lacks the field 'position'"),
        (("[motion]", "[moton]"), "did you mean 'motion'"),
    ],
)
def test_mistakes_name_the_key_and_the_right_form(change: tuple[str, str], complaint: str) -> None:
    with pytest.raises(DescriptionError) as error:
        description.parse(MINIMAL.replace(*change), "mine.toml")
    assert complaint in str(error.value)
    assert all(line.startswith("mine.toml: ") for line in str(error.value).splitlines())


def test_every_mistake_is_told_at_once() -> None:
    text = MINIMAL.replace("scale = 0.5", "scale = 0").replace('send = "H"', 'send = "{"')
    with pytest.raises(DescriptionError) as error:
        description.parse(text, "mine.toml")
    assert len(error.value.problems) == 2


def test_a_description_may_stand_on_another(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(
        'base = "focuser_words"\nname = "Mine"\n[line]\nbaud = 115200\n[request.position]\nsend = "pos"\n'
    )
    dialect = description.load(mine)
    assert (dialect.name, dialect.line.baud) == ("Mine", 115200)
    assert dialect.encode("position") == b"pos\n"
    assert dialect.encode("halt") == b"halt\n"


def test_bases_in_a_circle_are_refused(tmp_path: Path) -> None:
    for first, second in (("a", "b"), ("b", "a")):
        (tmp_path / f"{first}.toml").write_text(f'base = "{second}.toml"\n')
    with pytest.raises(DescriptionError, match="below each other"):
        description.load(tmp_path / "a.toml")


def test_an_unknown_description_lists_those_built_in() -> None:
    with pytest.raises(DescriptionError, match="focuser_words"):
        description.load("focuser_wrods")


@pytest.mark.parametrize(("text", "value"), [("+1.25E-03", 0.00125), ("5", 5.0), ("-2.5e+1", -25.0)])
def test_numbers_with_exponents(text: str, value: float) -> None:
    """The forms NR1, NR2 and NR3 of IEEE 488.2, as instruments send them (common practice)."""
    template = parse_text("V={v:scientific:3} V")
    assert template.decode(f"V={text} V".encode()) == {"v": pytest.approx(value)}
    assert template.decode(template.encode({"v": value})) == {"v": pytest.approx(value, rel=1e-3)}


@pytest.mark.parametrize("text", ["", "e", "1e999", "nan", "1.2.3", "--1", "1" * 60])
def test_what_is_no_number_with_an_exponent(text: str) -> None:
    with pytest.raises(Mismatch):
        parse_text("V={v:scientific} V").decode(f"V={text} V".encode())
