"""The simulated controllers hear anything: they never fall over, and answer only what was well formed."""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.controllers import FocuserController, WheelController
from drivers.simulated.frames_firmware import FramesFocuser, FramesReader, FramesWheel, crc16, frame
from drivers.simulated.words_firmware import WordsFocuser, WordsReader, WordsWheel


def focuser() -> FocuserController:
    return FocuserController(0, 60_000, 400, 20_000.0, lambda _: None, lambda: 4.0)


def unpacked(line: bytes) -> tuple[int, bytes]:
    """Return command and payload of a frame, undone by other code than the firmware's."""
    plain = bytearray()
    escaped = False
    for byte in line[1:]:
        if escaped:
            plain.append({0xF3: 0xA6, 0xFC: 0xA9}[byte])
            escaped = False
        elif byte == 0xA9:
            escaped = True
        else:
            plain.append(byte)
    assert plain[0] == len(plain) - 4
    assert struct.unpack("<H", plain[-2:])[0] == crc16(bytes(plain[:-2]))
    return plain[1], bytes(plain[2:-2])


@given(st.binary(max_size=400))
def test_words_answer_each_line_once_whatever_it_says(data: bytes) -> None:
    for device in (WordsFocuser(focuser()), WordsWheel(WheelController(7))):
        replies = WordsReader(device).hear(data, 0.0)
        lines = [line for line in data.split(b"\n")[:-1] if line not in (b"", b"\r")]
        assert len(replies) == len(lines)
        assert all(reply.endswith(b"\r\n") and reply.isascii() for reply in replies)


@given(st.binary(max_size=400))
def test_frames_stay_silent_or_answer_with_whole_frames(data: bytes) -> None:
    for device in (FramesFocuser(focuser()), FramesWheel(WheelController(7))):
        for reply in FramesReader(device).hear(data, 0.0):
            unpacked(reply)


@given(st.integers(0, 0x7F), st.binary(max_size=32), st.binary(max_size=20))
def test_a_good_frame_is_answered_after_any_noise(command: int, payload: bytes, noise: bytes) -> None:
    reader = FramesReader(FramesFocuser(focuser()))
    reader.hear(noise, 0.0)
    replies = reader.hear(frame(command, payload), 0.01)
    assert len(replies) == 1
    answered, _ = unpacked(replies[0])
    assert answered in (command | 0x80, 0xFF)


@given(st.lists(st.integers(1, 8), max_size=30), st.integers(-(2**31), 2**31 - 1))
def test_pieces_of_a_request_make_the_same_request(cuts: list[int], target: int) -> None:
    for reader, request in (
        (FramesReader(FramesFocuser(focuser())), frame(0x11, struct.pack(">i", target))),
        (WordsReader(WordsFocuser(focuser())), f"go {target}\n".encode()),
    ):
        fresh = type(reader)(type(reader.device)(focuser()))  # type: ignore[call-arg, arg-type]  # pairs that fit
        whole = fresh.hear(request, 0.0)
        heard, place = [], 0
        for cut in [*cuts, len(request)]:
            heard += reader.hear(request[place : place + cut], 0.0)
            place += cut
        assert heard == whole and len(heard) == 1


@given(st.integers(-(10**12), 10**12))
def test_a_move_is_made_exactly_or_refused(target: int) -> None:
    controller = focuser()
    (reply,) = WordsReader(WordsFocuser(controller)).hear(f"go {target}\n".encode(), 0.0)
    controller.advance(1000.0)
    if 0 <= target <= 60_000:
        assert reply == f"going {target}\r\n".encode() and controller.position == target
    else:
        assert reply == b"refused limit\r\n" and controller.position == 20_000
