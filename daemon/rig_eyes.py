"""Looks on the simulated rig: real frames from its camera, or spike errors that it draws by itself."""

from __future__ import annotations

import threading
from pathlib import Path

from daemon.eyes import LookRequest, Reading, Sight, Words
from drivers.errors import ExposureFailed, Stopped
from drivers.roles import StopSignal
from drivers.simulated.client import ExposureAborted, RigError, SimulatedCamera


def expose_on(
    camera: SimulatedCamera,
    exposure_s: float,
    filter_name: str,
    number: int,
    stop: StopSignal,
    words: Words | None = None,
) -> Path:
    """Take a frame whose noise is drawn by the look's number; raises Stopped or ExposureFailed."""
    try:
        return camera.expose(exposure_s, filter_name, stop, number=number, words=words)
    except ExposureAborted as error:
        raise Stopped(str(error)) from error
    except RigError as error:
        raise ExposureFailed(str(error)) from error


class SurrogateEye:
    """An eye without pixels: the rig draws each spike error or width from a calibrated response."""

    def __init__(self, camera: SimulatedCamera) -> None:
        self._camera = camera

    def take(self, request: LookRequest, stop: threading.Event) -> Reading:
        """Have the rig draw a look; raises Stopped or ExposureFailed."""
        sight = self._drawn(request, stop)
        return lambda: sight

    def _drawn(self, request: LookRequest, stop: threading.Event) -> Sight:
        try:
            drawn = self._camera.look(request.exposure_s, request.filter, stop, number=request.number)
        except ExposureAborted as error:
            raise Stopped(str(error)) from error
        except RigError as error:
            raise ExposureFailed(str(error)) from error
        if drawn["method"] not in (None, request.method):
            other = "no_mask_pattern" if request.method == "mask" else "mask_present"
            return Sight(None, None, (other,))
        return Sight(
            value_px=drawn["value_px"],
            u_px=drawn["u_px"],
            flags=tuple(drawn["flags"]),
            signal_electrons=drawn["signal_electrons"],
            blur_px=drawn.get("blur_px"),
            peak_share=None if drawn.get("peak_share") is None else drawn["peak_share"] / request.frames,
        )
