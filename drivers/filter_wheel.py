"""A serial filter wheel, from a description: names to slots, and waiting until the wheel has settled."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from drivers import description
from drivers.device import RECONNECT_WITHIN_S, Device, quietly
from drivers.dialect import Dialect
from drivers.errors import LinkLost, MotionFault, Refused, ReplyInvalid, ReplyLate, Stopped
from drivers.roles import Clock, NeverStop, StopSignal

SLICE_S = 0.02
POLL_S = 0.1
UNASKED_SHARE = 0.85
"""For how much of the shortest time that a turn has taken the wheel is not asked whether it is there."""


class SerialFilterWheel:
    """A wheel that speaks a described dialect; ``slots`` maps filter names to its own slot numbers."""

    def __init__(
        self,
        dialect: Dialect,
        url: str,
        slots: Mapping[str, int],
        *,
        clock: Clock,
        name: str = "filter wheel",
        reconnect_within_s: float = RECONNECT_WITHIN_S,
    ) -> None:
        self.slots: Mapping[str, int] = dict(slots)
        self._names = {slot: name for name, slot in self.slots.items()}
        self._device = Device(dialect, url, name=name)
        self._motion = dialect.motion
        self._clock = clock
        self._reconnect_within_s = reconnect_within_s
        self._turning = False
        self._halts = 0
        self._took_s: dict[tuple[int | None, int], float] = {}

    @classmethod
    def connect(cls, source: str | Path, url: str, slots: Mapping[str, int], *,
                clock: Clock) -> SerialFilterWheel:  # fmt: skip
        """Return a connected wheel, from a built-in description's name or a file."""
        wheel = cls(description.load(source), url, slots, clock=clock)
        wheel.open()
        return wheel

    @property
    def device(self) -> Device:
        """Return the described device, for tools that send single requests or show the wire."""
        return self._device

    def open(self) -> None:
        """Connect, identify, and check the configured slots against the wheel's own number of them."""
        self._device.connect()
        count = self._device.number("slots", "slots") if self._device.knows("slots") else self._motion.slots
        if count is None:
            return
        first, last = self._motion.first_slot, self._motion.first_slot + int(count) - 1
        wrong = {name: slot for name, slot in self.slots.items() if not first <= slot <= last}
        if wrong:
            raise Refused(
                f"{self._device.name}: slots {wrong} do not exist; this wheel has {first} to {last}", "slots"
            )

    def close(self) -> None:
        """Let go of the line; a wheel left turning by this program is halted first."""
        if self._turning:
            quietly(self.halt, "halt_on_close_failed")
        self._device.close()

    def recover(self, stop: StopSignal | None = None) -> None:
        """Reconnect after a lost link."""
        self._device.reconnect(self._reconnect_within_s, stop)

    def halt(self) -> None:
        """Stop the wheel now, if it can; from any thread."""
        self._halts += 1
        self._device.interject_halt()

    def current(self) -> str | None:
        """Return the filter in the beam; None while turning, lost, or on a slot without a name."""
        slot = self._slot()
        condition = self._device.condition()
        if slot is None or (condition is not None and condition[0] != "still"):
            return None
        return self._names.get(slot)

    def select(self, name: str, stop: StopSignal | None = None) -> None:
        """Turn to a filter and wait until the wheel has settled there.

        Raises Refused for an unknown name, Stopped, MotionFault when the wheel does not settle on the right
        slot in time, LinkLost or ReplyLate.
        """
        if name not in self.slots:
            known = ", ".join(self.slots)
            raise Refused(f"{self._device.name}: no filter {name!r}; there are {known}", "unknown_filter")
        stop, halts = stop or NeverStop(), self._halts
        self._turning = True
        try:
            self._select(self.slots[name], stop, halts)
        except LinkLost:
            raise
        except BaseException:
            quietly(self._device.interject_halt, "halt_after_error_failed")
            raise
        finally:
            self._turning = False

    def _select(self, slot: int, stop: StopSignal, halts: int) -> None:
        deadline = self._clock.monotonic() + self._motion.turn_within_s
        turn = (self._wait(None, deadline, stop, halts), slot)
        self._turn(slot, stop)
        begun = self._clock.monotonic()
        self._pause(UNASKED_SHARE * self._took_s.get(turn, 0.0), stop, halts)
        self._wait(slot, deadline + self._motion.turn_within_s, stop, halts)
        took_s = self._clock.monotonic() - begun - POLL_S
        self._took_s[turn] = min(took_s, self._took_s.get(turn, took_s))

    def _turn(self, slot: int, stop: StopSignal) -> None:
        """Command the turn; a turn is absolute, so after a lost reply it is commanded once more."""
        within = self._motion.turn_within_s if self._motion.busy == "reply" else None
        try:
            self._device.request("turn", {"slot": slot}, within_s=within, stop=stop)
        except (ReplyLate, ReplyInvalid):
            condition = self._device.condition()
            if condition is None or condition[0] != "moving":
                self._device.request("turn", {"slot": slot}, within_s=within, stop=stop)

    def _wait(self, wanted: int | None, deadline_s: float, stop: StopSignal, halts: int) -> int | None:
        """Return the slot once the wheel is still (on ``wanted``, if given) for two readings running."""
        agreeing, slot, words = 0, None, ""
        while True:
            if stop.is_set() or self._halts != halts:
                raise Stopped(f"{self._device.name}: stopped")
            if self._clock.monotonic() > deadline_s:
                raise MotionFault(
                    f"{self._device.name}: not settled on slot {wanted} in time "
                    f"({self._motion.turn_within_s:g} s; slot {slot}, state {words or 'unknown'}): stuck?"
                )
            condition = self._device.condition(stop)
            slot, words = self._slot(stop), condition[1] if condition else ""
            agreeing = agreeing + 1 if self._in_place(wanted, slot, condition and condition[0]) else 0
            if agreeing == 2:
                return slot
            self._pause(POLL_S, stop, halts)

    def _in_place(self, wanted: int | None, slot: int | None, condition: str | None) -> bool:
        """Tell whether the wheel is settled; MotionFault when it has settled wrongly."""
        if wanted is None:
            return condition != "moving"
        if condition == "failed":
            raise MotionFault(f"{self._device.name}: lost its place on the way to slot {wanted}; look at it")
        return condition != "moving" and slot == wanted

    def _pause(self, seconds: float, stop: StopSignal, halts: int) -> None:
        until = self._clock.monotonic() + seconds
        while (left := until - self._clock.monotonic()) > 0 and not stop.is_set() and self._halts == halts:
            self._clock.sleep(min(SLICE_S, left))

    def _slot(self, stop: StopSignal | None = None) -> int | None:
        value = self._device.request("slot", stop=stop).get("slot")
        if isinstance(value, str):
            raise ReplyInvalid(f"{self._device.name}: the slot reads {value!r}")
        return None if value is None else round(value)
