"""What a caller needs of each device, whatever kind it is. Positions here are the controller's own counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from drivers.errors import LimitExceeded


class Clock(Protocol):
    """Paces motion and its deadlines; a simulated one only moves on by sleeping."""

    def now(self) -> datetime:
        """Return the time of day, with its zone."""
        ...

    def monotonic(self) -> float:
        """Return seconds that never run backwards."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let so many seconds pass."""
        ...


class StopSignal(Protocol):
    """Says that work must end now; a ``threading.Event`` is one."""

    def is_set(self) -> bool:
        """Tell whether to stop."""
        ...


class NeverStop:
    """The stop signal that never comes."""

    def is_set(self) -> bool:
        """Return False."""
        return False


@dataclass(frozen=True, slots=True)
class Limits:
    """The soft limits of a focuser, both ends allowed, in the controller's counts."""

    lowest_steps: int
    highest_steps: int

    def __post_init__(self) -> None:
        if self.lowest_steps >= self.highest_steps:
            raise ValueError(f"limits {self.lowest_steps} to {self.highest_steps} steps hold no travel")

    def check(self, target_steps: int, device: str) -> None:
        """Raise LimitExceeded when a target lies outside."""
        if not self.lowest_steps <= target_steps <= self.highest_steps:
            raise LimitExceeded(
                f"{device}: target {target_steps} steps lies outside the limits {self.lowest_steps} to "
                f"{self.highest_steps} steps; nothing was moved"
            )


@dataclass(frozen=True, slots=True)
class Compensation:
    """What the controller itself corrects, as read on connect; None where it cannot be read."""

    backlash_steps: int | None = None
    temperature: bool | None = None

    @property
    def active(self) -> bool:
        """Tell whether any is known to be on."""
        return bool(self.backlash_steps) or bool(self.temperature)


@dataclass(frozen=True, slots=True)
class Reading:
    """A temperature and how old it is."""

    value_c: float
    age_s: float


class Focuser(Protocol):
    """A motor that moves along the optical axis to absolute counts."""

    limits: Limits

    def position_steps(self) -> int:
        """Return the present count."""
        ...

    def move_to(self, target_steps: int, stop: StopSignal = ...) -> int:
        """Move, wait until settled there, and return the count read back."""
        ...

    def halt(self) -> None:
        """Stop the motor now; may be called from any thread."""
        ...

    def temperature_c(self) -> float | None:
        """Return the focuser's own temperature reading, None when it has none."""
        ...

    def close(self) -> None:
        """Let go of the device."""
        ...


class FilterWheel(Protocol):
    """A wheel that puts a filter, by name, into the beam."""

    slots: Mapping[str, int]

    def select(self, name: str, stop: StopSignal = ...) -> None:
        """Turn to a filter and wait until the wheel has settled."""
        ...

    def current(self) -> str | None:
        """Return the filter in the beam, None while there is none."""
        ...

    def halt(self) -> None:
        """Stop the wheel now; may be called from any thread."""
        ...

    def close(self) -> None:
        """Let go of the device."""
        ...


class Camera(Protocol):
    """Something that turns an exposure into a FITS file."""

    def expose(self, exposure_s: float, filter_name: str, stop: StopSignal = ...) -> Path:
        """Take one frame and return the path of its finished file."""
        ...


class Thermometer(Protocol):
    """Something that knows the air's or the tube's temperature."""

    def read(self) -> Reading:
        """Return the latest temperature with its age; SensorFailed when there is none."""
        ...
