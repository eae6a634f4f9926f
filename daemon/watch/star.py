"""The star's gates: dimmed by cloud, gone, its mask on or off against the routine's need, and dew.

They go by the looks themselves. While one is shut only further looks can open it; those are taken at the same
place, are no part of the run's observations, and only tell whether the star is back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, log
from statistics import median

from daemon.gates import Gate, Level, Levels, Verdict
from routines.observations import Method, Observation

_GONE = frozenset({"no_star", "too_faint", "no_signal"})
_WRONG_MASK: Mapping[Method, str] = {"mask": "no_mask_pattern", "width": "mask_present"}
# A band that was never seen is expected at no less than this share of what its width promises: coatings,
# optics and sensor all pass less at the ends of the spectrum.
_LEAST_BY_WIDTH = 0.2
_FEWEST_ELECTRONS = 5e3
_BRIGHTEST = 3
_WRONG_LOOKS = 2


class StarWatch:
    """The star's brightness (electrons a second) as a share of its best in the same filter."""

    def __init__(self, widths_nm: Mapping[str, float], method: Method = "mask") -> None:
        self._widths_nm = widths_nm
        self._method = method
        self._rates: dict[str, list[float]] = {}
        self._places: tuple[float, float] | None = None
        self._share: float | None = None
        self._wrong_mask = 0

    def note(self, seen: Observation) -> None:
        """Take in a look, or a glimpse taken while holding."""
        self._method = seen.method
        if seen.signal_electrons and seen.exposure_s:
            self._note_brightness(seen, seen.signal_electrons / seen.exposure_s)
        elif _GONE.intersection(seen.flags) and self._expected(seen):
            self._share = 0.0
        self._note_mask(seen)

    def brightness(self) -> Level:
        """Return the share of the best; an unseen star's is 0, and before the first look all is well."""
        if self._share is None:
            return Level(1.0)
        return Level(self._share, words="none is seen, which" if self._share == 0.0 else "")

    def mask_as_needed(self) -> Level:
        """Return 1 while the frames show what the routine needs, 0 once they repeatedly do not."""
        return Level(
            0.0 if self._wrong_mask >= _WRONG_LOOKS else 1.0,
            words="no mask's pattern is seen, which" if self._method == "mask" else "a mask is seen, which",
        )

    def _note_brightness(self, seen: Observation, rate: float) -> None:
        rates = self._rates.setdefault(seen.filter, [])
        if seen.measured:
            rates.append(rate)
            rates.sort(reverse=True)
            del rates[_BRIGHTEST:]
            low, high = self._places or (seen.position_steps, seen.position_steps)
            self._places = (min(low, seen.position_steps), max(high, seen.position_steps))
        best = self._best(seen.filter)
        self._share = None if best is None else rate / best

    def _note_mask(self, seen: Observation) -> None:
        if seen.measured:
            self._wrong_mask = 0
        elif _WRONG_MASK[seen.method] in seen.flags and self._expected(seen):
            self._wrong_mask += 1

    def _best(self, name: str) -> float | None:
        """Return a filter's best brightness: the middle of its brightest three, as one may be wrong."""
        rates = self._rates.get(name)
        return median(rates) if rates else None

    def _expected(self, seen: Observation) -> bool:
        """Tell whether the star should have been seen: the place is among good ones, the filter passes."""
        if self._places is None or seen.exposure_s is None:
            return False
        low, high = self._places
        margin = 0.5 * (high - low)
        if not low - margin <= seen.position_steps <= high + margin:
            return False
        best = self._best(seen.filter)
        if best is None:
            best = _LEAST_BY_WIDTH * self._by_width(seen.filter)
        return best * seen.exposure_s > _FEWEST_ELECTRONS

    def _by_width(self, name: str) -> float:
        """Return what a filter's width promises, from the filters that were seen."""
        per_nm = [
            best / self._widths_nm[other]
            for other in self._rates
            if other in self._widths_nm and (best := self._best(other)) is not None
        ]
        return median(per_nm) * self._widths_nm.get(name, 0.0) if per_nm else 0.0


def brightness_gate(watch: StarWatch, levels: Levels) -> Gate:
    """Return the gate of the star's brightness."""
    return Gate("star", levels, watch.brightness, wants_looks=True)


def mask_gate(watch: StarWatch, settle_s: float, longest_hold_s: float) -> Gate:
    """Return the gate that shuts when a mask is missing, or on where none should be."""
    levels = Levels("mask (put it as the run needs it)", "of 1", 0.5, 0.5, "below", settle_s, longest_hold_s)
    return Gate("mask", levels, watch.mask_as_needed, wants_looks=True)


@dataclass(frozen=True, slots=True)
class DewRules:
    """Light lost (share) and halo grown (share of its width) that count as dew, steadily over ``over_s``."""

    loss_share: float = 0.3
    growth_share: float = 0.1
    over_s: float = 1200.0


class DewGate:
    """Ends the run when light is lost slowly, one way only, while the star's halo grows.

    A cloud passes and comes back; extinction dims without a halo; seeing broadens without a loss. Dew on a
    lens does both at once and does not go by itself, so nothing is gained by holding for hours.
    """

    name = "dew"
    _FEWEST = 12
    _ONE_WAY = 0.6

    def __init__(self, rules: DewRules) -> None:
        self._rules = rules
        self._first: dict[str, tuple[float, float]] = {}
        self._looks: list[tuple[float, float, float]] = []

    def note(self, seen: Observation) -> None:
        """Take in a look that tells both light and halo."""
        if None in (seen.signal_electrons, seen.exposure_s, seen.blur_px, seen.time_s) or not seen.measured:
            return
        assert seen.signal_electrons and seen.exposure_s and seen.blur_px and seen.time_s is not None
        light, halo = seen.signal_electrons / seen.exposure_s, seen.blur_px
        if seen.filter not in self._first:
            # What a filter began with is compared with what the others had become by then.
            left, grown = self._latest()
            self._first[seen.filter] = (light / left, halo / grown)
        first_light, first_halo = self._first[seen.filter]
        self._looks.append((seen.time_s, log(light / first_light), log(halo / first_halo)))

    def judge(self, now_s: float) -> Verdict:
        """Judge; dew ends the run."""
        words = self._words()
        ends = None if words is None else ("dew", words)
        return Verdict(self.name, words is None, words or "", now_s, 0.0, ends)

    def _latest(self) -> tuple[float, float]:
        recent = self._looks[-5:]
        if not recent:
            return 1.0, 1.0
        return exp(median(look[1] for look in recent)), exp(median(look[2] for look in recent))

    def _words(self) -> str | None:
        rules = self._rules
        if len(self._looks) < self._FEWEST or self._looks[-1][0] - self._looks[0][0] < rules.over_s:
            return None
        recent = [look for look in self._looks if look[0] >= self._looks[-1][0] - 3.0 * rules.over_s]
        if len(recent) < self._FEWEST:
            return None
        third = len(recent) // 3
        lost = 1.0 - exp(_middle(recent[-third:], 1) - _middle(recent[:third], 1))
        grown = exp(_middle(recent[-third:], 2) - _middle(recent[:third], 2)) - 1.0
        if lost < rules.loss_share or grown < rules.growth_share:
            return None
        if _one_way(recent, 1) > -self._ONE_WAY or _one_way(recent, 2) < self._ONE_WAY / 2.0:
            return None
        return (
            f"dew: the star lost {100.0 * lost:.0f} % of its light, slowly and one way only, while its halo "
            f"grew by {100.0 * grown:.0f} %. Warm the objective or the corrector; waiting does not help"
        )


def _middle(looks: list[tuple[float, float, float]], index: int) -> float:
    return median(look[index] for look in looks)


def _one_way(looks: list[tuple[float, float, float]], index: int) -> float:
    """Return Kendall's tau against time: +1 where it only ever rises, -1 where it only ever falls.

    Kendall (1938), Biometrika 30, 81.
    """
    signs = [
        (later[index] > earlier[index]) - (later[index] < earlier[index])
        for number, earlier in enumerate(looks)
        for later in looks[number + 1 :]
    ]
    return sum(signs) / len(signs)
