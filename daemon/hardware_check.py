"""A conformance walk over the real devices: each promise that the rest relies on, kept or broken.

It stays inside the limits, moves little, and may be run with a camera on. A broken promise does not end the
walk, except where going on would not be safe: after a fault of a motor that device moves no more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, Protocol

from drivers.errors import DeviceError, ExposureFailed, LimitExceeded, MotionFault, SensorFailed, Stopped
from drivers.roles import Camera, Clock, FilterWheel, Focuser, StopSignal, Thermometer

SMALL_STEPS = 100
MID_MOVE_S = 0.5
Outcome = Literal["kept", "broken", "left out"]


@dataclass(frozen=True, slots=True)
class Promise:
    """One promise of a device: whether it was kept, how long that took, what was seen, and what to do."""

    device: str
    promise: str
    outcome: Outcome
    took_s: float
    seen: str
    advice: str = ""


class SpeedyFocuser(Focuser, Protocol):
    """A focuser that knows its speed, which tells how far a move must go to be halted on its way."""

    speed_steps_per_s: float


@dataclass(frozen=True, slots=True)
class Devices:
    """What there is to check; None is left out."""

    focuser: SpeedyFocuser | None = None
    wheel: FilterWheel | None = None
    camera: Camera | None = None
    thermometer: Thermometer | None = None


class _After:
    """A stop signal that comes a while after it was made."""

    def __init__(self, clock: Clock, seconds: float) -> None:
        self._clock = clock
        self._at_s = clock.monotonic() + seconds

    def is_set(self) -> bool:
        return self._clock.monotonic() >= self._at_s


def walk(
    devices: Devices, clock: Clock, stop: StopSignal, *, exposure_s: float = 1.0, filter_name: str = ""
) -> Iterator[Promise]:
    """Yield each promise as it has been tried; ends early when ``stop`` is set, with the motor standing."""
    broken: set[str] = set()
    for device, promise, action, advice in _tries(devices, clock, stop, exposure_s, filter_name):
        if stop.is_set():
            return
        if device in broken:
            yield Promise(device, promise, "left out", 0.0, "after an earlier fault it is left alone", "")
            continue
        began = clock.monotonic()
        try:
            seen = action()
        except DeviceError as error:
            if isinstance(error, Stopped) and stop.is_set():
                return
            if isinstance(error, MotionFault):
                broken.add(device)
            yield Promise(device, promise, "broken", clock.monotonic() - began, str(error), advice)
        else:
            yield Promise(device, promise, "kept", clock.monotonic() - began, seen)


Try = tuple[str, str, Callable[[], str], str]


def _tries(
    devices: Devices, clock: Clock, stop: StopSignal, exposure_s: float, filter_name: str
) -> Iterator[Try]:
    if devices.focuser is not None:
        yield from _focuser_tries(devices.focuser, clock, stop)
    if devices.wheel is not None:
        for name in [*devices.wheel.slots, *list(devices.wheel.slots)[:1]]:
            advice = "compare the slot in the config with the wheel; is it free to turn?"
            yield "wheel", f"turns to {name}", _turning(devices.wheel, name, stop), advice
    if devices.thermometer is not None:
        advice = "plug the probe in; correct scale and offset"
        yield "thermometer", "tells a believable temperature", _temperature(devices.thermometer), advice
    if devices.camera is not None:
        advice = "run the camera's command by hand, or look where the other program saves"
        take = _exposing(devices.camera, exposure_s, filter_name, stop)
        yield "camera", f"takes a frame of {exposure_s:g} s", take, advice


def _focuser_tries(focuser: SpeedyFocuser, clock: Clock, stop: StopSignal) -> Iterator[Try]:
    yield (
        "focuser",
        "tells the same position twice",
        lambda: _same_place(focuser),
        "does another program or a hand controller move it? is its own temperature compensation off?",
    )
    yield (
        "focuser",
        f"moves {SMALL_STEPS} steps and back",
        lambda: _out_and_back(focuser, stop),
        "see the message; try halving the speed or the load",
    )
    yield (
        "focuser",
        "halts on its way",
        lambda: _halted(focuser, clock, stop),
        "do not leave it unattended: correct request.halt in the description, or set hears_while_moving",
    )


def _same_place(focuser: SpeedyFocuser) -> str:
    first, second = focuser.position_steps(), focuser.position_steps()
    if first != second:
        raise MotionFault(f"{first} steps, then {second} steps, without being asked to move")
    limits = focuser.limits
    if not limits.lowest_steps <= first <= limits.highest_steps:
        raise MotionFault(f"{first} steps lies outside the limits; bring it inside by hand first")
    return f"{first} steps"


def _inward_of_limits(focuser: SpeedyFocuser, start: int, distance: int) -> int:
    """Return a target up to ``distance`` away on the roomier side of ``start``."""
    up, down = focuser.limits.highest_steps - start, start - focuser.limits.lowest_steps
    return start + min(distance, up) if up >= down else start - min(distance, down)


def _out_and_back(focuser: SpeedyFocuser, stop: StopSignal) -> str:
    start = focuser.position_steps()
    target = _inward_of_limits(focuser, start, SMALL_STEPS)
    there = focuser.move_to(target, stop)
    back = focuser.move_to(start, stop)
    return f"{start} to {there} to {back} steps"


def _halted(focuser: SpeedyFocuser, clock: Clock, stop: StopSignal) -> str:
    start = focuser.position_steps()
    target = _inward_of_limits(focuser, start, round(6 * MID_MOVE_S * focuser.speed_steps_per_s))
    if abs(target - start) < 3 * MID_MOVE_S * focuser.speed_steps_per_s:
        raise LimitExceeded(f"the limits leave {abs(target - start)} steps, too few to halt on the way")
    try:
        focuser.move_to(target, _After(clock, MID_MOVE_S))
    except Stopped:
        halted = focuser.position_steps()
    else:
        halted = target
    if abs(halted - start) > 2 * MID_MOVE_S * focuser.speed_steps_per_s:
        raise MotionFault(
            f"told to stop {MID_MOVE_S:g} s into a move from {start} to {target}, it ran on to {halted}"
        )
    focuser.move_to(start, stop)
    return f"stood at {halted} steps of {start} to {target}, and came back"


def _turning(wheel: FilterWheel, name: str, stop: StopSignal) -> Callable[[], str]:
    def turn() -> str:
        wheel.select(name, stop)
        found = wheel.current()
        if found != name:
            raise MotionFault(f"settled on {found!r}")
        return f"slot {wheel.slots[name]}"

    return turn


def _temperature(thermometer: Thermometer) -> Callable[[], str]:
    def read() -> str:
        reading = thermometer.read()
        if reading.age_s > 60.0:
            raise SensorFailed(f"the newest reading is {reading.age_s:.0f} s old")
        return f"{reading.value_c:.2f} C"

    return read


def _exposing(camera: Camera, exposure_s: float, filter_name: str, stop: StopSignal) -> Callable[[], str]:
    def expose() -> str:
        from drivers.frames import FrameUnreadable, read_frame

        path = camera.expose(exposure_s, filter_name, stop)
        try:
            rows, columns = read_frame(path).pixels.shape
        except FrameUnreadable as error:
            raise ExposureFailed(str(error)) from error
        return f"{path.name}, {columns} x {rows} pixels"

    return expose
