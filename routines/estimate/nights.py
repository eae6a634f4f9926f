"""The temperature coefficient from crossings gathered over nights.

Both readings err: the crossing and the thermometer. Each night keeps a level of its own, because position
zero, the star and the fitting of the camera may change between nights; nights are compared before they are
believed together. The straight line with errors in both variables is York's (Can. J. Phys. 44, 1079, 1966).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.linear import straight_line
from routines.estimate.play import Array, Index
from routines.estimate.robust import OUTLIER_SHARE, mixture, settled_scatter
from routines.estimate.systematic import widened
from routines.estimate.temperature import smooth_temperature
from routines.flags import Flag, flag
from routines.quantity import Quantity

FIELD = "temperature_coefficient_steps_per_c"
ROUNDS = 12
GRID = np.linspace(-1.0, 1.0, 41)
# Chance below which nights are said to disagree, or a lag to show.
DOUBT = 1e-3
# With fewer crossings beyond the unknowns than this, any curve fits: a lag cannot show.
LEAST_SPARE = 2.0


@dataclass(frozen=True, slots=True)
class NightCrossing:
    """One crossing (steps, of one filter and branch) with the temperature read then, both with standard u."""

    night: str
    crossing_steps: float
    u_steps: float
    temperature_c: float
    u_temperature_c: float = 0.0
    time_s: float | None = None


@dataclass(frozen=True, slots=True)
class NightsFit:
    """What the nights tell together.

    ``levels_steps`` holds each night's crossing at ``reference_c``. ``lag_s`` is how far the tube follows
    behind the thermometer (negative: the thermometer follows the tube), where the nights show one.
    """

    coefficient_steps_per_c: Quantity | None = None
    levels_steps: dict[str, Quantity] | None = None
    reference_c: float | None = None
    valid_from_c: float | None = None
    valid_to_c: float | None = None
    lag_s: Quantity | None = None
    scatter_steps: float | None = None
    outliers: tuple[int, ...] = ()
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True)
class _Data:
    """Arrays (n) of crossings and temperatures (less the reference), and one more column (n) to fit."""

    y: Array
    u: Array
    x: Array
    v: Array
    group: Index
    groups: int
    extra: Array | None
    scatter2: float
    good: Array

    def weights(self, alpha: float) -> Array:
        """Return each row's weight (n): belief over the variance of both errors at this slope."""
        weight: Array = self.good / (self.u**2 + (alpha * self.v) ** 2 + self.scatter2)
        return weight


@dataclass(frozen=True, slots=True)
class _Line:
    """The best slope with the chi-square there, levels (groups), extra coefficients, residuals."""

    alpha: float
    squares: float
    levels: Array
    extra: float
    residuals: Array
    curvature: float


def fit_nights(
    crossings: Sequence[NightCrossing], reference_c: float | None = None, *, lag_u_s: float = 0.0
) -> NightsFit:
    """Return the temperature coefficient (steps per deg C) common to the nights, with its valid range.

    Crossings must be of one filter and branch. ``lag_u_s`` is the standard deviation of what is believed
    about how far tube and thermometer may be behind each other: it widens the coefficient where no lag shows.
    What the nights cannot tell is None with a flag.
    """
    if len(crossings) < 3:
        return NightsFit(flags=(flag("not_identifiable", FIELD, "fewer than three crossings"),))
    data, names, reference = _gathered(crossings, reference_c)
    if not _temperature_moved(data):
        return NightsFit(flags=(flag("temperature_constant", FIELD),), reference_c=reference)
    data = _settled(data)
    line = _best_line(data)
    flags: list[Flag] = []
    lag = _lag(crossings, data, line)
    if lag is not None:
        data, line, lag_s = lag
        flags.append(flag("thermometer_lag", FIELD, _lag_words(lag_s)))
    coefficient = _interval(data, line)
    if coefficient is None:
        reason = "the nights' temperatures differ too little from their own errors"
        return NightsFit(flags=(flag("not_identifiable", FIELD, reason),), reference_c=reference)
    spread = _between_nights(data, line)
    if spread is not None:
        coefficient = spread
        flags.append(flag("nights_disagree", FIELD))
    if lag is None:
        coefficient = widened(coefficient, lag_u_s * abs(_by_lag(crossings, data, line))) or coefficient
    temperatures = [item.temperature_c for item in crossings]
    outliers = tuple(int(k) for k in np.flatnonzero(data.good < 0.5))
    flags += [flag("outlier", f"crossing {k}", f"the crossing of {crossings[k].night}") for k in outliers]
    return NightsFit(
        coefficient_steps_per_c=coefficient,
        levels_steps=_levels(data, line, coefficient, names),
        reference_c=reference,
        valid_from_c=min(temperatures),
        valid_to_c=max(temperatures),
        lag_s=lag[2] if lag is not None else None,
        scatter_steps=data.scatter2**0.5,
        outliers=outliers,
        flags=tuple(flags),
    )


def _gathered(
    crossings: Sequence[NightCrossing], reference_c: float | None
) -> tuple[_Data, tuple[str, ...], float]:
    names = tuple(dict.fromkeys(item.night for item in crossings))
    x = np.array([item.temperature_c for item in crossings])
    reference = float(np.median(x)) if reference_c is None else reference_c
    data = _Data(
        y=np.array([item.crossing_steps for item in crossings]),
        u=np.array([item.u_steps for item in crossings]),
        x=x - reference,
        v=np.array([item.u_temperature_c for item in crossings]),
        group=np.array([names.index(item.night) for item in crossings], dtype=np.intp),
        groups=len(names),
        extra=None,
        scatter2=0.0,
        good=np.ones(len(crossings)),
    )
    return data, names, reference


def _temperature_moved(data: _Data) -> bool:
    """Tell whether the temperature moved within nights by more than its own errors."""
    moved = data.x - (np.bincount(data.group, data.x) / np.bincount(data.group))[data.group]
    return bool(np.sum(moved**2) > 1.5 * np.sum(data.v**2) + 1e-12)


@dataclass(frozen=True, slots=True)
class _Profile:
    """At slopes (a): chi-squares (a), levels (a, groups), extra coefficients (a), residuals (a, n)."""

    squares: Array
    levels: Array
    extra: Array
    residuals: Array


def _profile(data: _Data, alphas: Array) -> _Profile:
    """Solve for everything but the slope, at many slopes at once."""
    slope = np.asarray(alphas, dtype=float)[:, None]
    weight = data.good / (data.u**2 + (slope * data.v) ** 2 + data.scatter2)
    weight = np.maximum(weight, 1e-12 * np.max(weight))
    member = (data.group[:, None] == np.arange(data.groups)).astype(float)
    total = weight @ member

    def means(values: Array) -> Array:
        mean: Array = ((weight * values) @ member) / total
        return mean

    y = data.y - slope * data.x
    coefficient = np.zeros(len(slope))
    if data.extra is not None:
        own = data.extra - means(np.broadcast_to(data.extra, weight.shape))[:, data.group]
        left = y - means(y)[:, data.group]
        coefficient = np.sum(weight * own * left, axis=1) / np.maximum(
            np.sum(weight * own**2, axis=1), 1e-300
        )
        y = y - coefficient[:, None] * data.extra
    levels = means(y)
    residuals = y - levels[:, data.group]
    return _Profile(np.sum(weight * residuals**2, axis=1), levels, coefficient, residuals)


def _squares(data: _Data, alpha: float) -> float:
    return float(_profile(data, np.array([alpha])).squares[0])


def _best_line(data: _Data) -> _Line:
    """Return York's line: the slope that makes the chi-square of both errors least."""
    centre, width = _first_slope(data)
    for _ in range(6):
        grid = centre + width * GRID
        best = int(np.argmin(_profile(data, grid).squares))
        centre = float(grid[best])
        if 0 < best < len(grid) - 1:
            width *= 0.1
    _, uncertainty = _first_slope(data, centre)
    step = 0.1 * uncertainty
    near = _profile(data, np.array([centre - step, centre, centre + step]))
    curvature = 0.5 * float(near.squares[0] + near.squares[2] - 2.0 * near.squares[1]) / step**2
    return _Line(
        alpha=centre,
        squares=float(near.squares[1]),
        levels=near.levels[1],
        extra=float(near.extra[1]),
        residuals=near.residuals[1],
        curvature=max(curvature, 1e-300),
    )


def _first_slope(data: _Data, alpha: float = 0.0) -> tuple[float, float]:
    """Return the slope by plain weighted least squares, and its uncertainty times three for a search."""
    weight = data.weights(alpha)
    total = np.maximum(np.bincount(data.group, weight, data.groups), 1e-300)
    x = data.x - (np.bincount(data.group, weight * data.x, data.groups) / total)[data.group]
    y = data.y - (np.bincount(data.group, weight * data.y, data.groups) / total)[data.group]
    information = max(float(np.sum(weight * x**2)), 1e-300)
    slope = float(np.sum(weight * x * y)) / information
    return slope, max(3.0 * information**-0.5, 0.3 * abs(slope))


def _settled(data: _Data) -> _Data:
    """Return the data with scatter beyond their own errors, and with beliefs, both at rest."""
    width = 3.0 * float(np.ptp(data.y)) + 1e-9
    one = np.zeros(len(data.y), dtype=np.intp)
    for _ in range(ROUNDS):
        line = _best_line(data)
        own = np.hypot(data.u, line.alpha * data.v)
        scatter2 = float(settled_scatter(line.residuals, data.good, own, one, 1, data.groups + 1.0)[0])
        variance = np.maximum(own**2 + scatter2, (1e-9 * width) ** 2)
        _, good = mixture(line.residuals, variance, OUTLIER_SHARE, width)
        at_rest = abs(scatter2 - data.scatter2) < 1e-3 * float(np.mean(variance))
        data = replace(data, scatter2=scatter2, good=good)
        if at_rest:
            break
    return data


def _coverage_factor(data: _Data, spent: float) -> float:
    """Return the two-sided 95 % factor: normal where the errors explain the scatter, else Student's."""
    from scipy.special import stdtrit

    free = max(float(np.sum(data.good)) - spent, 1.0)
    return 1.959964 if data.scatter2 == 0.0 and free > 2.0 else float(stdtrit(free, 0.975))


def _interval(data: _Data, line: _Line) -> Quantity | None:
    """Return the slope with its profile interval; None where the profile does not close."""
    factor = _coverage_factor(data, data.groups + 1.0 + (data.extra is not None))
    u = line.curvature**-0.5

    def edge(sign: float) -> float | None:
        inside = line.alpha
        outside: float = line.alpha + sign * factor * u
        for _ in range(12):
            if _squares(data, outside) - line.squares >= factor**2:
                break
            outside = line.alpha + 1.6 * (outside - line.alpha)
        else:
            return None
        for _ in range(24):
            middle = 0.5 * (inside + outside)
            within = _squares(data, middle) - line.squares < factor**2
            inside, outside = (middle, outside) if within else (inside, middle)
        return outside

    low, high = edge(-1.0), edge(1.0)
    if low is None or high is None:
        return None
    return Quantity(line.alpha, u, low, high)


def _between_nights(data: _Data, line: _Line) -> Quantity | None:
    """Return the mean over nights where their own slopes disagree beyond doubt, else None.

    Each night is judged by the scatter about its own line: that about the common one already holds the
    disagreement.
    """
    weight = data.good / (data.u**2 + (line.alpha * data.v) ** 2 + 1e-300)
    slopes, information, squares, free = [], [], 0.0, 0.0
    for night in range(data.groups):
        rows = (data.group == night) & (data.good > 0.5)
        if np.sum(rows) < 3 or np.ptp(data.x[rows]) == 0.0:
            continue
        own = straight_line(data.x[rows], data.y[rows], weight[rows] ** -0.5)
        slopes.append(own.slope)
        information.append(own.u_slope**-2)
        squares += float(np.sum(weight[rows] * own.residuals**2))
        free += own.degrees_of_freedom
    if len(slopes) < 2:
        return None
    return _mean_of_disagreeing(np.array(slopes), np.array(information) / max(squares / free, 1.0))


def _mean_of_disagreeing(found: Array, precision: Array) -> Quantity | None:
    """Return the random-effects mean (DerSimonian and Laird 1986); None where the slopes agree."""
    from scipy.special import chdtrc, stdtrit

    mean = float(np.average(found, weights=precision))
    squares, free = float(np.sum(precision * (found - mean) ** 2)), len(found) - 1
    if chdtrc(free, squares) > DOUBT:
        return None
    spare = float(np.sum(precision) - np.sum(precision**2) / np.sum(precision))
    between2 = max((squares - free) / spare, 0.0)
    weight = 1.0 / (1.0 / precision + between2)
    mean = float(np.average(found, weights=weight))
    u = float(np.sum(weight * (found - mean) ** 2) / (free * np.sum(weight))) ** 0.5
    return Quantity.gaussian(mean, u, float(stdtrit(free, 0.975)))


def _levels(data: _Data, line: _Line, alpha: Quantity, names: Sequence[str]) -> dict[str, Quantity]:
    weight = data.weights(line.alpha)
    total = np.maximum(np.bincount(data.group, weight, data.groups), 1e-300)
    centre = np.bincount(data.group, weight * data.x, data.groups) / total
    u = np.sqrt(1.0 / total + (centre * (alpha.u or 0.0)) ** 2)
    factor = _coverage_factor(data, data.groups + 1.0)
    return {
        name: Quantity.gaussian(float(line.levels[k]), float(u[k]), factor) for k, name in enumerate(names)
    }


def _lag(
    crossings: Sequence[NightCrossing], data: _Data, plain: _Line
) -> tuple[_Data, _Line, Quantity] | None:
    """Return the fit with a first-order lag where that is beyond doubt: x becomes x - lag * dx/dt."""
    rate = _rates(crossings, data)
    if rate is None:
        return None
    lagged = replace(data, extra=rate)
    line = _best_line(lagged)
    gain = plain.squares - line.squares
    free = float(np.sum(data.good)) - data.groups - 2.0
    if free < LEAST_SPARE or line.squares <= 0.0:
        return None
    # Scatter that the plain line needed may be the lag itself, so the lagged line is judged by its own.
    own = line.squares / free if data.scatter2 > 0.0 else max(line.squares / free, 1.0)
    if _chance(gain / own, free) > DOUBT or line.alpha == 0.0:
        return None
    lagged = _settled(lagged)
    line = _best_line(lagged)
    weight = lagged.weights(line.alpha)
    moved = rate - (np.bincount(data.group, weight * rate) / np.bincount(data.group, weight))[data.group]
    u = float(np.sum(weight * moved**2)) ** -0.5 / abs(line.alpha)
    value = -line.extra / line.alpha
    return lagged, line, Quantity.gaussian(value, u, _coverage_factor(lagged, data.groups + 2.0))


def _by_lag(crossings: Sequence[NightCrossing], data: _Data, line: _Line) -> float:
    """Return by how much a lag changes the slope, in (steps per deg C) per second; 0 where times are missing.

    Behind a steady change a reading is off by a constant, which is the level's affair and not the slope's.
    """
    # Smoothing that could show a lag would take a few crossings' uneven cooling for an even one.
    rate = _rates(crossings, data, least=3, smooth=False)
    if rate is None:
        return 0.0
    weight = data.weights(line.alpha)
    total = np.bincount(data.group, weight)

    def within(column: Array) -> Array:
        levels: Array = np.bincount(data.group, weight * column) / total
        return column - levels[data.group]

    warmth = within(data.x)
    return line.alpha * float(np.sum(weight * warmth * within(rate)) / np.sum(weight * warmth**2))


def _chance(ratio: float, free: float) -> float:
    from scipy.special import fdtrc

    return float(fdtrc(1.0, free, max(ratio, 0.0)))


def _rates(
    crossings: Sequence[NightCrossing], data: _Data, *, least: int = 5, smooth: bool = True
) -> Array | None:
    """Return dT/dt (deg C per s) at each crossing; None without times or with too few in a night."""
    times = [item.time_s for item in crossings]
    if any(time is None for time in times):
        return None
    when = np.array(times, dtype=float)
    rate = np.zeros(len(when))
    for night in range(data.groups):
        rows = np.flatnonzero(data.group == night)
        rows = rows[np.argsort(when[rows], kind="stable")]
        if len(rows) < least or np.any(np.diff(when[rows]) <= 0.0):
            return None
        read = data.x[rows]
        curve = smooth_temperature(when[rows], read).celsius if smooth else read
        rate[rows] = np.gradient(curve, when[rows])
    return rate if float(np.ptp(rate)) > 0.0 else None


def _lag_words(lag_s: Quantity) -> str:
    minutes = abs(lag_s.value or 0.0) / 60.0
    behind = (
        "the tube follows the thermometer"
        if (lag_s.value or 0.0) > 0.0
        else "the thermometer follows the tube"
    )
    return f"{behind} by about {minutes:.0f} min"
