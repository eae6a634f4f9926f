"""`drawtube try` and `drawtube check --hardware` as a user runs them, against the simulated rig."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import structlog

from daemon.cli import run_command
from drivers.frames import write_frame
from drivers.simulated.client import ControlLine, RunningRig, start_rig

EXAMPLES = Path(__file__).resolve().parents[2] / "config_examples"


@pytest.fixture(autouse=True)
def _log_as_before() -> Iterator[None]:
    yield
    structlog.reset_defaults()


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningRig]:
    with start_rig(tmp_path_factory.mktemp("rig"), peek=True) as running:
        running.clock.sleep(0.01)
        yield running


def tried(rig: RunningRig, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = run_command(["try", rig.focuser_port, "focuser_words", *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_without_a_name_the_requests_are_listed(capsys, monkeypatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)  # a runner of tests may set it; a pipe has no width
    assert run_command(["try", "/dev/null", "focuser_words"]) == 0
    out = capsys.readouterr().out
    assert re.search(r"move +go \{position:int\} +going \{position:int\} +position=\.\.\. --moves", out)


def test_one_request_is_decoded_and_its_bytes_are_shown(rig, capsys) -> None:
    code, out, _ = tried(rig, capsys, "position")
    count = round(rig.peek()["count"])
    assert code == 0
    assert f"position = {count}\n" in out
    assert "> 77 68 65 72 65 0a  |where.|" in out  # the manual's own bytes: protocols.md, A.2
    assert f"|at {count}..|" in out


def test_nothing_moves_without_being_allowed(rig, capsys) -> None:
    before = rig.peek()
    code, _, err = tried(rig, capsys, "move", "position=2000")
    assert (code, "--moves" in err) == (2, True)
    rig.clock.sleep(0.5)
    assert rig.peek()["count"] == before["count"]


def test_an_allowed_move_goes_and_a_halt_stops_it(rig, capsys) -> None:
    before = rig.peek()["count"]
    assert tried(rig, capsys, "move", "position=2000", "--moves")[0] == 0
    rig.clock.sleep(0.5)
    assert tried(rig, capsys, "state")[1].startswith("state = turning\nthis means: moving\n")
    assert tried(rig, capsys, "halt")[0] == 0
    rig.clock.sleep(0.5)
    assert 2000 < rig.peek()["count"] < before
    assert rig.peek()["turning"] == "still"


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("positon",), "did you mean 'position'"),
        (("move", "--moves"), "no value for position; write position=VALUE"),
        (("move", "position=12x", "--moves"), "a whole number was expected"),
        (("move", "place=1", "--moves"), "this request has position=..."),
    ],
)
def test_a_slip_is_told_with_the_right_form(rig, capsys, words, complaint) -> None:
    code, _, err = tried(rig, capsys, *words)
    assert code == 2
    assert complaint in err


def test_a_refusal_is_told_with_its_bytes(rig, capsys) -> None:
    code, out, err = tried(rig, capsys, "move", "position=900000", "--moves")
    assert code == 3
    assert "outside the controller's own range" in err
    assert "|refused limit..|" in out


def test_the_wrong_description_shows_what_was_sent(rig, capsys) -> None:
    assert run_command(["try", rig.focuser_port, "focuser_frames", "position"]) == 3
    said = capsys.readouterr()
    assert "no reply within" in said.err
    assert "> a6 00 10 3e 0f" in said.out


def real_config(folder: Path, rig: RunningRig) -> Path:
    """Return a config that takes the rig's lines for real devices, and a command for its camera."""
    frame = write_frame(folder / "any.fits", np.zeros((48, 64), np.uint16), {"EXPTIME": 2.0})
    text = (EXAMPLES / "simulated.toml").read_text("utf-8")
    head, filters = text.split("\n[simulated]\n")[0], text[text.index("[[filter]]") :]
    port = f'port = "{rig.focuser_port}"\ndescription = "focuser_words"'
    head = head.replace('description = "focuser_words"', port)
    head = head.replace('kind = "simulated"', f'kind = "command"\ncommand = ["cp", "{frame}", "{{path}}"]')
    wheel = f'[wheel]\nport = "{rig.wheel_port}"\ndescription = "wheel_words"\n'
    filters = "[[filter]]".join(filters.split("[[filter]]")[:4])  # three are enough to turn to
    for number in range(1, 4):
        filters = filters.replace("[[filter]]\nname", f"[[filter]]\nslot = {number}\nname", 1)
    path = folder / "rig.toml"
    path.write_text(f"{head}\n{wheel}\n{filters}")
    return path


@contextmanager
def real_time(rig: RunningRig) -> Iterator[None]:
    """Let the rig's virtual time run beside the machine's, as a real motor's does."""
    ended = threading.Event()

    def run() -> None:
        line = ControlLine(rig.control)
        while not ended.wait(0.02):
            line.ask(op="sleep", seconds=0.02)
        line.close()

    pump = threading.Thread(target=run)
    pump.start()
    try:
        yield
    finally:
        ended.set()
        pump.join()


def test_the_walk_over_the_simulated_rig_keeps_every_promise(capsys) -> None:
    assert run_command(["check", "--config", str(EXAMPLES / "simulated.toml"), "--hardware", "--json"]) == 0
    promises = json.loads(capsys.readouterr().out)["promises"]
    assert {item["outcome"] for item in promises} == {"kept"}
    assert {item["device"] for item in promises} == {"focuser", "wheel", "thermometer", "camera"}


def test_devices_on_ports_of_their_own_are_walked_over(rig, tmp_path, capsys) -> None:
    path = real_config(tmp_path, rig)
    before = round(rig.peek()["count"])
    with real_time(rig):
        code = run_command(["check", "--config", str(path), "--hardware"])
    said = capsys.readouterr()
    assert (code, "BROKEN" in said.out) == (0, False)
    assert f"kept    focuser tells the same position twice (0.0 s): {before} steps" in said.out
    assert ".fits, 64 x 48 pixels" in said.out
    assert "Keep fingers and cables clear" in said.err
    assert round(rig.peek()["count"]) == before


def test_a_motor_that_does_not_turn_is_found_and_left_alone(rig, tmp_path, capsys) -> None:
    path = real_config(tmp_path, rig)
    path.write_text(path.read_text().replace('"cp"', '"false"'))
    rig.fault("stuck_motor")
    with real_time(rig):
        assert run_command(["check", "--config", str(path), "--hardware"]) == 3
    rig.fault("stuck_motor", on=False)
    out = capsys.readouterr().out
    assert "kept    focuser answers and is the right device" in out
    assert re.search(r"BROKEN  focuser moves 100 steps and back .*no progress", out)
    assert re.search(r"\n +do: see the message", out)
    assert "-       focuser halts on its way: after an earlier fault it is left alone" in out
    assert "ended with exit code 1" in out


def test_a_port_that_is_not_there_is_a_broken_promise_with_advice(rig, tmp_path, capsys) -> None:
    path = real_config(tmp_path, rig)
    text = path.read_text().replace(rig.focuser_port, "/dev/no-such-port")
    path.write_text(text.replace(rig.wheel_port, "/dev/no-such-port"))
    assert run_command(["check", "--config", str(path), "--hardware", "--json"]) == 3
    promises = json.loads(capsys.readouterr().out)["promises"]
    broken = [item for item in promises if item["outcome"] == "broken"]
    assert [item["device"] for item in broken] == ["focuser", "wheel"]
    assert "does not exist" in broken[0]["seen"]
    assert broken[0]["advice"]


def test_a_config_without_devices_or_limits_is_refused(tmp_path, capsys) -> None:
    code = run_command(["check", "--config", str(EXAMPLES / "analyse-only.toml"), "--hardware"])
    assert code == 2
    assert "nothing to check" in capsys.readouterr().err
