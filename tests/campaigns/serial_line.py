"""Every fault of a serial line, alone and in pairs, against both protocols: no wrong number is accepted.

The deadline is 30 ms here instead of half a second, so that a busy machine adds late replies of its own. A
round is one read or one short move; it ends right, or in an error of the drivers with a standing motor.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from drivers import description
from drivers.errors import DeviceError
from drivers.filter_wheel import SerialFilterWheel
from drivers.focuser import SerialFocuser
from drivers.roles import Limits
from drivers.simulated.client import RunningRig, start_rig
from tests.campaigns.tally import Tally

FULL, BRIEF = 100_000, 1_500  # exchanges
START, LIMITS = 20_000, Limits(1000, 50_000)
REPLY_WITHIN_S = 0.03
COUNTED = ("silent", "half", "bad_end", "garbage_before", "garbage_inside", "doubled", "late")
NOISE = {"words": b"hello there\r\n", "frames": bytes.fromhex("A6 01 93 00 14 B6")}
BATCH = 6


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Make so many exchanges, half in each protocol."""
    for protocol in ("words", "frames"):
        with (
            tempfile.TemporaryDirectory() as folder,
            start_rig(Path(folder), protocol=protocol, peek=True, seed=seed) as rig,
        ):
            Spoiler(rig, protocol, np.random.default_rng([seed, len(protocol)]), tally).go_on(rounds // 2)


class Spoiler:
    """One rig whose lines are spoilt at random, and the devices that have to live with it."""

    def __init__(self, rig: RunningRig, protocol: str, rng: np.random.Generator, tally: Tally) -> None:
        self.rig, self.protocol, self.rng, self.tally = rig, protocol, rng, tally
        self.exchanges = self.resets = 0

    def go_on(self, exchanges: int) -> None:
        focuser = SerialFocuser(
            self._quick("focuser"),
            self.rig.focuser_port,
            LIMITS,
            clock=self.rig.clock,
            reconnect_within_s=3.0,
        )
        slots = {name: number + self.rig.first_slot for number, name in enumerate(self.rig.filters)}
        wheel = SerialFilterWheel(self._quick("wheel"), self.rig.wheel_port, slots, clock=self.rig.clock)
        try:
            self._patiently(focuser.open)
            self._patiently(wheel.open)
            self._patiently(lambda: focuser.move_to(START))
            for device in (focuser.device, wheel._device):
                self._count(device.line)
            while self.exchanges < exchanges:
                self._batch(focuser, wheel)
        finally:
            focuser.close()
            wheel.close()
        self.tally.note(
            f"{self.protocol}: {self.exchanges} exchanges, {self.resets} errors started over from"
        )

    def _quick(self, kind: str) -> description.Dialect:
        dialect = description.load(f"{kind}_{self.protocol}")
        return replace(dialect, line=replace(dialect.line, reply_within_s=REPLY_WITHIN_S))

    def _count(self, line: object) -> None:
        original = line._exchange_once  # type: ignore[attr-defined]  # the line behind any device

        def counted(*args: object, **kwargs: object) -> object:
            self.exchanges += 1
            return original(*args, **kwargs)

        line._exchange_once = counted  # type: ignore[attr-defined]  # stands in its place

    def _patiently(self, action: Callable[[], object]) -> None:
        """Do what needs an undisturbed line; a busy machine may need more than one try."""
        for left in range(20, -1, -1):
            try:
                action()
                return
            except DeviceError:
                if not left:
                    raise

    def _batch(self, focuser: SerialFocuser, wheel: SerialFilterWheel) -> None:
        """Draw one or two faults, work under them, and clear them."""
        kinds = [
            str(kind) for kind in self.rng.choice([*COUNTED, "corrupt", "unasked", "echo"], 2, replace=False)
        ]
        kinds = sorted(kinds[: int(self.rng.integers(1, 3))])
        for _ in range(BATCH):
            for kind in kinds:
                self._bring(kind)
            self._one(" + ".join(kinds), focuser, wheel)
        for kind in kinds:
            self._clear(kind)

    def _bring(self, kind: str) -> None:
        if self.rng.random() < 0.5:
            return
        facts = {"late": {"seconds": float(self.rng.uniform(0.01, 0.08))}, "corrupt": {"rate": 0.01},
                 "unasked": {"hex": NOISE[self.protocol].hex()}}.get(kind, {})  # fmt: skip
        if kind in COUNTED:
            facts["count"] = int(self.rng.integers(1, 4))
        device = "wheel" if self.rng.random() < 0.3 else "focuser"
        self.rig.fault(kind, device=device, **facts)

    def _clear(self, kind: str) -> None:
        for device in ("focuser", "wheel"):
            if kind in COUNTED:
                self.rig.fault(kind, device=device, count=0, seconds=0.0)
            elif kind == "corrupt":
                self.rig.fault(kind, device=device, rate=0.0)
            elif kind == "echo":
                self.rig.fault(kind, device=device, on=False)

    def _one(self, what: str, focuser: SerialFocuser, wheel: SerialFilterWheel) -> None:
        draw = self.rng.random()
        try:
            if draw < 0.6:
                wrong = self._read(focuser)
            elif draw < 0.8:
                wrong = self._move(focuser)
            else:
                wrong = self._turn(wheel)
        except DeviceError:
            self._after_error(what, focuser)
        else:
            self.tally.add(what, "lost" if wrong else "right", wrong)

    def _after_error(self, what: str, focuser: SerialFocuser) -> None:
        self.resets += 1
        before = self.rig.peek()
        self.rig.clock.sleep(0.5)
        after = self.rig.peek()
        stands = before["count"] == after["count"] and after["turning"] != "turning"
        # A single read that failed is no reason to halt; a move that failed is one.
        self.tally.add(what, "told" if stands else "lost", "the motor still turned after an error")
        focuser.clear_fault()

    def _read(self, focuser: SerialFocuser) -> str:
        read, true = focuser.position_steps(), round(self.rig.peek()["count"])
        return "" if read == true else f"read {read}, the motor stands at {true}"

    def _move(self, focuser: SerialFocuser) -> str:
        target = START + 10 * int(self.rng.integers(-9, 10))
        reached = focuser.move_to(target)
        true = round(self.rig.peek()["count"])
        return (
            "" if reached == true == target else f"told to go to {target}, says {reached}, stands at {true}"
        )

    def _turn(self, wheel: SerialFilterWheel) -> str:
        name = str(self.rng.choice(list(self.rig.filters)))
        wheel.select(name)
        slot = self.rig.peek()["slot"]
        true = None if slot is None else self.rig.filters[int(slot)]
        return "" if true == name else f"selected {name}, the wheel stands at {true}"
