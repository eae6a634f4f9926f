"""Judge a move from its read-backs: going, arrived, or wrong in a named way. Pure.

A controller counts commanded steps, so this sees a controller that does not do as told, not a drawtube that
slips: the star alone shows that. Every fault must show in two readings running, since a line without
checksum can garble one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from drivers.dialect import Condition

Verdict = Literal["going", "arrived", "fault"]

_NEARER = 2.0 / 3.0
_SHORTEST_PAUSE_S, _LONGEST_PAUSE_S = 0.02, 0.25


@dataclass(frozen=True, slots=True)
class MoveRules:
    """When a move counts as done or as failed.

    ``allowance_steps`` is how far the controller may rightly stray from the straight way (its own backlash
    compensation). Times are in seconds on the clock that paces the move.
    """

    speed_steps_per_s: float
    tolerance_steps: int = 0
    allowance_steps: int = 0
    settle_s: float = 0.2
    stall_s: float = 2.0
    slack_factor: float = 2.0
    slack_s: float = 3.0

    @property
    def stray_steps(self) -> int:
        """Return by how much the distance may grow before it is the wrong way."""
        return max(4 * self.tolerance_steps, 10) + self.allowance_steps

    def expected_s(self, distance_steps: float) -> float:
        """Return how long a move of so many steps should take."""
        return (abs(distance_steps) + 2 * self.allowance_steps) / self.speed_steps_per_s

    def deadline_s(self, distance_steps: float) -> float:
        """Return how long it may take before something must be wrong."""
        return self.slack_factor * self.expected_s(distance_steps) + self.slack_s + self.settle_s


@dataclass(slots=True)
class MoveWatch:
    """Follows one move; feed it every read-back with its time and the controller's state, if it tells one."""

    start_steps: int
    target_steps: int
    begun_s: float
    rules: MoveRules
    fault: str = ""
    _nearest_steps: float = field(init=False)
    _distance_before: float = field(init=False)
    _progress_s: float = field(init=False)
    _still_since_s: float | None = None
    _previous: tuple[float, int] | None = None
    _suspicions: int = 0

    def __post_init__(self) -> None:
        self._nearest_steps = self._distance_before = abs(self.target_steps - self.start_steps)
        self._progress_s = self.begun_s
        self._previous = (self.begun_s, self.start_steps)

    def feed(self, at_s: float, position_steps: int, condition: Condition | None, words: str = "") -> Verdict:
        """Return the verdict after a reading; ``condition`` is None where the controller tells no state."""
        distance = abs(self.target_steps - position_steps)
        moved = self._moved(at_s, position_steps)
        self._note_progress(at_s, distance, moved=moved)
        still = not moved if condition is None else condition != "moving" and not moved
        self._still_since_s = (self._still_since_s or at_s) if still else None
        arrived = self._steady(at_s) and distance <= self.rules.tolerance_steps and condition != "failed"
        complaint = "" if arrived else self._complaint(at_s, position_steps, distance, condition, words)
        self._previous = (at_s, position_steps) if not self._is_jump(at_s, position_steps) else self._previous
        if arrived:
            return "arrived"
        self._suspicions = self._suspicions + 1 if complaint else 0
        if self._suspicions < 2:
            return "going"
        self.fault = complaint
        return "fault"

    def pause_s(self, position_steps: int) -> float:
        """Return how long to wait before the next reading: less, the nearer the end.

        A motor that stands is asked again when it has stood for long enough: each reading takes its time too.
        """
        if self._still_since_s is not None and self._previous is not None:
            left_s = self.rules.settle_s - (self._previous[0] - self._still_since_s)
        else:
            left_s = _NEARER * self.rules.expected_s(self.target_steps - position_steps)
        return min(max(left_s, _SHORTEST_PAUSE_S), _LONGEST_PAUSE_S)

    def _note_progress(self, at_s: float, distance: float, *, moved: bool) -> None:
        """Remember the nearest distance that two readings running reached.

        A single garbled one close to the target would make every true one after it look like the wrong way.
        """
        sure, self._distance_before = max(distance, self._distance_before), distance
        if sure < self._nearest_steps or (moved and self.rules.allowance_steps):
            self._nearest_steps, self._progress_s = min(sure, self._nearest_steps), at_s

    def _moved(self, at_s: float, position_steps: int) -> bool:
        return self._previous is not None and position_steps != self._previous[1]

    def _steady(self, at_s: float) -> bool:
        return self._still_since_s is not None and at_s - self._still_since_s >= self.rules.settle_s

    def _is_jump(self, at_s: float, position_steps: int) -> bool:
        """Tell whether the count changed faster than the motor can turn."""
        if self._previous is None:
            return False
        then_s, then_steps = self._previous
        possible = 3 * self.rules.speed_steps_per_s * (at_s - then_s + 0.1) + self.rules.stray_steps
        return abs(position_steps - then_steps) > possible

    def _complaint(
        self, at_s: float, position_steps: int, distance: int, condition: Condition | None, words: str
    ) -> str:
        where = f"at {position_steps} steps on the way from {self.start_steps} to {self.target_steps}"
        if self._is_jump(at_s, position_steps):
            was = self._previous[1] if self._previous else self.start_steps
            return f"the count jumped from {was} to {position_steps} steps: was the controller reset?"
        if condition == "failed":
            return f"the controller stopped {where}: {words}"
        if distance > self._nearest_steps + self.rules.stray_steps:
            return (
                f"the distance grows {where} (it was {self._nearest_steps:.0f} steps): wrong way or overshoot"
            )
        if at_s - self._progress_s > self.rules.stall_s + self.rules.settle_s:
            since = at_s - self._progress_s
            return f"no progress for {since:.1f} s {where}: motor stuck, unpowered, or at its end stop"
        limit = self.rules.deadline_s(self.target_steps - self.start_steps)
        if at_s - self.begun_s > limit:
            return f"still not there after {at_s - self.begun_s:.1f} s (allowed {limit:.1f} s) {where}"
        return ""
