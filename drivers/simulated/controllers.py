"""What the simulated focuser's and wheel's controllers do, whatever protocol they are spoken to in.

Time comes from outside (``advance``), in the rig's virtual seconds. The counter counts commanded steps and
never sees the drawtube.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

STILL, TURNING, BLOCKED = "still", "turning", "blocked"
LOST = "lost"
FOLLOW_STEPS_PER_C = 10.0
MOST_TAKE_UP = 1000


class Refused(Exception):
    """A request that is not carried out: ``turning`` or ``limit``."""


@dataclass(slots=True)
class MotorFaults:
    """What is wrong with the motor at the moment."""

    stuck: bool = False
    counting_only: bool = False
    wrong_way: bool = False
    ignores_halt: bool = False
    creep_steps_per_s: float = 0.0
    switch_at: float | None = None


@dataclass(slots=True)
class FocuserController:
    """A counter, a motor of one speed, take-up and follow; ``turned`` is told each turn of the shaft."""

    lowest: int
    highest: int
    speed_steps_per_s: int
    count: float
    turned: Callable[[float], None]
    probe: Callable[[], float | None]
    take_up: int = 0
    follow: bool = False
    blocked: bool = False
    faults: MotorFaults = field(default_factory=MotorFaults)
    _legs: list[float] = field(default_factory=list)
    _follow_from_c: float | None = None
    _follow_count: float = 0.0

    @property
    def position(self) -> int:
        """Return the count as it is told."""
        return math.floor(self.count + 0.5)

    @property
    def state(self) -> str:
        """Return still, turning or blocked."""
        if self._legs:
            return TURNING
        return BLOCKED if self.blocked else STILL

    def go(self, target: int) -> None:
        """Start a move; Refused when it is turning or the target lies outside the range."""
        if self._legs:
            raise Refused("turning")
        if not self.lowest <= target <= self.highest:
            raise Refused("limit")
        self.blocked = False
        legs = [float(target)]
        if self.take_up > 0 and target < self.count:
            legs.insert(0, float(max(self.lowest, target - self.take_up)))
        self._legs = [leg for leg in legs if leg != self.count or len(legs) > 1]
        self._hold_follow(float(target))

    def halt(self) -> None:
        """Stop the motor where it is."""
        if self.faults.ignores_halt:
            return
        self._legs = []
        self.blocked = False
        self._run(self.position - self.count)

    def reset(self) -> None:
        """Lose power for a moment: a counter that was moving is lost."""
        if self._legs:
            self.count = 0.0
        self._legs = []
        self.blocked = False
        self._follow_from_c = None

    def set_follow(self, *, on: bool) -> None:
        """Switch the controller's own compensation of temperature."""
        self.follow = on
        self._hold_follow(self.count)

    def advance(self, seconds: float) -> None:
        """Let the motor turn for so long."""
        if self.faults.creep_steps_per_s:
            self._run(self.faults.creep_steps_per_s * seconds)
        left = seconds
        while self._legs and left > 0.0:
            left -= self._towards(self._legs[0], left)
        if self.follow and not self._legs:
            self._follow_probe()

    def _towards(self, target: float, seconds: float) -> float:
        """Turn towards a target; return the time that took."""
        if self.faults.stuck:
            return seconds
        distance = target - self.count
        taken = min(abs(distance) / self.speed_steps_per_s, seconds)
        self._run(math.copysign(taken * self.speed_steps_per_s, distance))
        if self._legs and abs(target - self.count) < 1e-6:
            self.count = target
            del self._legs[0]
        return taken

    def _run(self, steps: float) -> None:
        """Turn the shaft, as far as a limit switch lets it."""
        switch = self.faults.switch_at
        if switch is not None and (self.count - switch) * (self.count + steps - switch) <= 0.0 and steps:
            steps = switch - self.count
            self._legs = []
            self.blocked = True
        self.count += steps
        if not self.faults.counting_only:
            self.turned(-steps if self.faults.wrong_way else steps)

    def _hold_follow(self, count: float) -> None:
        self._follow_from_c = self.probe() if self.follow else None
        self._follow_count = count

    def _follow_probe(self) -> None:
        now_c = self.probe()
        if now_c is None or self._follow_from_c is None:
            return
        wanted = self._follow_count + round(FOLLOW_STEPS_PER_C * (now_c - self._follow_from_c))
        wanted = min(max(wanted, self.lowest), self.highest)
        if wanted != self.position:
            self._legs = [wanted]


@dataclass(slots=True)
class WheelController:
    """Slots from 0; between them there is no slot."""

    slots: int
    seconds_per_slot: float = 0.6
    slot: int | None = 0
    lost: bool = False
    misses_mark: bool = False
    _target: int | None = None
    _left_s: float = 0.0
    _place: float = 0.0

    @property
    def state(self) -> str:
        """Return still, turning or lost."""
        if self._target is not None:
            return TURNING
        return LOST if self.lost else STILL

    def turn(self, slot: int) -> None:
        """Start turning the shorter way; Refused when it is turning or there is no such slot."""
        if self._target is not None:
            raise Refused("turning")
        if not 0 <= slot < self.slots:
            raise Refused("limit")
        if slot == self.slot:
            return
        around = abs(slot - self._place) % self.slots
        self._left_s = min(around, self.slots - around) * self.seconds_per_slot + 0.2
        self._target, self.slot, self.lost = slot, None, False

    def halt(self) -> None:
        """Stop at once; between two slots that leaves it lost."""
        if self._target is not None:
            self._place = (self._target - 0.4) % self.slots
            self._target, self.lost = None, True

    def reset(self) -> None:
        """Lose power for a moment: the wheel goes to its first slot by itself."""
        self._target = None
        if self.slot != 0:
            self.turn(0)

    def advance(self, seconds: float) -> None:
        """Let the wheel turn for so long."""
        if self._target is None:
            return
        self._left_s -= seconds
        if self._left_s <= 0.0:
            target, self._target = self._target, None
            self._place = float(target)
            if self.misses_mark:
                self.misses_mark, self.lost = False, True
                self._place = (target - 0.3) % self.slots
            else:
                self.slot = target
