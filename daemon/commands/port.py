"""`drawtube port`: offer the compensating port until told to stop."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.commands.console import log_to_stderr, tell, tell_problem
from daemon.commands.hardware import stop_on_signals
from daemon.commands.kept import state_folder
from daemon.config import Config, ConfigErrors, Problem, load_config
from daemon.exit_codes import DONE, HARDWARE, NOT_GOOD_ENOUGH, USAGE

if TYPE_CHECKING:
    from daemon.devices import DeviceRoom
    from drivers.focuser import SerialFocuser
    from routines.profile import Profile

_SHORT_S = 0.2


def serve_port(path: Path, profile_path: Path | None, state: Path | None, filter_name: str | None) -> int:
    """Offer the port of a config until an interrupt; returns the exit code."""
    from daemon.devices import device_room
    from daemon.port_setup import PortRefused
    from daemon.profile_store import ProfileDamaged
    from daemon.rehearsal_rig import RigMismatch
    from drivers.errors import DeviceError
    from drivers.simulated.client import RigError

    try:
        config = load_config(path)
        _require(config)
        profile = _profile(profile_path, state)
        log_to_stderr(least="error")
        with device_room(config) as room:
            return _serve(config, room, profile, filter_name)
    except (ConfigErrors, RigMismatch) as error:
        tell_problem(error)
        return USAGE
    except (PortRefused, ProfileDamaged) as error:
        tell_problem(error)
        return NOT_GOOD_ENOUGH
    except (DeviceError, RigError) as error:
        tell_problem(error)
        return HARDWARE


def _require(config: Config) -> None:
    """Raise `ConfigErrors` naming everything that the port lacks."""
    file, problems = str(config.file), []
    real = config.camera.kind != "simulated"
    wanted = {
        "port": (config.port, '[port] with link = "NAME" or listen = "127.0.0.1:PORT"'),
        "limits": (config.limits, "nothing moves without soft limits: [limits] low_steps and high_steps"),
        "focuser.port": (config.focuser.port or not real or None, "where the focuser is"),
        "focuser.description": (config.focuser.description, "the description that it speaks"),
    }
    for key, (value, message) in wanted.items():
        if value is None:
            problems.append(Problem(file, key, None, f"missing; {message}"))
    if problems:
        raise ConfigErrors(problems)


def _profile(path: Path | None, state: Path | None) -> Profile:
    from daemon.port_setup import PortRefused
    from daemon.profile_store import ProfileStore, load_profile

    if path is not None:
        return load_profile(path)
    folder = state_folder(state)
    profile = ProfileStore(folder).latest()
    if profile is None:
        raise PortRefused(f"no profile in {folder} yet: run a routine first, or name one with --profile")
    return profile


def _serve(config: Config, room: DeviceRoom, profile: Profile, filter_name: str | None) -> int:
    from daemon.port_rules import PortRules
    from daemon.port_setup import PortRefused, approach_from, build_port, port_limits, shift_from

    approach = approach_from(profile, config, simulated=config.camera.kind == "simulated")
    focuser = room.focuser()
    if focuser is None:
        raise PortRefused("the config has no focuser")
    focuser.suspend_compensation()
    try:
        shift = shift_from(profile, config, room.thermometer(focuser), filter_name)
        rules = PortRules(approach, port_limits(config), shift_steps=shift.steps)
        port = build_port(config, focuser, rules, _said)
        with stop_on_signals() as stop:
            port.start()
            try:
                _announce(config, focuser, port.address, profile)
                while not stop.wait(_SHORT_S):
                    pass
            finally:
                port.close()
    finally:
        focuser.restore_compensation()
    tell("The port is closed; nothing moves any more.")
    return DONE


def _announce(config: Config, focuser: SerialFocuser, address: str, profile: Profile) -> None:
    table = config.port
    limits = config.limits
    if table is None or limits is None:
        return
    low = limits.low_steps if table.low_steps is None else table.low_steps
    high = limits.high_steps if table.high_steps is None else table.high_steps
    line = focuser.device.dialect.line
    tell(
        f"Connect the other program to {address} as if it were the focuser ({focuser.device.dialect.name}, "
        f"{line.baud} baud).",
        f"Places from {low:g} to {high:g} steps; each is come to moving {profile.final_side}, past it "
        f"first by {profile.overshoot_steps} steps where needed.",
        "Switch that program's own backlash compensation off. Ctrl-C halts the motor and closes the port.",
    )


def _said(sentence: str) -> None:
    tell(f"{datetime.now():%H:%M:%S} {sentence}")
