"""How the mask was last put on: its orientation, remembered from run to run.

One frame cannot tell inside from outside of focus; which half of the mask carries the straight slits can,
once a run has seen the star move with the focuser. It holds until the mask is put on another way: at another
angle it is a new fitting, and half a turn shows at the first two looks on one flank (`routines.sense`).
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path

from daemon.files import write_text

_FILE = "mask-fitting.json"
_SCHEMA = "drawtube-fitting/1"


@dataclass(frozen=True, slots=True)
class Fitting:
    """``orientation_deg`` in [0, 360): the direction from the half with the straight slits to the quarters.

    ``run`` is the one that told, ``learnt`` when (UTC).
    """

    orientation_deg: float
    run: str
    learnt: str


class FittingDamaged(Exception):
    """The remembered fitting cannot be read; the message says where it is and what to do."""


def read_fitting(state: Path) -> Fitting | None:
    """Return what is remembered, or None; raises `FittingDamaged`."""
    path = state / _FILE
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        fitting = Fitting(float(found["orientation_deg"]), str(found["run"]), str(found["learnt"]))
        if found["schema"] != _SCHEMA or not isfinite(fitting.orientation_deg):
            raise ValueError("it is of another kind")
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise FittingDamaged(
            f"{path} cannot be read ({error}); `drawtube mask --forget` sets it aside, and the next run "
            "learns it anew"
        ) from error
    return fitting


def keep_fitting(state: Path, fitting: Fitting) -> None:
    """Remember a fitting in place of the one before; OSError as from writing."""
    state.mkdir(parents=True, exist_ok=True)
    write_text(state / _FILE, json.dumps({"schema": _SCHEMA, **asdict(fitting)}, indent=1) + "\n")


def forget_fitting(state: Path) -> bool:
    """Forget how the mask was put on; False when nothing was remembered. What was is kept beside it."""
    path = state / _FILE
    if not path.exists():
        return False
    path.replace(path.with_suffix(".forgotten.json"))
    return True
