"""`drawtube measure`: spike error and defocus of each frame, with uncertainty and flags."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.commands.console import busy, out_console, tell, tell_problem
from daemon.config import load_config
from daemon.exit_codes import DONE, NOT_GOOD_ENOUGH

if TYPE_CHECKING:
    from rich.table import Table

    from daemon.frame_result import FrameResult


def measure(frames: Sequence[Path], config_path: Path, *, as_json: bool) -> int:
    """Measure frames as one set and print a line for each, in the order given; returns the exit code."""
    config = load_config(config_path)
    with busy(f"measuring {len(frames)} frame{'s' * (len(frames) > 1)}") as progress:
        from daemon.measurement import FrameMeter

        results = FrameMeter(config).measure_all(list(frames), told=progress)
    if as_json:
        for result in results:
            print(json.dumps(result.as_dict(), allow_nan=False))
    else:
        out_console().print(_table(results))
    for result in results:
        if not result.measured:
            tell_problem(f"{result.path}: {result.message or ', '.join(result.flags)}")
    if not as_json:
        _explain(results)
    return DONE if all(result.measured for result in results) else NOT_GOOD_ENOUGH


def _table(results: Sequence[FrameResult]) -> Table:
    from rich import box
    from rich.table import Table

    from routines.wording import format_value

    def with_u(value: float | None, u: float | None, *, signed: bool = True) -> str:
        return "-" if value is None or u is None else format_value(value, u, signed=signed)

    by_width = [item.method == "width" for item in results]
    measured = [] if by_width and all(by_width) else ["spike error (px)", "defocus (um)"]
    measured += ["star width (px)"] if any(by_width) else []

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    table.add_column("frame", overflow="fold")
    table.add_column("filter", no_wrap=True)
    for name in ("position (steps)", *measured):
        # Heads may wrap on a narrow terminal; a number and its uncertainty stay together.
        table.add_column(name, justify="right", min_width=14 if "(px)" in name or "(um)" in name else None)
    table.add_column("remarks", overflow="fold")
    for item in results:
        width = item.width_px if item.method == "width" else None
        cells = {
            "spike error (px)": with_u(item.spike_error_px, item.spike_error_u_px),
            "defocus (um)": with_u(item.defocus_um, item.defocus_u_um),
            "star width (px)": with_u(width, item.width_u_px, signed=False),
        }
        table.add_row(
            Path(item.path).name,
            item.filter or "-",
            "-" if item.position_steps is None else f"{item.position_steps:g}",
            *(cells[name] for name in measured),
            " ".join(item.flags),
        )
    return table


def _explain(results: Sequence[FrameResult]) -> None:
    """Say once what each remark on a measured frame means."""
    from routines.flags import MEANINGS

    codes = dict.fromkeys(code for item in results if item.measured for code in item.flags)
    tell(*(f"{code}: {MEANINGS[code][1]}" for code in codes if code in MEANINGS))
