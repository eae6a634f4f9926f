"""What can go wrong with a device, named by what the caller should do about it.

Every message says what was attempted, on which device and port, the value with its unit, the likely cause and
the next action; a message about bytes ends with the last bytes both ways.
"""

from __future__ import annotations

from dataclasses import dataclass


class DeviceError(Exception):
    """Anything a device or its description can do wrong; ``code`` is for programs, the text for people."""

    code = "device"


class LinkLost(DeviceError):
    """The line to the device is gone: reconnect, then distrust the position."""

    code = "link_lost"


class PortUnavailable(DeviceError):
    """The port cannot be opened: a person must free it, plug it in, or correct its name or rights."""

    code = "port_unavailable"


class ReplyLate(DeviceError):
    """No reply came before the deadline: a query may be asked again, a command may not."""

    code = "reply_late"


class ReplyInvalid(DeviceError):
    """A reply came that is not one of this request: a query may be asked again, a command may not."""

    code = "reply_invalid"


class Refused(DeviceError):
    """The device understood and said no: do not retry; ``reason`` is its own word for why."""

    code = "refused"

    def __init__(self, message: str, reason: str) -> None:
        super().__init__(message)
        self.reason = reason


class WrongDevice(DeviceError):
    """Something else answers on this port: correct the port or the description."""

    code = "wrong_device"


class LimitExceeded(DeviceError):
    """A target lies outside the soft limits; nothing was moved. Correct the request or the limits."""

    code = "limit"


class MotionFault(DeviceError):
    """The mechanics did not do as told and were halted: a person must look before anything moves again."""

    code = "motion_fault"


class Stopped(DeviceError):
    """The stop signal ended the work; the device was halted."""

    code = "stopped"


class ExposureFailed(DeviceError):
    """No frame came from the camera: see to the camera, then expose again."""

    code = "exposure_failed"


class SensorFailed(DeviceError):
    """A thermometer gave no believable reading: treat the temperature as unknown."""

    code = "sensor_failed"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a description: its key, what is wrong, and an example of the right form."""

    key: str
    what: str
    example: str

    def __str__(self) -> str:
        hint = f"; for example: {self.example}" if self.example else ""
        return f"{self.key}: {self.what}{hint}"


class DescriptionError(DeviceError):
    """A device description is wrong: correct the file. Holds every problem found in it."""

    code = "description"

    def __init__(self, source: str, problems: list[Problem]) -> None:
        super().__init__("\n".join(f"{source}: {problem}" for problem in problems))
        self.source = source
        self.problems = tuple(problems)
