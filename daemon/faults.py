"""Named places at which a test may crash the conductor: "between doing and recording" is a unit test."""

from __future__ import annotations

from typing import Literal, Protocol

Place = Literal["intended", "acted", "answered"]


class Faults(Protocol):
    """Called at each place of each step; a test's version raises where it wants the crash."""

    def reach(self, place: Place, number: int) -> None:
        """Do nothing, or crash."""
        ...


class NoFaults:
    """What runs outside tests."""

    def reach(self, place: Place, number: int) -> None:
        """Do nothing."""
