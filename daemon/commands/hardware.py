"""`drawtube check --hardware`: connect to each device of a config, and tell each promise kept or broken."""

from __future__ import annotations

import json
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from daemon.commands.console import log_to_stderr, out_console, tell, tell_problem
from daemon.config import Config, ConfigErrors, Problem
from daemon.exit_codes import DONE, HARDWARE, STOPPED, USAGE

if TYPE_CHECKING:
    from daemon.devices import DeviceRoom
    from daemon.hardware_check import Devices, Promise
    from drivers.focuser import SerialFocuser

_INDENT = " " * 8
T = TypeVar("T")


def check_hardware(config: Config, *, as_json: bool) -> int:
    """Walk over the devices of a config; returns the exit code."""
    from daemon.devices import device_room
    from daemon.rehearsal_rig import RigMismatch
    from drivers.simulated.client import RigError

    _require_something_to_check(config)
    log_to_stderr()
    _announce(config)
    promises: list[Promise] = []
    with stop_on_signals() as stop:
        try:
            with device_room(config) as room:
                for promise in _walked(room, stop):
                    promises.append(promise)
                    if not as_json:
                        _show(promise)
        except (RigError, RigMismatch) as error:
            tell_problem(error)
            return USAGE if isinstance(error, RigMismatch) else HARDWARE
        if as_json:
            print(json.dumps({"file": str(config.file), "promises": [asdict(item) for item in promises]}))
        if stop.is_set():
            tell("Stopped; nothing moves any more.")
            return STOPPED
    return _concluded(promises)


@contextmanager
def stop_on_signals() -> Iterator[threading.Event]:
    """Yield an event that an interrupt, a request to end or a closed terminal sets; the motor is halted."""
    stop = threading.Event()
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _require_something_to_check(config: Config) -> None:
    """Raise `ConfigErrors` when there is no device, or a focuser without limits."""
    file = str(config.file)
    real = config.camera.kind != "simulated"
    problems = []
    if (config.focuser.port is not None or not real) and config.limits is None:
        message = "missing; nothing moves without soft limits: [limits] low_steps and high_steps"
        problems.append(Problem(file, "limits", None, message))
    if config.focuser.port is not None and config.focuser.description is None:
        message = "missing; a built-in description's name, or the path of one"
        problems.append(Problem(file, "focuser.description", None, message))
    if real and config.focuser.port is None and config.wheel is None and config.camera.kind is None:
        message = "missing; no device is configured, so there is nothing to check"
        problems.append(Problem(file, "focuser.port", None, message))
    if problems:
        raise ConfigErrors(problems)


def _announce(config: Config) -> None:
    from daemon.hardware_check import SMALL_STEPS

    if config.camera.kind == "simulated":
        tell("The config names the simulated rig: nothing real moves.")
        return
    limits = config.limits
    if limits is not None:
        tell(
            f"The focuser will move {SMALL_STEPS} steps and back, then for half a second and back, inside "
            f"{limits.low_steps:g} to {limits.high_steps:g} steps; the wheel goes once round.",
            "Keep fingers and cables clear. Ctrl-C halts it.",
        )


def _walked(room: DeviceRoom, stop: threading.Event) -> Iterator[Promise]:
    """Yield the promise of answering for each device, then those of the walk."""
    from daemon.hardware_check import walk

    opened: list[Devices] = []
    yield from _connected(room, opened)
    names = list(room.slots)
    name = names[0] if names else room.config.reference_filter
    band = room.config.filter_named(name)
    exposure_s = band.exposure_s if band is not None else 1.0
    yield from walk(opened[0], room.clock, stop, exposure_s=exposure_s, filter_name=name)


def _connected(room: DeviceRoom, opened: list[Devices]) -> Iterator[Promise]:
    """Open each device and yield how that went; puts what could be opened into ``opened``."""
    from daemon.hardware_check import Devices

    focuser, said = _tried("focuser", room.focuser, room)
    yield said if focuser is None else replace(said, seen=_facts_of_focuser(focuser))
    wheel, said = _tried("wheel", room.wheel, room)
    yield said if wheel is None else replace(said, seen=wheel.device.dialect.name)
    thermometer, said = _tried("thermometer", lambda: room.thermometer(focuser), room)
    if said.outcome == "broken":
        yield said
    camera, said = _tried("camera", lambda: room.camera(tell), room)
    if said.outcome == "broken":
        yield said
    opened.append(Devices(focuser, wheel, camera, thermometer))


def _tried(name: str, opens: Callable[[], T], room: DeviceRoom) -> tuple[T | None, Promise]:
    """Open a device; return it, None when there is none or it fails, and what there is to say."""
    from daemon.hardware_check import Promise
    from drivers.errors import DeviceError

    promise, began = "answers and is the right device", room.clock.monotonic()
    try:
        device = opens()
    except (DeviceError, ValueError) as error:
        took = room.clock.monotonic() - began
        advice = "nothing of this device was tried; correct this first, then run the check again"
        return None, Promise(name, promise, "broken", took, str(error), advice)
    if device is None:
        return None, Promise(name, promise, "left out", 0.0, "not in the config")
    return device, Promise(name, promise, "kept", room.clock.monotonic() - began, "")


def _facts_of_focuser(focuser: SerialFocuser) -> str:
    from drivers.ports import stable_name

    facts = [focuser.device.dialect.name, f"{focuser.speed_steps_per_s:g} steps/s"]
    own = focuser.compensation
    if own.active:
        facts.append(
            f"it compensates by itself (backlash {own.backlash_steps or 0} steps, temperature "
            f"{'on' if own.temperature else 'off'}): a run switches that off and restores it, if it can"
        )
    name = stable_name(focuser.device.url)
    if name is not None:
        facts.append(f'write port = "{name}", which stays the same when the plug changes')
    return "; ".join(facts)


def _show(promise: Promise) -> None:
    console = out_console()
    mark = {"kept": "kept", "broken": "BROKEN", "left out": "-"}[promise.outcome]
    first, *rest = (promise.seen or "").splitlines() or [""]
    took = "" if promise.outcome == "left out" else f" ({promise.took_s:.1f} s)"
    console.print(f"{mark:<8}{promise.device} {promise.promise}{took}{': ' if first else ''}{first}")
    for line in rest:
        console.print(f"{_INDENT}{line}")
    if promise.outcome == "broken" and promise.advice:
        console.print(f"{_INDENT}do: {promise.advice}")


def _concluded(promises: list[Promise]) -> int:
    broken = sum(item.outcome == "broken" for item in promises)
    kept = sum(item.outcome == "kept" for item in promises)
    if broken:
        tell_problem(f"{broken} of {broken + kept} promises broken.")
        return HARDWARE
    tell(f"All {kept} promises kept.")
    return DONE


def check_file(path: Path, *, as_json: bool) -> int:
    """Check a config file, then the devices that it names; returns the exit code."""
    from daemon.commands.check import refused
    from daemon.config import load_config
    from daemon.config.descriptions import check_descriptions

    try:
        config = load_config(path)
        check_descriptions(config)
        return check_hardware(config, as_json=as_json)
    except ConfigErrors as errors:
        return refused(errors, as_json=as_json)
