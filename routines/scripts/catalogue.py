"""The routines by name, with the version that a resume insists on and the parameters that a run stores."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, is_dataclass
from types import ModuleType
from typing import Any, cast, get_type_hints

from routines.observations import Method
from routines.scripts import (
    adaptive,
    backlash,
    characterise,
    find_focus,
    flanks,
    mask_and_width,
    offsets,
    proof,
    recheck,
    temperature,
    width_focus,
)
from routines.scripts.common import TrainFacts
from routines.steps import Script


@dataclass(frozen=True, slots=True)
class Routine:
    """A routine: raise ``version`` whenever the steps it yields for the same answers change."""

    name: str
    version: int
    method: Method
    parameters: type[Any]
    make: Callable[[TrainFacts, Any], Script]


def _joint_version(*parts: ModuleType) -> int:
    """Return the parts' versions as one number, two digits each: a routine changes when a part does."""
    return sum(int(part.VERSION) * int(100**place) for place, part in enumerate(reversed(parts)))


_ALL = (
    Routine("find_focus", find_focus.VERSION, "mask", find_focus.FindFocus, find_focus.find_focus),
    Routine(
        "backlash",
        _joint_version(find_focus, flanks, adaptive, backlash),
        "mask",
        backlash.Backlash,
        backlash.backlash,
    ),
    Routine(
        "offsets", _joint_version(find_focus, adaptive, offsets), "mask", offsets.Offsets, offsets.offsets
    ),
    Routine(
        "characterise",
        _joint_version(characterise, find_focus, flanks, adaptive, backlash, offsets, proof),
        "mask",
        characterise.Characterise,
        characterise.characterise,
    ),
    Routine(
        "mask_and_width",
        _joint_version(mask_and_width, find_focus),
        "mask",
        mask_and_width.MaskAndWidth,
        mask_and_width.mask_and_width,
    ),
    Routine(
        "find_focus_by_width",
        width_focus.VERSION,
        "width",
        width_focus.FindFocusByWidth,
        width_focus.find_focus_by_width,
    ),
    Routine(
        "temperature",
        _joint_version(find_focus, temperature),
        "mask",
        temperature.Temperature,
        temperature.temperature,
    ),
    Routine("recheck", _joint_version(recheck, width_focus), "width", recheck.Recheck, recheck.recheck),
    Routine(
        "recheck_by_mask",
        _joint_version(recheck, width_focus),
        "mask",
        recheck.Recheck,
        recheck.recheck_by_mask,
    ),
)
ROUTINES: dict[str, Routine] = {routine.name: routine for routine in _ALL}


def parameters_to_dict(facts: TrainFacts, how: Any) -> dict[str, Any]:
    """Return the JSON form of everything that a script was started with."""
    return {"facts": asdict(facts), "how": asdict(how)}


def script_from_dict(routine: Routine, stored: dict[str, Any]) -> Script:
    """Return a fresh script from stored parameters; TypeError or KeyError where they do not fit."""
    facts = _built(TrainFacts, stored["facts"])
    return routine.make(cast(TrainFacts, facts), _built(routine.parameters, stored["how"]))


def _built(kind: type[Any], values: dict[str, Any]) -> Any:
    """Return a dataclass from its JSON form: nested ones are built, lists become tuples."""
    hints = get_type_hints(kind)
    known = {item.name for item in fields(kind)}
    if unknown := sorted(set(values) - known):
        raise TypeError(f"{kind.__name__} has no {', '.join(unknown)}")
    return kind(**{name: _value(hints[name], value) for name, value in values.items()})


def _value(hint: Any, value: Any) -> Any:
    if isinstance(value, dict) and isinstance(hint, type) and is_dataclass(hint):
        return _built(hint, value)
    return tuple(value) if isinstance(value, list) else value
