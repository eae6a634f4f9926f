"""Which tables a command cannot do without.

Analysis needs optics, camera and filters, which every config has; whatever moves a machine also needs its
devices, its limits and its gates.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from daemon.config.model import Config
from daemon.config.problems import ConfigErrors, Problem

Purpose = Literal["analysis", "frames", "moving"]
MOVING: Purpose = "moving"


def require(config: Config, purpose: Purpose) -> None:
    """Raise `ConfigErrors` naming every table and key that a command of this kind lacks."""
    problems = list(_missing_for_moving(config)) if purpose == MOVING else []
    if problems:
        raise ConfigErrors(problems)


def require_limits(config: Config) -> None:
    """Raise `ConfigErrors` where a config that is good for analysis has no limits: even a rehearsal moves."""
    if config.limits is None:
        raise ConfigErrors([_lack(config, "limits", _LIMITS)])


def _lack(config: Config, key: str, message: str) -> Problem:
    file = str(config.file) if config.file is not None else "config"
    return Problem(file, key, None, f"missing; {message}")


def _missing_for_moving(config: Config) -> Iterator[Problem]:
    def lacks(key: str, message: str) -> Problem:
        return _lack(config, key, message)

    for key in ("port", "description", "overshoot_steps"):
        if getattr(config.focuser, key) is None:
            yield lacks(f"focuser.{key}", _FOCUSER_NEEDS[key])
    if config.limits is None:
        yield lacks("limits", _LIMITS)
    if config.camera.kind is None:
        yield lacks("camera.kind", 'commands that expose need one of "simulated", "command", "folder"')
    if config.wheel is None and len(config.filters) > 1:
        yield lacks("wheel", "several filters need a [wheel] with port and description")
    yield from (
        lacks(f"filter[{index}].slot", "the wheel needs each filter's slot number")
        for index, item in enumerate(config.filters, start=1)
        if config.wheel is not None and item.slot is None
    )
    if config.thermometer is None:
        yield lacks("thermometer", 'say where the temperature comes from, or kind = "none" if nowhere')
    if not config.gates.model_fields_set:
        yield lacks("gates", "say what must hold before a look, for example [gates.temperature]")


_LIMITS = "nothing moves without soft limits: [limits] low_steps and high_steps"
_FOCUSER_NEEDS = {
    "port": 'the serial port, for example "/dev/serial/by-id/..." or "socket://host:5000"',
    "description": "a built-in description's name, or the path of one",
    "overshoot_steps": "how far to go past a target before backlash is known (steps); larger than the play",
}
