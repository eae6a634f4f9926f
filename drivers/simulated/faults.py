"""Faults by name, so that a test or a rehearsal can break the rig over its control socket."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from drivers.simulated.firmware import Firmware
from drivers.simulated.world import World

_COUNTED = ("silent", "half", "bad_end", "garbage_before", "garbage_inside", "doubled")


class UnknownFault(ValueError):
    """No fault of that name, or it lacks something; the message lists what there is."""


class FaultBoard:
    """Sets and clears what is wrong with one rig."""

    def __init__(self, world: World, firmware: dict[str, Firmware]) -> None:
        self.world = world
        self.firmware = firmware

    def set(self, request: dict[str, Any]) -> None:
        """Bring about ``request["kind"]``; raises UnknownFault."""
        kind = request.get("kind")
        actions = {
            **self._line_actions(request),
            **self._motor_actions(request),
            **self._sky_actions(request),
        }
        if kind not in actions:
            raise UnknownFault(f"no fault {kind!r}; known: {', '.join(sorted(actions))}")
        try:
            actions[kind]()
        except (KeyError, TypeError, ValueError) as error:
            raise UnknownFault(f"fault {kind!r}: {error!r}") from error

    def _line_actions(self, request: dict[str, Any]) -> dict[str, Callable[[], None]]:
        """Return faults of a line; ``device`` is focuser (the default) or wheel, ``count`` replies."""
        firmware = self.firmware[str(request.get("device", "focuser"))]
        faults, count = firmware.faults, int(request.get("count", 1))

        def counted(name: str) -> Callable[[], None]:
            return lambda: setattr(faults, name, count)

        def late() -> None:
            faults.late, faults.late_s = count, float(request["seconds"])

        def instead() -> None:
            text = request.get("reply_hex")
            faults.reply_instead = None if text is None else bytes.fromhex(text)

        return {
            **{name: counted(name) for name in _COUNTED},
            "late": late,
            "echo": lambda: setattr(faults, "echo", bool(request.get("on", True))),
            "corrupt": lambda: setattr(faults, "corrupt_rate", float(request["rate"])),
            "reply_instead": instead,
            "unasked": lambda: firmware.say(bytes.fromhex(request["hex"])),
            "reset": firmware.reset,
            "unplug": firmware.unplug,
            "plug_in": firmware.plug_in,
        }

    def _motor_actions(self, request: dict[str, Any]) -> dict[str, Callable[[], None]]:
        """Return faults of motor, gears and wheel; ``on`` false clears one."""
        motor, train, on = self.world.focuser.faults, self.world.train, bool(request.get("on", True))

        def put(owner: object, name: str, value: object) -> Callable[[], None]:
            return lambda: setattr(owner, name, value)

        def slip() -> None:
            train.train = replace(train.train, slip=float(request["share"]))

        def creep() -> None:
            motor.creep_steps_per_s = float(request["steps_per_s"])

        def switch() -> None:
            motor.switch_at = None if request.get("count_at") is None else float(request["count_at"])

        return {
            "stuck_motor": put(motor, "stuck", on),
            "loose_coupling": put(motor, "counting_only", on),
            "wrong_way": put(motor, "wrong_way", on),
            "ignored_halt": put(motor, "ignores_halt", on),
            "locked_drawtube": put(train, "locked", on),
            "wheel_misses": put(self.world.wheel, "misses_mark", on),
            "slip": slip,
            "unasked_motion": creep,
            "limit_switch": switch,
        }

    def _sky_actions(self, request: dict[str, Any]) -> dict[str, Callable[[], None]]:
        """Return faults of sky and probe; those with ``seconds`` pass by themselves (virtual time)."""
        sky, on = self.world.faults, bool(request.get("on", True))

        def passing(clear: Callable[[], None]) -> None:
            if request.get("seconds") is not None:
                self.world.later(float(request["seconds"]), clear)

        def cloud() -> None:
            sky.transparency = float(request["transparency"])
            passing(lambda: setattr(sky, "transparency", 1.0))

        def lost() -> None:
            sky.star_lost = on
            passing(lambda: setattr(sky, "star_lost", False))

        def frozen() -> None:
            sky.probe_frozen_c = self.world.probe_c() if on else None
            passing(lambda: setattr(sky, "probe_frozen_c", None))

        def dew() -> None:
            sky.dew_since_s = self.world.time_s if on else None
            sky.dew_per_h = float(request["per_h"]) if on else 0.0

        return {
            "cloud": cloud,
            "dew": dew,
            "star_lost": lost,
            "probe_missing": lambda: setattr(sky, "probe_missing", on),
            "probe_frozen": frozen,
        }
