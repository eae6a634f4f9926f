"""How one look at the star is had: an exposure and its measurement, or a rig that draws the result.

The conductor knows only the `Eye`; whether there are pixels behind it is this module's business.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import isfinite, sqrt
from pathlib import Path
from statistics import fmean
from typing import Any, Protocol

from daemon.worker import Worker
from drivers.roles import StopSignal
from routines.observations import Method, Observation

# A frame takes well under a second on a desktop; learning the mask from the first ones takes far longer, and
# a single-board computer several times as long again.
MEASURE_WITHIN_S = 300.0
# Further frames of a look are numbered far beyond any run's looks.
_NUMBERS_APART = 1_000_000


EarlierFrame = tuple[str, Method]
"""A frame's path and what it was taken for."""


def frames_of(looks: Iterable[Observation]) -> tuple[EarlierFrame, ...]:
    """Return the frames of a run's looks, in order."""
    return tuple((seen.path, seen.method) for seen in looks if seen.path is not None)


@dataclass(frozen=True, slots=True)
class LookRequest:
    """What is to be seen; the position is in the controller's counts, as the frame's header carries it.

    ``earlier`` are the run's frames so far, from which a measurement has learnt the mask. The exposure
    is made of so many ``frames`` of equal length; a look ``aside`` is none of the run's and teaches nothing.
    ``words`` go into the header of a frame of our own making (`drivers.header`): how the place was reached.
    """

    number: int
    filter: str
    exposure_s: float
    method: Method
    position_counts: int
    temperature_c: float | None
    earlier: tuple[EarlierFrame, ...] = ()
    frames: int = 1
    aside: bool = False
    words: Mapping[str, float | bool] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sight:
    """What came of a look: the spike error or star width (px) with its u, or None with flags that say why."""

    value_px: float | None
    u_px: float | None
    flags: tuple[str, ...] = ()
    signal_electrons: float | None = None
    time: datetime | None = None
    path: str | None = None
    blur_px: float | None = None
    peak_share: float | None = None


Reading = Callable[[], Sight]
"""Waits for the measurement of a look that was taken, and returns its sight; raises WorkerError."""


class Eye(Protocol):
    """Anything that can take a look."""

    def take(self, request: LookRequest, stop: threading.Event) -> Reading:
        """Take a look, and return how to have it read; raises DeviceError.

        Once it has returned, the rig may move; no further look is taken before this one has been read.
        """
        ...


def sight_from(measured: Mapping[str, Any], method: Method) -> Sight:
    """Return the sight in a frame's measurement, given as the fields of ``measure --json``.

    A frame that turns out to be of the other kind (a mask where none should be) has no value here.
    """
    flags = tuple(str(code) for code in measured.get("flags", ()))
    if method == "mask":
        value, u = measured.get("spike_error_px"), measured.get("spike_error_u_px")
        blur = measured.get("width_px")
    else:
        blur = None
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
        blur_px=blur,
        peak_share=measured.get("peak_share"),
    )


def joined(sights: Sequence[Sight]) -> Sight:
    """Return several frames of one look as one: values averaged, light added, the first one's path.

    A frame without a value is left out while others have one; each u is of that frame alone, and what they
    share (the air's slow part) does not shrink below the best frame's by more than their number allows.
    """
    if len(sights) == 1:
        return sights[0]
    good = [one for one in sights if one.value_px is not None and one.u_px is not None]
    if not good:
        return replace(sights[0], path=sights[0].path)
    values = [one.value_px for one in good if one.value_px is not None]
    variances = [one.u_px**2 for one in good if one.u_px is not None]
    light = [one.signal_electrons for one in sights if one.signal_electrons is not None]
    peaks = [one.peak_share for one in sights if one.peak_share is not None]
    return replace(
        good[0],
        value_px=fmean(values),
        u_px=sqrt(sum(variances)) / len(good),
        flags=tuple(dict.fromkeys(flag for one in good for flag in one.flags)),
        signal_electrons=sum(light) if light else None,
        path=sights[0].path,
        peak_share=max(peaks) if peaks else None,
    )


Words = Mapping[str, float | bool]
Expose = Callable[[float, str, int, StopSignal, Words], Path]
"""Given exposure, filter, the look's number, the stop signal and words for the header: the finished file."""


class FrameEye:
    """Looks through a camera and has the worker measure the frame."""

    def __init__(self, expose: Expose, worker: Worker) -> None:
        self._expose = expose
        self._worker = worker

    def take(self, request: LookRequest, stop: threading.Event) -> Reading:
        """Expose every frame of the look; raises DeviceError."""
        paths = [self._exposed(request, index, stop) for index in range(request.frames)]
        return lambda: joined(
            [self._measured(path, request, stop, index) for index, path in enumerate(paths)]
        )

    def _exposed(self, request: LookRequest, index: int, stop: threading.Event) -> str:
        number = request.number + index * _NUMBERS_APART
        exposure_s = request.exposure_s / request.frames
        return str(self._expose(exposure_s, request.filter, number, stop, request.words))

    def _measured(self, path: str, request: LookRequest, stop: threading.Event, index: int) -> Sight:
        """Measure one of the look's frames; only the first is kept as the look's own."""
        aside = request.aside or index > 0
        measured = self._worker.call(
            "measure_aside" if aside else "measure",
            path,
            request.earlier,
            request.method,
            deadline_s=MEASURE_WITHIN_S,
            stop=stop,
        )
        return sight_from(measured, request.method)
