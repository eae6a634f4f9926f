"""What the compensating port needs of a focuser, and the rules by which it moves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from drivers.device import Device
from drivers.roles import Limits, StopSignal
from routines.compensation import Approach


class PortFocuser(Protocol):
    """What the port needs of the focuser behind it."""

    limits: Limits
    fault: str | None

    @property
    def device(self) -> Device:
        """Return the described device."""
        ...

    def position_steps(self) -> int:
        """Return the present count; MotionFault when it has changed unasked."""
        ...

    def count_now(self) -> int:
        """Return the count as it is read just now, in mid-move too."""
        ...

    def move_to(self, target_steps: int, stop: StopSignal = ...) -> int:
        """Move and return the count reached."""
        ...

    def halt(self) -> None:
        """Stop the motor now."""
        ...

    def recover(self) -> None:
        """Come back after a lost link."""
        ...


def _nothing_else_runs() -> str | None:
    return None


def _no_shift() -> int:
    return 0


@dataclass(frozen=True, slots=True)
class PortRules:
    """How the port moves: the approach, the limits of asked places, and what may stand against a move.

    ``refused_because`` gives the reason why nothing may move now, None when it may; ``shift_steps`` what is
    added to every asked place for filter and temperature.
    """

    approach: Approach
    limits: Limits
    refused_because: Callable[[], str | None] = _nothing_else_runs
    shift_steps: Callable[[], int] = _no_shift
