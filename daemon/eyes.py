"""How one look at the star is had: an exposure and its measurement, or a rig that draws the result.

The conductor knows only the `Eye`; whether there are pixels behind it is this module's business.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any, Protocol

from daemon.worker import Worker
from drivers.roles import StopSignal
from routines.observations import Method

# A frame takes well under a second on a desktop; learning the mask from the first ones takes far longer, and
# a single-board computer several times as long again.
MEASURE_WITHIN_S = 300.0


@dataclass(frozen=True, slots=True)
class LookRequest:
    """What is to be seen; the position is in the controller's counts, as the frame's header carries it.

    ``earlier_paths`` are the run's frames so far, from which a measurement has learnt the mask.
    """

    number: int
    filter: str
    exposure_s: float
    method: Method
    position_counts: int
    temperature_c: float | None
    earlier_paths: tuple[str, ...] = ()


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


class FrameEye:
    """Looks through a camera and has the worker measure the frame.

    ``expose`` is given exposure, filter, the look's number and the stop signal, and returns the finished
    file.
    """

    def __init__(self, expose: Callable[[float, str, int, StopSignal], Path], worker: Worker) -> None:
        self._expose = expose
        self._worker = worker

    def look(self, request: LookRequest, stop: threading.Event) -> Sight:
        """Expose and measure; raises DeviceError or WorkerError."""
        path = str(self._expose(request.exposure_s, request.filter, request.number, stop))
        measured = self._worker.call(
            "measure", path, request.earlier_paths, request.method, deadline_s=MEASURE_WITHIN_S, stop=stop
        )
        return sight_from(measured, request.method)
