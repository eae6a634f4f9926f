"""What a focuser's controller says of itself on connect: range, speed, and its own compensations.

A controller that compensates for backlash or temperature by itself would be corrected twice; so the settings
are read, can be switched off for a run, and are put back afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.device import Device
from drivers.errors import LimitExceeded, ReplyInvalid
from drivers.roles import Compensation, Limits
from drivers.templates import Value

BACKLASH = "backlash_compensation"
TEMPERATURE = "temperature_compensation"


def check_range(device: Device, limits: Limits) -> None:
    """Raise LimitExceeded when the soft limits reach beyond the controller's own range."""
    if not device.knows("range"):
        return
    values = device.sure("range")
    lowest, highest = values.get("lowest"), values.get("highest")
    if not isinstance(lowest, int | float) or not isinstance(highest, int | float):
        return
    if limits.lowest_steps < lowest or limits.highest_steps > highest:
        raise LimitExceeded(
            f"{device.name}: the limits {limits.lowest_steps} to {limits.highest_steps} steps reach beyond "
            f"the controller's own range {lowest:g} to {highest:g}; narrow the limits in the config"
        )


def read_speed(device: Device) -> float:
    """Return the motor's speed in steps per second, from the controller or else the description."""
    if not device.knows("speed"):
        return device.dialect.motion.speed_steps_per_s or 0.0
    speed = device.number("speed", "speed") or 0.0
    if speed <= 0:
        raise ReplyInvalid(f"{device.name}: the controller gives a speed of {speed:g} steps/s")
    return speed


def read_compensation(device: Device) -> Compensation:
    """Return the controller's own compensations, None for those it cannot tell."""
    backlash, follow = _setting(device, BACKLASH), _setting(device, TEMPERATURE)
    return Compensation(
        backlash_steps=round(backlash) if isinstance(backlash, int | float) else None,
        temperature=None if follow is None else follow != device.dialect.requests[TEMPERATURE].off,
    )


def switch_off_compensation(device: Device) -> dict[str, Value]:
    """Switch off what can be switched off; returns what was set before, for ``restore_compensation``."""
    before: dict[str, Value] = {}
    for name in (BACKLASH, TEMPERATURE):
        described, setting = device.dialect.requests.get(name), _setting(device, name)
        if described is None or described.off is None or setting in (None, described.off):
            continue
        if device.knows(f"{name}_set") and setting is not None:
            device.request(f"{name}_set", {"setting": described.off})
            before[name] = setting
    return before


def restore_compensation(device: Device, before: Mapping[str, Value]) -> None:
    """Put back what ``switch_off_compensation`` changed."""
    for name, setting in before.items():
        device.request(f"{name}_set", {"setting": setting})


def _setting(device: Device, name: str) -> Value | None:
    return device.sure(name).get("setting") if device.knows(name) else None
