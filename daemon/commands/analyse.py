"""`drawtube analyse`: frames or a table already taken, by whatever program, to a profile and a report."""

from __future__ import annotations

from pathlib import Path

from daemon.commands.console import busy, out_console, tell, tell_problem
from daemon.config import load_config
from daemon.exit_codes import USAGE
from daemon.gathering import InputUnusable

_TOLD = 40


def analyse(path: Path, config_path: Path, out: Path, moves: Path | None, *, as_json: bool) -> int:
    """Analyse, print the profile, and tell what was left out; returns the exit code."""
    config = load_config(config_path)
    try:
        with busy(f"reading {path}") as progress:
            from daemon.offline import analyse as carried_out

            analysis = carried_out(path, config, out, moves, progress)
    except InputUnusable as error:
        tell_problem(*error.reasons)
        return USAGE
    _tell_at_most(analysis.gathered.left_out, "left out: ")
    _tell_at_most(analysis.gathered.remarks, "note: ")
    if as_json:
        print(analysis.profile.to_json().rstrip("\n"))
    else:
        from daemon.commands.tables import numbers_table
        from daemon.profile_commands import heading_text, use_text

        screen = out_console()
        screen.print(f"{heading_text(analysis.profile)}\n")
        screen.print(numbers_table(analysis.profile))
        screen.print("\nTo type into other programs, rounded:")
        screen.print(use_text(analysis.profile, with_u=False))
    tell(f"Written to {out}: profile.json, observations.csv, report.html")
    if analysis.missing:
        tell_problem(
            "Not good enough, since these are not given:", *(f"  {line}" for line in analysis.missing)
        )
    return analysis.exit_code


def _tell_at_most(lines: tuple[str, ...], label: str) -> None:
    tell(*(f"{label}{line}" for line in lines[:_TOLD]), style="yellow")
    if len(lines) > _TOLD:
        tell(f"{label}and {len(lines) - _TOLD} more like these", style="yellow")
