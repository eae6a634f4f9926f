"""Where the Sun stands, to a few hundredths of a degree: good for twilight, and needs no library.

Source: J. Meeus, Astronomical Algorithms, 2nd ed. (1998): chapter 25, low accuracy (0.01 degrees) for the
position, chapter 12 for sidereal time, equation 13.6 for the altitude. Refraction is left out: twilights are
defined by the geometric altitude.
"""

from __future__ import annotations

from collections.abc import Callable
from math import asin, atan2, cos, degrees, radians, sin

_UNIX_EPOCH_JD = 2_440_587.5
_J2000_JD = 2_451_545.0


def sun_altitude_deg(unix_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Return the Sun's geometric altitude (degrees) at a POSIX time; longitude is positive to the east."""
    days = unix_s / 86_400.0 + _UNIX_EPOCH_JD - _J2000_JD
    right_ascension, declination = _equatorial_rad(days)
    # Meeus (12.4), the terms of the mean sidereal time at Greenwich that matter here.
    sidereal_deg = 280.460_618_37 + 360.985_647_366_29 * days
    hour_angle = radians(sidereal_deg + longitude_deg) - right_ascension
    latitude = radians(latitude_deg)
    sine = sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour_angle)
    return degrees(asin(max(-1.0, min(1.0, sine))))


def _equatorial_rad(days: float) -> tuple[float, float]:
    """Return apparent right ascension and declination (radians) ``days`` after J2000.0."""
    t = days / 36_525.0
    longitude = 280.466_46 + 36_000.769_83 * t + 0.000_303_2 * t * t
    anomaly = radians(357.529_11 + 35_999.050_29 * t - 0.000_153_7 * t * t)
    centre = (
        (1.914_602 - 0.004_817 * t - 0.000_014 * t * t) * sin(anomaly)
        + (0.019_993 - 0.000_101 * t) * sin(2.0 * anomaly)
        + 0.000_289 * sin(3.0 * anomaly)
    )
    node = radians(125.04 - 1934.136 * t)
    apparent = radians(longitude + centre - 0.005_69 - 0.004_78 * sin(node))
    obliquity = radians(23.439_291_1 - 0.013_004_2 * t + 0.002_56 * cos(node))
    right_ascension = atan2(cos(obliquity) * sin(apparent), cos(apparent))
    return right_ascension, asin(sin(obliquity) * sin(apparent))


def sinks_below_unix_s(
    after_unix_s: float, below_deg: float, latitude_deg: float, longitude_deg: float, within_s: float
) -> float | None:
    """Return the first moment after ``after_unix_s`` at which the Sun sinks through an altitude.

    None when that does not happen within ``within_s`` (polar day or night). Found to a second.
    """
    stride = 600.0

    def excess(at: float) -> float:
        return sun_altitude_deg(at, latitude_deg, longitude_deg) - below_deg

    here, above = after_unix_s, excess(after_unix_s) > 0.0
    while here < after_unix_s + within_s:
        there = here + stride
        above_there = excess(there) > 0.0
        if above and not above_there:
            return _bisected(excess, here, there)
        here, above = there, above_there
    return None


def _bisected(excess: Callable[[float], float], low: float, high: float) -> float:
    while high - low > 0.5:
        middle = (low + high) / 2.0
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return high
