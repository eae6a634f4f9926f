"""The simulated rig's process: firmware against the manuals' own examples, time, frames, and its end."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import serial

from drivers.frames import read_frame
from drivers.simulated.client import (
    ControlLine,
    ExposureAborted,
    RigError,
    RunningRig,
    connect_rig,
    start_rig,
)
from drivers.simulated.controllers import FocuserController, WheelController
from drivers.simulated.frames_firmware import FramesFocuser, FramesReader, FramesWheel, crc16
from drivers.simulated.words_firmware import WordsFocuser, WordsReader, WordsWheel

MANUAL = Path(__file__).resolve().parents[2] / "config_examples" / "protocols.md"


def focuser(**changes: object) -> FocuserController:
    made = FocuserController(0, 60_000, 1500, 12_345.0, lambda _: None, lambda: -3.4375)
    for name, value in changes.items():
        setattr(made, name, value)
    return made


def words(controller: FocuserController, *lines: str) -> list[str]:
    reader = WordsReader(WordsFocuser(controller))
    replies = reader.hear("".join(f"{line}\n" for line in lines).encode(), 0.0)
    assert all(reply.endswith(b"\r\n") for reply in replies)
    return [reply[:-2].decode() for reply in replies]


def test_words_conversation_of_the_manual() -> None:
    controller = focuser()
    assert words(controller, "who", "where", "go 12000", "state") == [
        "focuser words 1 3.2",
        "at 12345",
        "going 12000",
        "motor turning",
    ]
    controller.advance((12_345 - 12_208) / 1500.0)
    assert words(controller, "where", "go 13000", "halt", "state") == [
        "at 12208",
        "refused turning",
        "halting",
        "motor still",
    ]
    assert words(
        controller, "go 900000", "go 1e3", "warmth", "span", "pace", "slack", "follow on", "which"
    ) == [
        "refused limit",
        "refused number",
        "warmth -3.4",
        "span 0 60000",
        "pace 1500",
        "slack 0",
        "follow on",
        "refused word",
    ]


def test_words_wheel_conversation_of_the_manual() -> None:
    wheel = WheelController(slots=7)
    reader = WordsReader(WordsWheel(wheel))

    def ask(line: str) -> str:
        (reply,) = reader.hear(line.encode() + b"\r\n", 0.0)
        return reply.decode().rstrip()

    assert [ask("which"), ask("turn 4"), ask("state"), ask("which")] == [
        "slot 1",
        "turning 4",
        "wheel turning",
        "slot none",
    ]
    wheel.advance(20.0)
    assert [ask("state"), ask("which"), ask("turn 9"), ask("turn 0")] == [
        "wheel still",
        "slot 4",
        "refused limit",
        "refused limit",
    ]


@pytest.mark.parametrize(
    ("line", "reply"),
    [
        ("go +5", "refused number"),
        ("go 05", "refused number"),
        ("go  5", "refused word"),
        ("GO 5", "refused word"),
        ("go", "refused word"),
        ("slack 1001", "refused number"),
        ("follow maybe", "refused number"),
        ("x" * 64, "refused word"),
        ("x" * 65, "refused long"),
        ("x" * 5000, "refused long"),
    ],
)
def test_words_refusals_in_the_manuals_order(line: str, reply: str) -> None:
    assert words(focuser(), line) == [reply]


def test_empty_line_is_not_answered_and_the_next_one_is() -> None:
    assert words(focuser(), "", "where") == ["at 12345"]


def test_no_probe_is_said_and_minus_nothing_is_not() -> None:
    assert words(focuser(probe=lambda: None), "warmth") == ["warmth none"]
    assert words(focuser(probe=lambda: -0.04), "warmth") == ["warmth 0.0"]


def manual_bytes(section: str) -> dict[str, bytes]:
    """Return the manual's worked examples of a section: message to bytes."""
    text = MANUAL.read_text().split(f"### {section}")[1].split("\n### ")[0]
    rows = re.findall(r"^\| ([^|]+?) \| `((?:[0-9A-F]{2} ?)+)` \|$", text, re.MULTILINE)
    return {message: bytes.fromhex(line) for message, line in rows}


FOCUSER_EXAMPLES = [
    ("identity?", "F, protocol 1, firmware 3.2", {}),
    ("position?", "12345", {}),
    ("position?", "-7", {"count": -7.0}),
    ("move to 12000", "moving to 12000", {}),
    (
        "move to 42662 (two bytes escaped: the number is `0000A6A6`)",
        "moving to 42662",
        {},
    ),
    ("move to 900000", "fault: command 11, outside the range (the checksum is `A6EA`)", {}),
    ("halt", "halting", {}),
    ("state?", "still", {}),
    ("state?", "blocked", {"blocked": True}),
    ("temperature?", "-3.4375 C (-55 sixteenths)", {}),
    ("temperature?", "12.5 C (200 sixteenths)", {"probe": lambda: 12.5}),
    ("temperature?", "no probe", {"probe": lambda: None}),
    ("range?", "0 to 60000", {}),
    ("speed?", "1500 steps per second", {}),
    ("take-up?", "80 steps", {"take_up": 80}),
    ("set take-up to 0", "take-up is 0", {"take_up": 80}),
    ("follow?", "on", {"follow": True}),
    ("set follow off", "follow is off", {"follow": True}),
    ("command 77, which does not exist", "fault: command 77, no such command", {}),
]


@pytest.mark.parametrize(("request_row", "reply_row", "state"), FOCUSER_EXAMPLES)
def test_frames_focuser_answers_as_the_manuals_bytes_say(
    request_row: str, reply_row: str, state: dict[str, object]
) -> None:
    examples = manual_bytes("B.2 Focuser")
    reader = FramesReader(FramesFocuser(focuser(**state)))
    assert reader.hear(examples[request_row], 0.0) == [examples[reply_row]]
    assert reader.awake() == examples["awake"]


@pytest.mark.parametrize(
    ("request_row", "reply_row", "slot"),
    [
        ("slots?", "7 slots", 0),
        ("present slot?", "slot 2", 2),
        ("present slot?", "on no slot", None),
        ("turn to slot 4", "turning to slot 4", 0),
        ("turn to slot 9 of a wheel of 7", "fault: command 32, outside the range", 0),
        ("state?", "still", 0),
    ],
)
def test_frames_wheel_answers_as_the_manuals_bytes_say(
    request_row: str, reply_row: str, slot: int | None
) -> None:
    examples = manual_bytes("B.3 Wheel")
    reader = FramesReader(FramesWheel(WheelController(slots=7, slot=slot)))
    assert reader.hear(examples[request_row], 0.0) == [examples[reply_row]]


def test_checksum_gives_the_catalogues_check_value() -> None:
    """CRC-16/IBM-3740 (poly 1021, init FFFF): check 29B1 (CRC catalogue of G. Cook)."""
    assert crc16(b"123456789") == 0x29B1


def test_damaged_frames_are_dropped_and_the_next_one_is_answered() -> None:
    good = manual_bytes("B.2 Focuser")["position?"]
    answered = manual_bytes("B.2 Focuser")["12345"]
    for damage in (b"\xa6\x00\x10\x3e\x0e", b"\xa6\x21", b"\xa6\x00\xa9\x00", b"\xa6\x00\x10", b"noise"):
        reader = FramesReader(FramesFocuser(focuser()))
        assert reader.hear(damage + good, 0.0) == [answered]


def test_a_pause_of_more_than_a_fifth_of_a_second_drops_a_frame() -> None:
    good = manual_bytes("B.2 Focuser")["position?"]
    reader = FramesReader(FramesFocuser(focuser()))
    assert reader.hear(good[:2], 0.0) == []
    assert reader.hear(good[2:], 0.25) == []
    assert reader.hear(good[:2], 1.0) == []
    assert len(reader.hear(good[2:], 1.1)) == 1


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningRig]:
    with start_rig(tmp_path_factory.mktemp("rig"), peek=True, seed=3) as running:
        running.clock.sleep(0.01)  # this thread's connection is opened here and not in a test
        yield running


def ask(port: serial.Serial, line: bytes) -> bytes:
    port.write(line + b"\n")
    return bytes(port.read_until(b"\n"))


def test_time_moves_only_by_sleeping(rig: RunningRig) -> None:
    before = rig.clock.monotonic()
    time.sleep(0.05)
    assert rig.clock.monotonic() == before
    rig.clock.sleep(1234.5)
    assert rig.clock.monotonic() == pytest.approx(before + 1234.5)
    assert (rig.clock.now().timestamp() - rig.clock.monotonic()) % 1.0 == pytest.approx(0.0, abs=1e-6)


def test_motor_moves_in_virtual_time_over_real_bytes(rig: RunningRig) -> None:
    with serial.Serial(rig.focuser_port, 19_200, timeout=2.0, exclusive=True) as port:
        start = int(ask(port, b"where").split()[1])
        pace = int(ask(port, b"pace").split()[1])
        assert ask(port, f"go {start + 10 * pace}".encode()).startswith(b"going")
        assert ask(port, b"where") == f"at {start}\r\n".encode()
        rig.clock.sleep(4.0)
        assert ask(port, b"where") == f"at {start + 4 * pace}\r\n".encode()
        rig.clock.sleep(7.0)
        assert ask(port, b"state") == b"motor still\r\n"
        assert rig.peek()["count"] == start + 10 * pace
        ask(port, f"go {start}".encode())
        rig.clock.sleep(60.0)


def test_same_number_gives_the_same_frame_whatever_came_between(rig: RunningRig, tmp_path: Path) -> None:
    line, frames = ControlLine(rig.control), []
    for name, number in (("a", 7), ("b", 8), ("c", 7)):
        path = tmp_path / f"{name}.fits"
        line.ask(op="expose", exposure_s=0.001, filter="L", number=number, path=str(path))
        frames.append(read_frame(path).pixels)
    line.close()
    # The seeing wanders over the seconds of readout between, so that noise alone is not the whole frame.
    same, other = np.mean(frames[0] != frames[2]), np.mean(frames[0] != frames[1])
    assert same < 0.05 < 0.5 < other


def test_frame_says_what_it_is(rig: RunningRig) -> None:
    before = rig.clock.now()
    path = rig.camera.expose(2.0, "L", number=41)
    frame = read_frame(path)
    assert frame.pixels.shape == (480, 640) and frame.pixels.dtype == np.uint16
    assert frame.facts.simulated and frame.facts.filter == "L" and frame.facts.exposure_s == 2.0
    assert frame.facts.position_steps == rig.peek()["count"]
    assert frame.facts.middle is not None
    assert (frame.facts.middle - before).total_seconds() == pytest.approx(1.0, abs=0.002)
    assert (rig.clock.now() - before).total_seconds() == pytest.approx(2.8, abs=0.01)


def test_light_path_follows_the_wheel_and_the_mask(rig: RunningRig) -> None:
    rig.camera.expose(2.0, "L", number=50)
    masked = read_frame(rig.camera.folder / "look-00050.fits").pixels.astype(float)
    rig.put_mask(on=False)
    open_ = read_frame(rig.camera.expose(2.0, "L", number=51)).pixels.astype(float)
    rig.put_mask(on=True)
    assert open_.sum() - 500.0 * open_.size > 1.5 * (masked.sum() - 500.0 * masked.size)
    with serial.Serial(rig.wheel_port, 19_200, timeout=2.0) as port:
        ask(port, b"turn 5")
        dark = read_frame(rig.camera.expose(0.1, "Ha", number=52)).pixels.astype(float)
        rig.clock.sleep(10.0)
        ask(port, b"turn 1")
        rig.clock.sleep(10.0)
    assert np.percentile(dark, 99.9) < 530.0


def test_surrogate_draws_by_number_too(rig: RunningRig) -> None:
    first, other, again = (rig.camera.look(2.0, "L", number=number) for number in (5, 6, 5))
    assert first["value_px"] == pytest.approx(again["value_px"], abs=0.05)
    assert first["value_px"] != other["value_px"]
    assert first["u_px"] > 0.0


def test_stop_aborts_an_exposure_on_a_paced_rig(tmp_path: Path) -> None:
    with start_rig(tmp_path, speed=1.0) as paced:
        stop = threading.Event()
        threading.Timer(0.1, stop.set).start()
        began = time.monotonic()
        with pytest.raises(ExposureAborted):
            paced.camera.expose(60.0, "L", stop)
        assert time.monotonic() - began < 20.0
        assert 0.05 < paced.clock.monotonic() < 30.0
        paced.clock.sleep(0.05)


def test_requests_that_make_no_sense_are_refused_and_the_rig_lives(rig: RunningRig) -> None:
    for request in ({"op": "dance"}, {"op": "sleep"}, {"op": "expose", "exposure_s": -1.0, "number": 1}):
        with pytest.raises(RigError, match="refused"):
            rig.line.ask(**request)
    with pytest.raises(RigError, match=r"known: .*unplug"):
        rig.fault("gremlins")
    assert rig.clock.monotonic() >= 0.0


def test_unknown_rig_is_named(tmp_path: Path) -> None:
    with pytest.raises(RigError, match="refractor-112"), start_rig(tmp_path, rig="no-such-rig"):
        pass


def test_rig_file_changes_numbers_and_names_unknown_keys(tmp_path: Path) -> None:
    good = tmp_path / "mine.toml"
    good.write_text('base = "reflector-190"\n[motor]\nspeed_steps_per_s = 77\n[filters.R]\nfocus_um = 5.0\n')
    with (
        start_rig(tmp_path / "run", rig=str(good)) as mine,
        serial.Serial(mine.focuser_port, timeout=2.0) as port,
    ):
        assert ask(port, b"pace") == b"pace 77\r\n"
    bad = tmp_path / "bad.toml"
    bad.write_text("[train]\nslop = 3\n")
    with pytest.raises(RigError, match="unknown key 'slop'"), start_rig(tmp_path / "run", rig=str(bad)):
        pass


def test_rig_ends_with_its_owner_and_stays_when_told_to(tmp_path: Path) -> None:
    """Whoever starts the rig may be killed: it goes too, unless it was started to stay."""
    for keep in (False, True):
        folder = tmp_path / str(keep)
        code = (
            "import os, sys\nfrom drivers.simulated.client import start_rig\n"
            f"with start_rig({str(folder)!r}, keep={keep}) as rig:\n"
            "    print(rig.process.pid, flush=True)\n    os.kill(os.getpid(), 9)\n"
        )
        owner = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, timeout=60)
        pid = int(owner.stdout)
        if keep:
            left = connect_rig(folder)
            left.clock.sleep(5.0)
            assert left.clock.monotonic() == 5.0
            left.line.ask(op="quit")
            left.close()
        deadline = time.monotonic() + 10.0
        while _runs(pid) and time.monotonic() < deadline:
            time.sleep(0.02)
        assert not _runs(pid)
        assert not (folder / "ready.json").exists()


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def test_ready_file_tells_nothing_hidden(rig: RunningRig) -> None:
    ready = json.loads((rig.folder / "ready.json").read_text())
    assert set(ready) == {
        "rig",
        "seed",
        "protocol",
        "pid",
        "focuser",
        "wheel",
        "control",
        "filters",
        "first_slot",
    }
    assert Path(ready["focuser"]).is_symlink()


def test_peeking_needs_leave(tmp_path: Path) -> None:
    with start_rig(tmp_path) as closed, pytest.raises(RigError, match="peek"):
        closed.peek()
