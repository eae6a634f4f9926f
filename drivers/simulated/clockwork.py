"""Who waits for virtual time, and how it runs: only while somebody waits, and never while a frame is made.

Without pacing, time jumps to the next moment that anybody waits for. With pacing it runs at a multiple of
real time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers.simulated.world import World

TICK_S = 0.005


@dataclass(slots=True)
class Waiter:
    """Something that goes on at moments of virtual time: the iterator yields each moment it waits for."""

    moments: Iterator[float]
    done: Callable[[], None]
    due_s: float = 0.0

    def go_on(self) -> bool:
        """Run up to the next moment; False when there is none and the waiter has finished."""
        try:
            self.due_s = next(self.moments)
        except StopIteration:
            return False
        return True


class Clockwork:
    """Moves one world's time on."""

    def __init__(self, world: World, speed: float) -> None:
        self.world = world
        self.speed = speed
        self.holds = 0
        self._waiters: list[Waiter] = []
        self._real_s = time.monotonic()

    @property
    def running(self) -> bool:
        """Tell whether time is running at the moment."""
        return bool(self._waiters) and self.holds == 0

    def patience_s(self) -> float:
        """Return how long (s, real) to wait before time is let pass again: until somebody's moment comes.

        At most a tick: a paced clock that looked only at its ticks would make every short sleep one longer.
        """
        if self.speed <= 0.0:
            return 0.0
        due_s = min(waiter.due_s for waiter in self._waiters)
        left_s = (due_s - self.world.time_s) / self.speed - (time.monotonic() - self._real_s)
        return min(TICK_S, max(left_s, 0.0))

    def add(self, waiter: Waiter) -> None:
        """Take up a waiter; pacing starts from now when nobody waited before."""
        if not self.running:
            self._real_s = time.monotonic()
        if waiter.go_on():
            self._waiters.append(waiter)
        else:
            waiter.done()

    def drop(self, waiter: Waiter) -> bool:
        """Forget a waiter; False when it no longer waits."""
        if waiter not in self._waiters:
            return False
        self._waiters.remove(waiter)
        return True

    def run(self) -> None:
        """Let time pass as far as it may by now."""
        limit = self._allowed_until()
        while self.running:
            waiter = min(self._waiters, key=lambda item: item.due_s)
            if waiter.due_s > limit:
                self._pass_until(limit)
                return
            self._pass_until(waiter.due_s)
            if not waiter.go_on():
                self._waiters.remove(waiter)
                waiter.done()
        self._real_s = time.monotonic()

    def _allowed_until(self) -> float:
        if self.speed <= 0.0:
            return float("inf")
        now = time.monotonic()
        passed, self._real_s = (now - self._real_s) * self.speed, now
        return self.world.time_s + passed

    def _pass_until(self, moment_s: float) -> None:
        if moment_s > self.world.time_s:
            self.world.advance(moment_s - self.world.time_s)
