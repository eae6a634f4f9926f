"""`drawtube check`: every mistake in a config at once, and what its numbers imply, to catch a slip."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.commands.console import out_console, tell_problem
from daemon.config import MOVING, Config, ConfigErrors, load_config, require
from daemon.config.descriptions import check_descriptions
from daemon.exit_codes import DONE, USAGE

if TYPE_CHECKING:
    from rich.table import Table


def check(path: Path, *, as_json: bool) -> int:
    """Check a config and say what it is good for; returns the exit code."""
    try:
        config = load_config(path)
        check_descriptions(config)
    except ConfigErrors as errors:
        return refused(errors, as_json=as_json)
    lacks = _lacks_for_moving(config)
    if as_json:
        print(json.dumps({"file": str(path), "problems": [], "lacks_for_moving": lacks}))
        return DONE
    console = out_console()
    console.print(f"{path}: no mistakes found.")
    console.print(_implied(config))
    console.print(_zones(config))
    if lacks:
        console.print("Enough for measure and analyse. For the commands that move, these are missing:")
        for line in lacks:
            console.print(f"  {line}")
    else:
        console.print("Enough for measure, analyse and the commands that move.")
    return DONE


def refused(errors: ConfigErrors, *, as_json: bool) -> int:
    """Tell every mistake of a config; returns the exit code."""
    problems = [problem.as_dict() for problem in errors.problems]
    if as_json:
        print(json.dumps({"problems": problems}))
    count = len(problems)
    tell_problem(*errors.problems, f"{count} mistake{'s' * (count > 1)} found.")
    return USAGE


def _lacks_for_moving(config: Config) -> list[str]:
    if config.camera.kind == "simulated":
        return []  # the simulated rig brings its own ports, slots and gates
    try:
        require(config, MOVING)
    except ConfigErrors as errors:
        return [f"{problem.key}: {problem.message.removeprefix('missing; ')}" for problem in errors.problems]
    return []


def _implied(config: Config) -> str:
    """Return what optics and pixels imply, in figures that an owner knows by heart."""
    optics = config.science_optics()
    scale = math.degrees(optics.pixel_um * 1e-3 / optics.focal_length_mm) * 3600.0
    outward = f"counts {'rise' if config.outward_sign > 0 else 'fall'} outward"
    reference = ""
    if len(config.filters) > 1 and not any(item.reference for item in config.filters):
        first = config.filters[0].name
        reference = f" No filter says reference = true: offsets are told from the first one, {first}."
    return f"Focal ratio F/{optics.focal_ratio:.3g}, {scale:.3g} arcsec a pixel, {outward}.{reference}"


def _zones(config: Config) -> Table:
    from rich import box
    from rich.table import Table

    from routines.optics import critical_focus_zone_um

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for name in ("filter", "band (nm)", "exposure (s)", "critical focus zone, total (um)", "(steps)"):
        table.add_column(name, justify="left" if name == "filter" else "right")
    step_um = config.optics.step_um
    for item in config.filters:
        zone = critical_focus_zone_um(item.centre_nm * 1e-3, config.science_optics())
        band = f"{item.centre_nm - item.width_nm / 2:g} - {item.centre_nm + item.width_nm / 2:g}"
        label = f"{item.name} (reference)" if item.name == config.reference_filter else item.name
        steps = "not known" if step_um is None else f"{zone / step_um:.0f}"
        table.add_row(label, band, f"{item.exposure_s:g}", f"{zone:.0f}", steps)
    return table
