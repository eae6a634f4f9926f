"""The command line: exit codes, JSON alone on stdout, words on stderr, and never a traceback."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from daemon.cli import run_command
from drivers.frames import write_frame

REPOSITORY = Path(__file__).resolve().parents[2]
EXAMPLE = REPOSITORY / "config_examples" / "analyse-only.toml"
EXAMPLES = sorted((REPOSITORY / "config_examples").glob("*.toml"))
HEADER = "position_steps,filter,spike_error_px\n"

Printed = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def plain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DRAWTUBE_DEBUG", raising=False)


def run(*arguments: object) -> int:
    return run_command([str(argument) for argument in arguments])


def test_help_names_every_command_and_the_exit_codes(capsys: Printed) -> None:
    assert run("--help") == 0
    out = capsys.readouterr().out
    for word in ("rehearse", "measure", "analyse", "check", "profile", "advise", "report", "130 stopped"):
        assert word in out


@pytest.mark.parametrize(
    "command", ["rehearse", "measure", "analyse", "check", "profile", "advise", "report"]
)
def test_each_command_has_help(command: str, capsys: Printed) -> None:
    assert run(command, "--help") == 0
    assert "Usage: drawtube " + command in capsys.readouterr().out


def test_help_loads_nothing_heavy() -> None:
    heavy = {"numpy", "scipy", "astropy", "pydantic", "plotly", "rich"}
    code = (
        f"import sys, daemon.cli as c; c.run_command(['--help']); print(sorted({heavy} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    "arguments",
    [["measure"], ["analyse", "x"], ["fly"], ["profile", "--json", "--csv"], ["rehearse", "--seed", "-1"]],
)
def test_wrong_usage_is_2(arguments: list[str], capsys: Printed) -> None:
    assert run(*arguments) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "Error" in captured.err or "Usage" in captured.err


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.name)
def test_every_example_config_passes_its_check(example: Path, capsys: Printed) -> None:
    assert run("check", "--config", example) == 0
    out = capsys.readouterr().out
    assert "no mistakes found" in out
    if example != EXAMPLE:
        assert "the commands that move." in out


def test_check_tells_every_mistake_on_stderr(tmp_path: Path, capsys: Printed) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(
        EXAMPLE.read_text()
        .replace("pixel_um = 3.9", "pixel_mu = 3.9")
        .replace("width_nm = 6\n", "width_nm = 0\n", 1)
    )
    assert run("check", "--config", bad) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "optics.pixel_mu = 3.9: unknown key; the nearest known one is pixel_um" in captured.err
    assert "filter[5].width_nm = 0: must be a number above 0" in captured.err
    assert "3 mistakes found." in captured.err
    assert run("check", "--config", bad, "--json") == 2
    problems = json.loads(capsys.readouterr().out)["problems"]
    assert {item["key"] for item in problems} == {"optics.pixel_um", "optics.pixel_mu", "filter[5].width_nm"}


def test_check_reads_the_device_descriptions_too(tmp_path: Path, capsys: Printed) -> None:
    refractor = (REPOSITORY / "config_examples" / "refractor.toml").read_text()
    (tmp_path / "rig.toml").write_text(refractor.replace('"focuser_words"', '"focuser_word"'))
    assert run("check", "--config", tmp_path / "rig.toml") == 2
    assert 'focuser.description = "focuser_word"' in capsys.readouterr().err


@pytest.mark.parametrize("command", [["check"], ["measure", "x.fits"], ["analyse", "x", "--out", "o"]])
def test_missing_config_is_2_and_named(command: list[str], capsys: Printed) -> None:
    assert run(*command, "--config", "/absent/rig.toml") == 2
    assert "/absent/rig.toml: cannot be read: No such file or directory" in capsys.readouterr().err


def table(tmp_path: Path, rows: str) -> Path:
    file = tmp_path / "sweep.csv"
    file.write_text(HEADER + rows)
    return file


def reversed_sweep() -> str:
    """A noisy-enough table of one filter with 60 steps of play, moved outward, inward and outward."""
    rows, place = [], 940.0
    path = [*range(1000, 1600, 20), *range(1600, 1000, -20), *range(1000, 1600, 20)]
    for number, motor in enumerate(path):
        place = max(motor - 60.0, min(motor, place))
        rows.append(f"{motor},L,{0.05 * (place - 1250) + 0.03 * ((number * 7919) % 13 - 6) / 6:.4f}\n")
    return "".join(rows)


def test_analyse_prints_the_numbers_and_ends_with_0(tmp_path: Path, capsys: Printed) -> None:
    sweep, out = table(tmp_path, reversed_sweep()), tmp_path / "out"
    assert run("analyse", sweep, "--config", EXAMPLE, "--out", out) == 0
    captured = capsys.readouterr()
    assert re.search(r"backlash \(steps\) +[\d.]+ ± [\d.]+", captured.out)
    assert "Written to" in captured.err
    assert {item.name for item in out.iterdir()} == {"profile.json", "observations.csv", "report.html"}


def test_analyse_with_json_prints_the_profile_alone(tmp_path: Path, capsys: Printed) -> None:
    sweep, out = table(tmp_path, reversed_sweep() + "broken,L,1\n"), tmp_path / "out"
    assert run("analyse", sweep, "--config", EXAMPLE, "--out", out, "--json") == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out) == json.loads((out / "profile.json").read_text())
    assert "left out: " in captured.err and "position_steps is 'broken'" in captured.err


def test_analyse_that_cannot_tell_ends_with_5_and_says_why(tmp_path: Path, capsys: Printed) -> None:
    out = tmp_path / "out"
    assert run("analyse", table(tmp_path, "100,L,1\n"), "--config", EXAMPLE, "--out", out) == 5
    assert "backlash: only one position was visited" in capsys.readouterr().err
    assert (out / "profile.json").exists()


def test_analyse_of_nothing_usable_is_2(tmp_path: Path, capsys: Printed) -> None:
    (tmp_path / "sweep.csv").write_text("a;b\n1;2\n")
    assert run("analyse", tmp_path / "sweep.csv", "--config", EXAMPLE, "--out", tmp_path / "out") == 2
    assert "sweep.csv: its cells are separated by semicolons" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_results_that_cannot_be_written_are_named(tmp_path: Path, capsys: Printed) -> None:
    (tmp_path / "out").write_text("a file where a folder should be")
    assert (
        run("analyse", table(tmp_path, reversed_sweep()), "--config", EXAMPLE, "--out", tmp_path / "out") == 2
    )
    assert str(tmp_path / "out") in capsys.readouterr().err


def test_measure_gives_a_line_for_what_cannot_be_measured(tmp_path: Path, capsys: Printed) -> None:
    noise = np.random.default_rng(3).poisson(1000, (80, 90)).astype(np.uint16)
    sky = write_frame(tmp_path / "sky.fits", noise, {"FILTER": "L", "POSITION": 70})
    white = write_frame(tmp_path / "white.fits", np.full((80, 90), 65535, np.uint16), {"FILTER": "L"})
    other = write_frame(tmp_path / "other.fits", noise, {"FILTER": "U"})
    text = tmp_path / "text.fits"
    text.write_text("hello")
    paths = [sky, white, other, text, tmp_path / "absent.fits"]
    assert run("measure", *paths, "--config", EXAMPLE, "--json") == 5
    captured = capsys.readouterr()
    lines = [json.loads(line) for line in captured.out.splitlines()]
    assert [line["path"] for line in lines] == [str(path) for path in paths]
    assert [line["flags"][0] for line in lines] == [
        "no_star", "all_saturated", "unknown_filter", "unreadable", "unreadable",
    ]  # fmt: skip
    assert all(line["spike_error_px"] is None and line["defocus_um"] is None for line in lines)
    assert (lines[0]["filter"], lines[0]["position_steps"]) == ("L", 70.0)
    for path in paths:
        assert f"{path}: " in captured.err
    assert "it knows" in captured.err or "the config knows L" in captured.err


CONTRACT = re.split(
    ", *",
    "path, filter, position_steps, temperature_c, exposure_s, time, method, spike_error_px, "
    "spike_error_u_px, defocus_um, defocus_u_um, star_x_px, star_y_px, arms_deg, "
    "signal_electrons, width_px, flags",
)


def test_measure_json_has_exactly_the_fields_of_the_contract(tmp_path: Path, capsys: Printed) -> None:
    run("measure", tmp_path / "absent.fits", "--config", EXAMPLE, "--json")
    assert list(json.loads(capsys.readouterr().out)) == CONTRACT


def test_measure_for_people_is_a_table_and_plain_when_piped(tmp_path: Path) -> None:
    environment = {**os.environ, "TERM": "xterm-256color"}
    command = [sys.executable, "-m", "daemon", "measure", str(tmp_path / "a.fits"), "--config", str(EXAMPLE)]
    done = subprocess.run(command, capture_output=True, text=True, env=environment, cwd=REPOSITORY)
    assert done.returncode == 5
    assert "spike error (px)" in done.stdout
    assert "\x1b" not in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_profile_kept_by_analyse_answers_later(tmp_path: Path, capsys: Printed) -> None:
    out = tmp_path / "out"
    run("analyse", table(tmp_path, reversed_sweep()), "--config", EXAMPLE, "--out", out)
    capsys.readouterr()
    assert run("profile", "--state", out, "--json") == 0
    assert json.loads(capsys.readouterr().out)["schema"] == "drawtube-profile/1"
    assert run("advise", "--state", out, "--filter", "L") == 0
    assert "1. go to" in capsys.readouterr().out
    assert run("advise", "--state", out, "--filter", "X") == 2
    assert "it knows L" in capsys.readouterr().err
    assert run("profile", "--state", tmp_path / "nowhere") == 5
    assert run("report", "nothing", "--state", out) == 2


def test_schema_is_a_json_schema(capsys: Printed) -> None:
    from jsonschema import Draft202012Validator

    assert run("profile", "--schema") == 0
    Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))


def test_fault_of_our_own_is_one_sentence(monkeypatch: pytest.MonkeyPatch, capsys: Printed) -> None:
    def broken(*_: object, **__: object) -> int:
        raise RuntimeError("surprise")

    monkeypatch.setattr("daemon.commands.check.check", broken)
    assert run("check", "--config", EXAMPLE) == 1
    assert "a fault of drawtube itself: RuntimeError: surprise" in capsys.readouterr().err


def test_stopped_from_the_keyboard_is_130(monkeypatch: pytest.MonkeyPatch, capsys: Printed) -> None:
    def stopped(*_: object, **__: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("daemon.commands.check.check", stopped)
    assert run("check", "--config", EXAMPLE) == 130
    assert "fault" not in capsys.readouterr().err


def test_reader_that_goes_away_is_no_fault() -> None:
    command = f"{sys.executable} -m daemon profile --schema | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, cwd=REPOSITORY)
    assert done.stderr == ""
