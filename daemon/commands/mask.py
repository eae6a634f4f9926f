"""`drawtube mask`: how the mask was last put on, as runs have learnt it; or forget it."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from daemon.commands.console import tell_problem
from daemon.commands.kept import state_folder
from daemon.exit_codes import DONE, NOT_GOOD_ENOUGH
from daemon.fitting import FittingDamaged, forget_fitting, read_fitting


def mask(state: Path | None, *, forget: bool, as_json: bool) -> int:
    """Print the remembered fitting, or forget it; returns the exit code."""
    folder = state_folder(state)
    if forget:
        gone = forget_fitting(folder)
        words = "Forgotten: the next run learns it anew." if gone else "Nothing was remembered."
        print(json.dumps({"forgotten": gone}) if as_json else words)
        return DONE
    try:
        fitting = read_fitting(folder)
    except FittingDamaged as damaged:
        tell_problem(damaged)
        return NOT_GOOD_ENOUGH
    if as_json:
        print(json.dumps(None if fitting is None else asdict(fitting)))
    elif fitting is None:
        print("Not known yet: a run with the mask learns it.")
    else:
        print(
            f"The mask's quarters point to {fitting.orientation_deg:.1f} deg in the frame (anticlockwise "
            f"from +x), as run {fitting.run} saw it."
        )
    return DONE
