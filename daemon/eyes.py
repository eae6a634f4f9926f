"""How one look at the star is had: an exposure and its measurement, or a rig that draws the result.

The conductor knows only the `Eye`; whether there are pixels behind it is this module's business.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any, Protocol

from routines.observations import Method


@dataclass(frozen=True, slots=True)
class LookRequest:
    """What is to be seen; the position is in the controller's counts, as the frame's header carries it."""

    number: int
    filter: str
    exposure_s: float
    method: Method
    position_counts: int
    temperature_c: float | None


@dataclass(frozen=True, slots=True)
class Sight:
    """What came of a look: the spike error or star width (px) with its u, or None with flags that say why."""

    value_px: float | None
    u_px: float | None
    flags: tuple[str, ...] = ()
    signal_electrons: float | None = None
    time: datetime | None = None
    path: str | None = None


class Eye(Protocol):
    """Anything that can take a look."""

    def look(self, request: LookRequest, stop: threading.Event) -> Sight:
        """Take a look; raises DeviceError or WorkerError."""
        ...


def sight_from(measured: Mapping[str, Any], method: Method) -> Sight:
    """Return the sight in a frame's measurement, given as the fields of ``measure --json``.

    A frame that turns out to be of the other kind (a mask where none should be) has no value here.
    """
    flags = tuple(str(code) for code in measured.get("flags", ()))
    if method == "mask":
        value, u = measured.get("spike_error_px"), measured.get("spike_error_u_px")
    else:
        value, u = measured.get("width_px"), measured.get("width_u_px")
    if value is None or u is None or not (isfinite(value) and isfinite(u)):
        value = u = None
    path = measured.get("path")
    return Sight(
        value_px=value,
        u_px=u,
        flags=flags,
        signal_electrons=measured.get("signal_electrons"),
        path=None if path is None else str(path),
    )
