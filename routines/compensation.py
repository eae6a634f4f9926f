"""Moves that leave the gears' play taken up, and where the drawtube stands meanwhile. Pure.

For programs that do not compensate by themselves: each asked place is come to from the final side.
Positions are the controller's counts; ``final_sign`` is +1 where they rise on the final approach, else -1.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Approach:
    """How a place is come to: from which side, how far past it first, and the play that this takes up."""

    final_sign: int
    overshoot_steps: int
    backlash_steps: float


@dataclass(slots=True)
class Slack:
    """Follows the motor and knows how far the drawtube stands off it: 0 on the final side, or up to the play.

    ``lag_steps`` is None until a long enough move one way has settled it.
    """

    approach: Approach
    motor_steps: int
    lag_steps: float | None = None
    _run_steps: int = 0

    @property
    def engaged(self) -> bool:
        """Tell whether the play is surely taken up on the final side."""
        return self._run_steps >= self.approach.overshoot_steps

    @property
    def tube_steps(self) -> float:
        """Return the drawtube's place in the final side's counts; the motor's while the lag is unknown."""
        return self.motor_steps + self.approach.final_sign * (self.lag_steps or 0.0)

    def moved(self, motor_steps: int) -> None:
        """Note that the motor went straight to a count."""
        travel = self.approach.final_sign * (motor_steps - self.motor_steps)
        self.motor_steps = motor_steps
        if not travel:
            return
        same_way = travel * self._run_steps > 0
        self._run_steps = self._run_steps + travel if same_way else travel
        if self.lag_steps is not None:
            self.lag_steps = min(max(self.lag_steps - travel, 0.0), self.approach.backlash_steps)
        elif abs(self._run_steps) >= self.approach.overshoot_steps:
            self.lag_steps = 0.0 if self._run_steps > 0 else self.approach.backlash_steps

    def lost(self, motor_steps: int) -> None:
        """Note that the motor may have gone anywhere on its way to a count."""
        self.motor_steps, self.lag_steps, self._run_steps = motor_steps, None, 0

    def legs_to(self, target_steps: int) -> tuple[int, ...]:
        """Return the motor's targets that end at a place with the play taken up on the final side."""
        sign, travel = self.approach.final_sign, self.approach.final_sign * (target_steps - self.motor_steps)
        run = max(self._run_steps, 0)
        if travel >= 0 and run + travel >= self.approach.overshoot_steps:
            return (target_steps,) if travel else ()
        return (target_steps - sign * self.approach.overshoot_steps, target_steps)


@dataclass(slots=True)
class OvershootHabit:
    """Notices a client that goes past its targets and back by itself, so that play is corrected twice.

    Its sign is a short last move, always the same, soon after each longer one, at least once turning back.
    """

    soon_s: float = 10.0
    least_steps: int = 5
    _last_travel: int = 0
    _last_end_s: float = -1e9
    _last_return: int = 0
    _turned: bool = False

    def began(self, travel_steps: int, at_s: float) -> int | None:
        """Note that a move begins; return the client's overshoot (steps) when it has just shown the habit."""
        last, soon = self._last_travel, at_s - self._last_end_s <= self.soon_s
        self._last_travel = travel_steps
        if not (soon and self.least_steps <= abs(travel_steps) < abs(last)):
            return None
        seen, self._last_return = self._last_return, travel_steps
        before, self._turned = self._turned, travel_steps * last < 0
        return abs(travel_steps) if seen == travel_steps and (before or self._turned) else None

    def ended(self, at_s: float) -> None:
        """Note that a move has ended."""
        self._last_end_s = at_s
