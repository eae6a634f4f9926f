"""A move through the port as its client sees it: from place to place, over legs that it does not see."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from itertools import pairwise


@dataclass(slots=True)
class PortMove:
    """A move under way: places as the client counts them, ``ends`` the motor's start and the legs' targets.

    ``body`` is the request to be answered once the move is over, if that is the device's way.
    """

    from_place: int
    to_place: int
    ends: tuple[int, ...]
    body: bytes = b""
    leg: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def legs(self) -> tuple[int, ...]:
        """Return the motor's targets, in order."""
        return self.ends[1:]

    def place_at(self, motor_steps: int) -> int:
        """Return the place to tell: the share of the whole way that is done, and never the target early.

        A client that goes by the position alone would take a target that is passed on the way for the end.
        """
        lengths = [abs(after - before) for before, after in pairwise(self.ends)]
        done = sum(lengths[: self.leg]) + abs(motor_steps - self.ends[self.leg])
        span = self.to_place - self.from_place
        place = self.from_place + round(span * min(done / max(sum(lengths), 1), 1.0))
        return place if place != self.to_place else self.to_place - ((span > 0) - (span < 0))
