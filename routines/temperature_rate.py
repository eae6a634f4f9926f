"""How fast the temperature moves, told apart from a sensor's noise and from the steps it counts in.

Pure Python on purpose: the service asks before every look and loads no numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, log, sqrt
from statistics import fmean, median

BIN_S = 30.0
_FEWEST_BINS = 4
_MOST_BINS = 40
# The slope by medians of pairs spreads a little more than least squares does on clean noise: its asymptotic
# efficiency for Gaussian noise is 3/pi (Sen 1968, J. Am. Stat. Assoc. 63, 1379).
_EFFICIENCY = 0.955
_MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate of change (C/h) with its standard uncertainty, and the stretch of time (s) that it rests on."""

    c_per_h: float
    u_c_per_h: float
    over_s: float


def temperature_rate(readings: Sequence[tuple[float, float]]) -> Rate | None:
    """Return the rate in (time in s, temperature in C) readings, in order; None where they are too few.

    The median of the slopes of all pairs (Theil 1950, Sen 1968) of 30 s means, so that single wrong readings
    do not count. The uncertainty joins the scatter about that line with the readings' resolution: what a
    sensor rounds to one step may be anywhere inside it at both ends.
    """
    bins = _binned(readings)
    if len(bins) < _FEWEST_BINS:
        return None
    span = bins[-1][0] - bins[0][0]
    slope = median(
        (later[1] - earlier[1]) / (later[0] - earlier[0])
        for index, earlier in enumerate(bins)
        for later in bins[index + 1 :]
    )
    rest = [value - slope * at for at, value in bins]
    middle = median(rest)
    sigma = _MAD_TO_SIGMA * median(abs(value - middle) for value in rest)
    # Least squares on n evenly spaced values: u(slope)^2 = 12 sigma^2 / (n span^2) for large n.
    by_noise = sigma * sqrt(12.0 / (len(bins) * _EFFICIENCY)) / span
    by_steps = resolution_c([value for _, value in readings]) / sqrt(6.0) / span
    return Rate(3600.0 * slope, 3600.0 * hypot(by_noise, by_steps), span)


def resolution_c(values: Sequence[float]) -> float:
    """Return the step that the values come in, 0 where they look continuous.

    Values whose differences are all whole multiples of the smallest one come in steps of it; when all are
    alike nothing tells how large the step is.
    """
    distinct = sorted({round(value, 6) for value in values})
    gaps = [high - low for low, high in pairwise(distinct)]
    if not gaps:
        return 0.0
    step = min(gaps)
    return step if all(abs(gap / step - round(gap / step)) < 0.01 for gap in gaps) else 0.0


def seconds_until_slow(
    readings: Sequence[tuple[float, float]], slow_c_per_h: float, settle_s: float
) -> float | None:
    """Return in how many seconds at least the rate will have sunk to a level, None where nothing tells yet.

    A tube that comes out into the cold loses its excess exponentially (Newton's law of cooling), so the rates
    of the earlier and the later half of the readings tell the time constant. What the readings leave open is
    taken at its best, by one standard uncertainty; a rate that even then does not sink gives infinity.
    """
    if not readings:
        return None
    middle_s = (readings[0][0] + readings[-1][0]) / 2.0
    halves = (
        temperature_rate([one for one in readings if one[0] <= middle_s]),
        temperature_rate([one for one in readings if one[0] >= middle_s]),
    )
    earlier, later = halves
    if earlier is None or later is None:
        return None
    first, second = abs(earlier.c_per_h) + earlier.u_c_per_h, abs(later.c_per_h) - later.u_c_per_h
    if second <= slow_c_per_h:
        return settle_s
    if first <= second:
        return float("inf")
    constant_s = (readings[-1][0] - readings[0][0]) / 2.0 / log(first / second)
    return constant_s * log(second / max(slow_c_per_h, 1e-6)) + settle_s


def _binned(readings: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the means of the readings in stretches of 30 s, longer ones where there would be many."""
    if not readings:
        return []
    width_s = max(BIN_S, (readings[-1][0] - readings[0][0]) / _MOST_BINS)
    bins: dict[int, list[tuple[float, float]]] = {}
    for at, value in readings:
        bins.setdefault(int(at // width_s), []).append((at, value))
    return [(fmean(at for at, _ in one), fmean(value for _, value in one)) for _, one in sorted(bins.items())]
