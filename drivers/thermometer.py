"""Temperatures: the focuser's own probe, a serial one, or a file that the kernel keeps up to date.

A single reading may be an outlier, so what is given is the median of the last few, with the age of the
newest.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from drivers.device import Device
from drivers.errors import DeviceError, SensorFailed
from drivers.roles import Clock, Reading

LOWEST_C, HIGHEST_C = -60.0, 70.0
# Sensors of the 1-wire kind hold this exact value after power-up, before their first conversion (DS18B20 data
# sheet, "Power-on reset value of the temperature register is +85 C"; from memory).
NOT_CONVERTED_C = 85.0


@dataclass(frozen=True, slots=True)
class FileSource:
    """A file holding one number, as the kernel's hwmon (``temp1_input``) and 1-wire (``temperature``) files.

    Both hold thousandths of a degree Celsius (Linux kernel, Documentation/hwmon/sysfs-interface.rst and
    Documentation/w1/slaves/w1_therm.rst), hence the default scale.
    """

    path: Path
    scale: float = 0.001
    offset_c: float = 0.0

    def read_c(self) -> float:
        """Return the temperature; SensorFailed when the file cannot be read or holds no number."""
        try:
            return float(self.path.read_text("ascii").strip()) * self.scale + self.offset_c
        except (OSError, ValueError) as error:
            raise SensorFailed(f"thermometer {self.path}: no temperature ({error})") from None


@dataclass(frozen=True, slots=True)
class DeviceSource:
    """A described serial thermometer."""

    device: Device

    def read_c(self) -> float:
        """Return the temperature; SensorFailed when the device has none, or a line's error."""
        value = self.device.number("temperature", "temperature")
        if value is None:
            raise SensorFailed(f"{self.device.name} on {self.device.url}: no probe")
        return value


@dataclass(frozen=True, slots=True)
class FocuserSource:
    """A focuser's own probe; give its ``temperature_c`` method."""

    temperature_c: Callable[[], float | None]

    def read_c(self) -> float:
        """Return the temperature; SensorFailed when the focuser has no probe, or a line's error."""
        value = self.temperature_c()
        if value is None:
            raise SensorFailed("the focuser has no temperature probe, or it is unplugged")
        return value


Source = FileSource | DeviceSource | FocuserSource


class MedianThermometer:
    """The median of the last readings of a source, none older than ``oldest_s``."""

    def __init__(self, source: Source, clock: Clock, *, readings: int = 5, oldest_s: float = 300.0) -> None:
        self._source = source
        self._clock = clock
        self._oldest_s = oldest_s
        self._kept: deque[tuple[float, float]] = deque(maxlen=readings)

    def read(self) -> Reading:
        """Take a reading and return the median of those kept; an older one when the source fails just now.

        Raises SensorFailed when none is young enough.
        """
        failure: DeviceError | None = None
        try:
            value = self._source.read_c()
            self._check(value)
            self._kept.append((self._clock.monotonic(), value))
        except DeviceError as error:
            failure = error
        now = self._clock.monotonic()
        young = [(at, value) for at, value in self._kept if now - at <= self._oldest_s]
        if not young:
            raise SensorFailed(f"no temperature for {self._oldest_s:g} s: {failure}") from failure
        return Reading(median(value for _, value in young), now - young[-1][0])

    def _check(self, value_c: float) -> None:
        if not LOWEST_C <= value_c <= HIGHEST_C:
            hint = " (the value of an unconverted sensor)" if value_c == NOT_CONVERTED_C else ""
            raise SensorFailed(f"{value_c:g} C is no air temperature{hint}; are scale and offset right?")
