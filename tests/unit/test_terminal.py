"""What people see in a terminal: a bar on one line, a table within 80 columns, colour only where wanted."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from profile_cases import case_facts, case_fit
from rich.console import Console

from daemon.commands import console as consoles
from daemon.commands.console import busy, out_console, progress_bar
from daemon.commands.tables import numbers_table
from daemon.profile_commands import use_text
from routines.flags import flag
from routines.profile_build import build_profile
from routines.wording import format_quantity

COLOUR = re.compile(r"\x1b\[[0-9;]*m")


def terminal(width: int = 80) -> tuple[Console, io.StringIO]:
    shown = io.StringIO()
    return Console(file=shown, force_terminal=True, width=width, color_system="standard"), shown


def test_the_table_of_numbers_fits_eighty_columns_and_tells_each_with_its_u() -> None:
    profile = build_profile(case_fit(), case_facts())
    screen, shown = terminal()
    screen.print(numbers_table(profile))
    lines = COLOUR.sub("", shown.getvalue()).splitlines()
    assert max(map(len, lines)) <= 80
    assert profile.backlash_steps is not None
    row = next(line for line in lines if line.startswith("backlash"))
    assert format_quantity(profile.backlash_steps.quantity) in row
    assert re.search(r"\d\.\d+ *$", row), "the share of the allowed miss is missing"
    assert sum(line.startswith("offset") for line in lines) == 4


def test_a_number_that_is_not_known_says_so() -> None:
    profile = build_profile(case_fit(backlash_steps=None), case_facts())
    screen, shown = terminal()
    screen.print(numbers_table(profile))
    row = next(line for line in shown.getvalue().splitlines() if "backlash" in line)
    assert "not known" in row


@pytest.mark.parametrize("width", [50, 80, 200])
def test_progress_stays_on_one_line_whatever_it_says(width: int) -> None:
    screen, shown = terminal(width)
    with progress_bar(screen) as progress:
        task = progress.add_task("why " * 100, total=1.0, looks="123 looks, 17 min left")
        progress.update(task, completed=0.42)
        progress.refresh()
    lines = [line for line in re.split(r"[\r\n]", COLOUR.sub("", shown.getvalue())) if "%" in line]
    assert lines and "42 %" in lines[-1] and "123 looks" in lines[-1]
    assert all(len(re.sub(r"\x1b\[[?0-9]*[A-Za-z]", "", line)) <= width for line in lines)


def test_nothing_moves_on_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    with busy("reading") as progress:
        progress("measuring", 0.5)
    captured = capsys.readouterr()
    assert captured.out == captured.err == ""


def test_no_colour_on_a_pipe_nor_where_it_is_not_wanted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    consoles.tell_problem("wrong")
    assert COLOUR.search(capsys.readouterr().err) is None
    # The convention of no-color.org: any value but an empty one switches colour off, also on a terminal.
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("FORCE_COLOR", "1")
    out_console().print("fine", style="red")
    assert re.search(r"\x1b\[[0-9;]*3[0-7]", capsys.readouterr().out) is None


def test_each_number_is_shown_with_its_interval_once_and_what_is_doubted_is_said() -> None:
    fit = case_fit()
    doubt = flag("not_repeated", "backlash_steps")
    profile = build_profile(replace(fit, flags=(*fit.flags, doubt)), case_facts())
    shown = use_text(profile, with_u=False)
    assert "±" not in "\n".join(
        line for line in shown.splitlines() if line.startswith(("backlash", "offset"))
    )
    assert f"doubted: backlash: {doubt.message}" in shown
    assert "±" in use_text(profile)
