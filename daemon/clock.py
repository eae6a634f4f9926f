"""The time that everything outside a serial line goes by, so that a night can be run fast.

Deadlines on a real serial line never use this: they use the machine's own monotonic clock.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the daemon needs of a clock; the simulated rig has one of its own that only sleeping moves."""

    def now(self) -> datetime:
        """Return the time of day, with its zone."""
        ...

    def monotonic(self) -> float:
        """Return seconds that never run backwards, from an origin of its own."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let so many seconds pass."""
        ...


class RealClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """Return the time of day in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Return the machine's monotonic seconds."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(max(0.0, seconds))
