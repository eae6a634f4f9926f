"""How long a look is exposed: chosen per filter from what the earlier looks of the run showed.

A mask frame's core may saturate, its first orders may not; a width frame's star may not either. What would be
too short for the air to average is made of several frames instead. Chosen from journaled looks alone, so that
a resumed run chooses as the uninterrupted one did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

from routines.observations import Method, Observation

# The air's scatter falls as exposure^-1/2 to a floor; under about two seconds it rules (common practice).
LEAST_IN_ALL_S = 2.0
MOST_FRAMES = 20
_TARGET_SHARE = 0.5
_TOLERATED_SHARE = 0.85
_REMEMBERED = 8
# A pixel at saturation may have been meant to be anything above it.
_AFTER_SATURATION = 0.4


@dataclass(frozen=True, slots=True)
class Bounds:
    """A filter's exposure as configured, and how far it may be changed (s)."""

    usual_s: float
    shortest_s: float
    longest_s: float


@dataclass(frozen=True, slots=True)
class Exposure:
    """One look's light: so many frames of so many seconds each."""

    frame_s: float
    frames: int = 1

    @property
    def in_all_s(self) -> float:
        """Return the seconds of light in all."""
        return self.frame_s * self.frames


@dataclass(frozen=True, slots=True)
class ExposureRule:
    """Chooses exposures by filter; ``wanted_electrons`` is the signal that a dim star is exposed for."""

    bounds: Mapping[str, Bounds]
    wanted_electrons: float = 5e4

    def choose(self, filter_name: str, method: Method, looks: Sequence[Observation]) -> Exposure:
        """Return the exposure of the next look; KeyError for a filter that is not configured."""
        bounds = self.bounds[filter_name]
        own = [one for one in looks if one.filter == filter_name and one.method == method]
        frame_s = bounds.usual_s
        wanted = _for_signal_s(own[-_REMEMBERED:], self.wanted_electrons)
        if wanted is not None and wanted > frame_s:
            frame_s = wanted
        longest = _below_saturation_s(own, frame_s)
        if longest is not None:
            frame_s = min(frame_s, longest)
        frame_s = _rounded(min(max(frame_s, bounds.shortest_s), bounds.longest_s))
        if method != "mask" or frame_s >= bounds.usual_s:
            return Exposure(frame_s)
        in_all_s = min(LEAST_IN_ALL_S, bounds.usual_s)
        return Exposure(frame_s, min(MOST_FRAMES, max(1, ceil(in_all_s / frame_s - 1e-9))))


def _below_saturation_s(looks: Sequence[Observation], wanted_s: float) -> float | None:
    """Return the longest frame that keeps what must not saturate below it; None where no look is near it.

    The brightest look of the whole run counts, and an exposure that stays clear of saturation is left alone,
    so that exposures do not flicker.
    """
    rates = []
    for one in looks:
        share = 1.0 if "all_saturated" in one.flags else one.peak_share
        if share is None or not one.exposure_s:
            continue
        frame_s = one.exposure_s / one.frames
        rates.append((share if share < 1.0 else _TARGET_SHARE / _AFTER_SATURATION) / frame_s)
    if not rates or max(rates) * wanted_s <= _TOLERATED_SHARE:
        return None
    return _TARGET_SHARE / max(rates)


def _for_signal_s(recent: Sequence[Observation], wanted_electrons: float) -> float | None:
    """Return the exposure that brings the wanted signal, from the brightest of the recent looks."""
    rates = [
        one.signal_electrons / one.exposure_s for one in recent if one.signal_electrons and one.exposure_s
    ]
    return wanted_electrons / max(rates) if rates else None


def _rounded(seconds: float) -> float:
    """Return the seconds to two figures, downward: cameras and people like round numbers."""
    step = 10.0 ** (floor(log10(seconds)) - 1)
    return round(floor(seconds / step + 1e-9) * step, 6)
