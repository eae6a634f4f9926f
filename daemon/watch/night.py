"""The night's gates: the Sun's altitude and a window of the clock; and how long the night still lasts.

A gate that will not open within its longest hold says so, and the run ends at once with what it has instead
of waiting through the day.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from daemon.gates import Gate, Level, Levels
from routines.sun import sinks_below_unix_s, sun_altitude_deg

_STRIDE_S = 300.0
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class SunRules:
    """The site and the highest Sun (degrees) under which looks are taken; ``resume_deg`` a little lower."""

    latitude_deg: float
    longitude_deg: float
    highest_deg: float
    resume_deg: float
    longest_hold_s: float


def sun_gate(rules: SunRules, now: Callable[[], datetime]) -> Gate:
    """Return the gate that shuts while the Sun is too high: dusk passes by holding, dawn ends the run."""

    def altitude() -> Level:
        return Level(sun_altitude_deg(now().timestamp(), rules.latitude_deg, rules.longitude_deg))

    def hopeless() -> str | None:
        at = now().timestamp()
        low = sinks_below_unix_s(
            at - _STRIDE_S, rules.resume_deg, rules.latitude_deg, rules.longitude_deg, 2.0 * _DAY_S
        )
        if low is not None and low - at <= rules.longest_hold_s:
            return None
        when = "not within two days" if low is None else f"in {(low - at) / 3600.0:.1f} h"
        return f"it sinks below {rules.resume_deg:g} degrees again {when}, longer than the longest hold"

    levels = Levels("Sun", "degrees", rules.highest_deg, rules.resume_deg, "above", 0.0, rules.longest_hold_s)
    return Gate("sun", levels, altitude, hopeless=hopeless)


@dataclass(frozen=True, slots=True)
class Window:
    """A daily window of the clock on the wall, "HH:MM"; it may pass midnight."""

    begin: str
    end: str
    zone: tzinfo

    def contains(self, moment: datetime) -> bool:
        """Tell whether a moment lies inside."""
        wall = moment.astimezone(self.zone).strftime("%H:%M")
        if self.begin < self.end:
            return self.begin <= wall < self.end
        return wall >= self.begin or wall < self.end

    def until_s(self, moment: datetime, wall: str) -> float:
        """Return the seconds from a moment to the next time that the wall's clock shows ``wall``."""
        here = moment.astimezone(self.zone)
        hour, minute = (int(part) for part in wall.split(":"))
        there = here.replace(hour=hour, minute=minute, second=0, microsecond=0)
        left = there.timestamp() - moment.timestamp()
        if left <= 0.0:
            left = (there + timedelta(days=1)).timestamp() - moment.timestamp()
        return left


def window_gate(window: Window, longest_hold_s: float, now: Callable[[], datetime]) -> Gate:
    """Return the gate that shuts outside the window."""

    def outside() -> Level:
        moment = now()
        wall = moment.astimezone(window.zone).strftime("%H:%M")
        words = f"{wall} is outside {window.begin} to {window.end}, which"
        return Level(0.0 if window.contains(moment) else 1.0, words=words)

    def hopeless() -> str | None:
        left_s = window.until_s(now(), window.begin)
        if left_s <= longest_hold_s:
            return None
        return f"it opens in {left_s / 3600.0:.1f} h, longer than the longest hold"

    levels = Levels("time window", "", 0.5, 0.5, "above", 0.0, longest_hold_s)
    return Gate("window", levels, outside, hopeless=hopeless)


@dataclass(frozen=True, slots=True)
class NightEnd:
    """What limits the night: dawn, a window's end, the clock time at which the star stands too low."""

    sun: SunRules | None = None
    window: Window | None = None
    star_low_at: Window | None = None

    def left_s(self, now: datetime) -> float | None:
        """Return the seconds until the first of them, None where nothing is known to limit the night."""
        left = [self._until_dawn_s(now)] if self.sun is not None else []
        if self.window is not None:
            left.append(self.window.until_s(now, self.window.end))
        if self.star_low_at is not None:
            left.append(self.star_low_at.until_s(now, self.star_low_at.end))
        return min(left) if left else None

    def _until_dawn_s(self, now: datetime) -> float:
        rules = self.sun
        assert rules is not None
        at = now.timestamp()
        gone = 0.0
        while gone < _DAY_S:
            here = sun_altitude_deg(at + gone, rules.latitude_deg, rules.longitude_deg)
            if here > rules.highest_deg and _rising(at + gone, rules):
                return gone
            gone += _STRIDE_S
        return _DAY_S


def _rising(at: float, rules: SunRules) -> bool:
    before, after = (
        sun_altitude_deg(at + shift, rules.latitude_deg, rules.longitude_deg) for shift in (-60.0, 60.0)
    )
    return after > before
