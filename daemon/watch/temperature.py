"""The temperature's gates: too fast, too far from where the run began, silent, or frozen.

Holding is not always the better choice. When the tube will not calm down before the star, the night or the
longest hold ends, the looks go on and return to known places instead, and the fit takes the drift out; which
of the two is chosen, and why, is said in words.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import pairwise
from math import isinf
from statistics import fmean
from typing import Literal

from daemon.gates import Gate, Level, Levels, Verdict
from routines.observations import Observation
from routines.temperature_rate import Rate, seconds_until_slow, temperature_rate

Choice = Literal["choose", "hold", "interleave"]

# A sensor that used to flicker and no longer does: so many times its usual pause, or its longest so far.
_USUAL_PAUSES = 20.0
_LONGEST_PAUSES = 4.0
_FEWEST_CHANGES = 12
_LEAST_FROZEN_S = 300.0
_HABIT_S = 3600.0
_EVERY_S = 2.0
# How much of the stretch that a rate is taken over must have been seen before anything is foretold from it.
_ENOUGH = 0.8
_CHOOSE_EVERY_S = 30.0


@dataclass(frozen=True, slots=True)
class FocusShift:
    """What a degree does to focus, where a profile knows it: steps per C and the focus zone in steps."""

    steps_per_c: float
    zone_steps: float

    @property
    def zones_per_c(self) -> float:
        """Return the critical focus zones that focus moves for a degree, without sign."""
        return abs(self.steps_per_c) / self.zone_steps


@dataclass(frozen=True, slots=True)
class Rules:
    """When the temperature's gates shut; ``unit`` is "C" or "focus zones" and levels are in it.

    ``over_s`` is the stretch that a rate is taken over. ``time_left_s`` tells how long star and night last,
    None where nothing limits them.
    """

    rate_trip: float
    rate_resume: float
    departure_trip: float | None = None
    departure_resume: float | None = None
    unit: str = "C"
    settle_s: float = 120.0
    longest_hold_s: float = 3600.0
    oldest_s: float = 120.0
    over_s: float = 900.0
    when_fast: Choice = "choose"
    shift: FocusShift | None = None
    time_left_s: Callable[[], float | None] = lambda: None

    @property
    def per_c(self) -> float:
        """Return how much of the unit a degree is."""
        return 1.0 if self.unit == "C" or self.shift is None else self.shift.zones_per_c


class TemperatureWatch:
    """Keeps the readings of the last while: how fast they move, how far they have gone, whether they live."""

    def __init__(self, read: Callable[[], Level], over_s: float, unchanged_s: float | None = None) -> None:
        self._read = read
        self._over_s = over_s
        self._unchanged_s = unchanged_s
        self._readings: deque[tuple[float, float]] = deque()
        self._changes: deque[float] = deque()
        self._latest = Level(None)
        self._read_at_s: float | None = None
        self.reference_c: float | None = None

    def remember(self, earlier: Iterable[tuple[float, float]]) -> None:
        """Take in readings (monotonic s, C) from before this watch: the rate need not be learnt anew."""
        self._readings.extend(sorted(earlier))

    def gone_c(self) -> tuple[float, float] | None:
        """Return how far the temperature is from the first reading, and for how long it was watched (s)."""
        if not self._readings:
            return None
        (first_s, first_c), (last_s, last_c) = self._readings[0], self._readings[-1]
        return last_c - first_c, last_s - first_s

    def note(self, seen: Observation) -> None:
        """Take the first look's temperature as the run's reference."""
        if self.reference_c is None and seen.temperature_c is not None:
            self.reference_c = seen.temperature_c

    def level(self, now_s: float) -> Level:
        """Return the temperature with its age; None for a sensor that has frozen."""
        if self._read_at_s is None or not 0.0 <= now_s - self._read_at_s < _EVERY_S:
            self._read_at_s = now_s
            self._latest = self._read()
            self._keep(now_s, self._latest)
        frozen_s = self._frozen_for_s(now_s)
        if frozen_s is None:
            return self._latest
        words = f"not changed at all for {frozen_s:.0f} s, against its habit: has the sensor frozen?"
        return Level(self._latest.value, max(self._latest.age_s, frozen_s), words=words)

    def rate(self) -> Rate | None:
        """Return how fast the temperature moves (C/h), None while there is too little to tell from."""
        if not self._readings:
            return None
        since_s = self._readings[-1][0] - self._over_s
        return temperature_rate([one for one in self._readings if one[0] >= since_s])

    def calm_in_s(self, slow_c_per_h: float, settle_s: float) -> float | None:
        """Return in how many seconds the rate will have sunk to a level, None where nothing tells yet."""
        if not self._readings or self._readings[-1][0] - self._readings[0][0] < _ENOUGH * self._over_s:
            return None
        return seconds_until_slow(tuple(self._readings), slow_c_per_h, settle_s)

    def _keep(self, now_s: float, level: Level) -> None:
        if level.value is None or level.age_s > _EVERY_S:
            return
        if not self._changes or level.value != self._readings[-1][1]:
            self._changes.append(now_s)
            # The habit is what it was when it last changed: a frozen sensor must not teach a new one.
            while self._changes[0] < now_s - _HABIT_S:
                self._changes.popleft()
        self._readings.append((now_s, level.value))
        while self._readings[0][0] < now_s - max(_HABIT_S, self._over_s):
            self._readings.popleft()

    def _frozen_for_s(self, now_s: float) -> float | None:
        """Return how long nothing has changed at all, where that is against the sensor's habit."""
        if not self._changes:
            return None
        unchanged_s = now_s - self._changes[-1]
        if self._unchanged_s is not None:
            return unchanged_s if unchanged_s > self._unchanged_s else None
        if len(self._changes) < _FEWEST_CHANGES:
            return None
        pauses = [later - earlier for earlier, later in pairwise(self._changes)]
        usual = max(_USUAL_PAUSES * fmean(pauses), _LONGEST_PAUSES * max(pauses), _LEAST_FROZEN_S)
        return unchanged_s if unchanged_s > usual else None


class PaceGate:
    """Shuts while the temperature moves too fast, unless going on is the better choice."""

    def __init__(self, watch: TemperatureWatch, rules: Rules) -> None:
        self._watch, self._rules = watch, rules
        self._now_s = 0.0
        levels = Levels(
            "temperature rate",
            f"{rules.unit}/h",
            rules.rate_trip,
            rules.rate_resume,
            "above",
            rules.settle_s,
            rules.longest_hold_s,
            rules.oldest_s,
        )
        self._gate = Gate("temperature rate", levels, self._level)
        self._chosen: tuple[float, str | None] | None = None

    def judge(self, now_s: float) -> Verdict:
        """Judge the rate; a shut gate counts as open, with the reason, where holding would not help."""
        self._now_s = now_s
        verdict = self._gate.judge(now_s)
        if verdict.open:
            self._chosen = None
            return verdict if self._watch.rate() is not None else replace(verdict, note=self._too_early())
        words = self._choice(now_s, now_s - verdict.since_s)
        return verdict if words is None else replace(verdict, open=True, reason=f"{verdict.reason}; {words}")

    def _choice(self, now_s: float, held_s: float) -> str | None:
        """Return why to go on. To hold is thought over again soon; having gone on, a whole stretch later."""
        if self._chosen is not None:
            at_s, words = self._chosen
            if now_s - at_s < (_CHOOSE_EVERY_S if words is None else self._rules.over_s):
                return words
        self._chosen = (now_s, self._why_go_on(held_s))
        return self._chosen[1]

    def _level(self) -> Level:
        self._watch.level(self._now_s)
        rate, rules = self._watch.rate(), self._rules
        per_c = rules.per_c
        if rate is None:
            return self._least_level()
        words = f"{rate.c_per_h:+.2f} C/h (u {rate.u_c_per_h:.2f}, over {rate.over_s / 60.0:.0f} min)"
        if rules.shift is not None:
            steps = abs(rules.shift.steps_per_c * rate.c_per_h)
            zones = rules.shift.zones_per_c * abs(rate.c_per_h)
            words += f", {steps:.0f} steps/h, {zones:.2f} focus zones/h,"
        # A silent sensor's old rate says nothing; the gate that watches the sensor holds meanwhile.
        return Level(abs(rate.c_per_h) * per_c, 0.0, rate.u_c_per_h * per_c, words)

    def _least_level(self) -> Level:
        """Return the least rate that the readings so far leave open: all that has moved, over the stretch.

        That the sensor is alive is another gate's business.
        """
        gone, rules = self._watch.gone_c(), self._rules
        if gone is None:
            return Level(0.0)
        words = f"{gone[0]:+.2f} C within {gone[1]:.0f} s of the first reading"
        return Level(3600.0 * abs(gone[0]) / rules.over_s * rules.per_c, words=words)

    def _too_early(self) -> str:
        """Return the words that an open gate stands under while no rate is known."""
        gone, rules = self._watch.gone_c(), self._rules
        may_c = rules.rate_trip / rules.per_c * rules.over_s / 3600.0
        seen_s = 0.0 if gone is None else gone[1]
        return (
            f"not known before some two minutes of readings ({seen_s:.0f} s so far); shuts when the "
            f"temperature is {may_c:.1f} C from the first reading"
        )

    def _why_go_on(self, held_s: float) -> str | None:
        """Return why looks that return to known places beat waiting here, None where waiting is better."""
        rules = self._rules
        if rules.when_fast == "hold":
            return None
        if rules.when_fast == "interleave":
            return "going on as told: looks return to known places, and the fit takes the drift out"
        needs_s = self._watch.calm_in_s(rules.rate_resume / rules.per_c, rules.settle_s)
        if needs_s is None:
            return None
        return _better_to_go_on(needs_s, held_s, rules.longest_hold_s, rules.time_left_s())


class DepartureGate:
    """Shuts when the temperature is far from where the run began, unless waiting cannot bring it back."""

    def __init__(self, watch: TemperatureWatch, rules: Rules) -> None:
        assert rules.departure_trip is not None
        self._watch, self._rules = watch, rules
        self._now_s = 0.0
        resume = rules.departure_resume
        levels = Levels(
            "temperature since the run began",
            rules.unit,
            rules.departure_trip,
            rules.departure_trip if resume is None else resume,
            "above",
            rules.settle_s,
            rules.longest_hold_s,
            rules.oldest_s,
        )
        self._gate = Gate("temperature departure", levels, self._level)

    def judge(self, now_s: float) -> Verdict:
        """Judge the distance from the reference."""
        self._now_s = now_s
        verdict = self._gate.judge(now_s)
        if verdict.open or self._rules.when_fast == "hold" or self._coming_back():
            return verdict
        words = "waiting would not bring it back, so the looks go on and the fit takes the drift out"
        return replace(verdict, open=True, reason=f"{verdict.reason}; {words}")

    def _level(self) -> Level:
        read, reference = self._watch.level(self._now_s), self._watch.reference_c
        if read.value is None or reference is None:
            return Level(0.0)
        gone = read.value - reference
        words = f"{gone:+.2f} C"
        if self._rules.shift is not None:
            words += f" ({self._rules.shift.zones_per_c * abs(gone):.2f} focus zones)"
        return Level(abs(gone) * self._rules.per_c, words=words)

    def _coming_back(self) -> bool:
        rate, reference = self._watch.rate(), self._watch.reference_c
        value = self._watch.level(self._now_s).value
        if rate is None or reference is None or value is None or rate.c_per_h == 0.0:
            return False
        sure = abs(rate.c_per_h) > 2.0 * rate.u_c_per_h
        return sure and (value - reference) * rate.c_per_h < 0.0


def sensor_gate(watch: TemperatureWatch, clock_s: Callable[[], float], rules: Rules) -> Gate:
    """Return the gate that shuts when the thermometer is silent, stale, frozen or beyond belief."""

    def read() -> Level:
        level = watch.level(clock_s())
        return Level(None if level.value is None else abs(level.value), level.age_s, words=level.words)

    levels = Levels(
        "temperature",
        "C off zero",
        80.0,
        80.0,
        "above",
        longest_hold_s=rules.longest_hold_s,
        maximum_age_s=rules.oldest_s,
    )
    return Gate("temperature", levels, read)


def _better_to_go_on(
    needs_s: float, held_s: float, longest_hold_s: float, time_left_s: float | None
) -> str | None:
    """Return why a hold of ``needs_s`` more seconds would be the worse choice, None where it is not."""
    calm = "will not calm down" if isinf(needs_s) else f"needs at least {needs_s / 60.0:.0f} min to calm down"
    go_on = "so the looks go on, returning to known places, and the fit takes the drift out"
    if time_left_s is not None and needs_s > time_left_s / 2.0:
        return f"it {calm}, more than half of the {time_left_s / 60.0:.0f} min that are left, {go_on}"
    if needs_s + held_s > longest_hold_s:
        return f"it {calm}, longer than the longest hold ({longest_hold_s / 60.0:.0f} min), {go_on}"
    return None
