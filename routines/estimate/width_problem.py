"""Width looks as arrays, the model of their widths, and what is believed of its numbers beforehand.

The drawtube's place comes from the same play as for spike errors; only what is seen of the place differs: a
width that cannot tell one side of focus from the other. The globals are one vector, [backlash, alpha, power,
log arm ratio, log slope, minima.., log least widths..]; the transition is held.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from routines.estimate.passes import Layout, find_runs, follow_history, lay_out
from routines.estimate.play import Array, Index, Route, places
from routines.estimate.temperature import smooth_temperature
from routines.estimate.width_curve import width_curve
from routines.observations import SIDE_UNKNOWN, Move, Observation

BACKLASH, ALPHA, POWER, RATIO, SLOPE, FIRST_MINIMUM = 0, 1, 2, 3, 4, 5
# A hyperbola has 2, a Gaussian spread over a disc 2.4.
USUAL_POWER, POWER_U = 2.2, 0.25
# Aberrations of a good telescope make one arm this much steeper than the other (common practice).
RATIO_U = 0.03
EXPECTED_SLOPE_U = 0.15
ANYTHING = 3.0


@dataclass(frozen=True, slots=True)
class Mechanics:
    """What other looks tell of backlash (steps) and temperature effect (steps per C), with its covariance.

    ``transition_steps`` is held as it is.
    """

    backlash_steps: float
    alpha_steps_per_c: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    transition_steps: float


@dataclass(frozen=True, slots=True)
class WidthSetup:
    """What is known before the fit of widths.

    ``expected_arm_px_per_step`` is the slope that optics and step size predict; ``alpha_u_steps_per_c`` the
    standard deviation of what is believed about the temperature effect where ``mechanics`` says nothing of
    it. ``arms_may_differ`` frees the ratio of the arms.
    """

    filters: tuple[str, ...]
    reference_filter: str
    expected_arm_px_per_step: float | None = None
    reference_temperature_c: float | None = None
    alpha_u_steps_per_c: float | None = None
    longest_play_steps: float | None = None
    mechanics: Mechanics | None = None
    outlier_share: float = 0.05


@dataclass(frozen=True, slots=True)
class WidthProblem:
    """The rows (n): positions (steps, rising outward), widths and own u (px; 0 where unknown), warmth (C).

    ``centre`` and ``precision`` (q, q) are what is believed of the globals beforehand; ``free`` (q) which
    of them may move.
    """

    position: Array
    width: Array
    u: Array
    filter_index: Index
    warmth: Array
    filters: int
    transition: float
    centre: Array
    precision: Array
    free: npt.NDArray[np.bool_]
    outlier_share: float
    outlier_width: float
    temperature_signal: float = 0.0

    @property
    def first_least(self) -> int:
        """Return where the logarithms of the least widths begin among the globals."""
        return FIRST_MINIMUM + self.filters

    def least_px(self, theta: Array) -> Array:
        """Return the least width (n, px) of each row's filter."""
        return np.asarray(np.exp(theta[self.first_least :])[self.filter_index])

    def with_free(self, index: int, *, free: bool) -> WidthProblem:
        """Return the problem with one global let go or held."""
        changed = self.free.copy()
        changed[index] = free
        return replace(self, free=changed)

    def with_ratio_loose(self) -> WidthProblem:
        """Return the problem with nothing believed about the arms' ratio."""
        precision = self.precision.copy()
        precision[RATIO, RATIO] = ANYTHING**-2
        return replace(self, precision=precision)


@dataclass(frozen=True, slots=True)
class WidthLook:
    """The model at a setting: fitted widths (n), Jacobian (n, q) and derivatives by the slack (n)."""

    width: Array
    jacobian: Array
    by_slack: Array
    distance: Array
    engaged: Array


def look_at(problem: WidthProblem, layout: Layout, theta: Array, slack: Array) -> WidthLook:
    """Evaluate the model and its derivatives; ``slack`` (groups) is infinite where the play was taken up."""
    at = places(layout.route, slack, theta[BACKLASH], problem.transition)
    minima = theta[FIRST_MINIMUM : problem.first_least][problem.filter_index]
    distance = at.place - minima - theta[ALPHA] * problem.warmth
    lean = 0.5 * np.sign(distance)
    slope = np.exp(theta[SLOPE] + lean * theta[RATIO])
    least = problem.least_px(theta)
    curve = width_curve(distance, least, slope, float(theta[POWER]))
    rows = np.arange(len(distance))
    jacobian = np.zeros((len(distance), len(theta)))
    jacobian[:, BACKLASH] = curve.by_distance * at.by_backlash
    jacobian[:, ALPHA] = -curve.by_distance * problem.warmth
    jacobian[:, POWER] = curve.by_power
    jacobian[:, RATIO] = curve.by_slope * slope * lean
    jacobian[:, SLOPE] = curve.by_slope * slope
    jacobian[rows, FIRST_MINIMUM + problem.filter_index] = -curve.by_distance
    jacobian[rows, problem.first_least + problem.filter_index] = curve.by_least * least
    return WidthLook(curve.width, jacobian, curve.by_distance * at.by_slack, distance, at.engaged)


def usable_widths(observations: Sequence[Observation], filters: Sequence[str]) -> list[Observation]:
    """Return the measured width looks of configured filters, in order."""
    kept = [
        item
        for item in observations
        if item.method == "width"
        and item.value_px is not None
        and math.isfinite(item.value_px)
        and item.value_px > 0.0
        and math.isfinite(item.position_steps)
        and item.filter in filters
    ]
    return sorted(kept, key=lambda item: item.number)


def routes_of(
    rows: Sequence[Observation], everything: Sequence[Observation], moves: Sequence[Move] | None
) -> Layout:
    """Return how the width looks ``rows`` were reached: by the moves, or by ``everything`` looked at."""
    known = _told_by_rows(everything) if moves is None else list(moves)
    if known is not None:
        return follow_history(rows, known)
    ordered = sorted(everything, key=lambda item: item.number)
    position = np.array([item.position_steps for item in ordered])
    runs = find_runs(position, [f"{item.method} {item.filter}" for item in ordered], 0.5)
    whole = lay_out(runs, position, [turn.end_row for turn in runs.turns])
    chosen = {item.number for item in rows}
    return _part_of(whole, np.array([item.number in chosen for item in ordered]))


def _part_of(layout: Layout, rows: npt.NDArray[np.bool_]) -> Layout:
    """Return some rows of a layout without a history, its groups counted anew."""
    route = layout.route
    named, group = np.unique(route.group[rows], return_inverse=True)
    travel = route.travel[rows]
    starts = np.array([int(np.argmax(group == k)) for k in range(len(named))], dtype=np.intp)
    return Layout(
        route=Route(
            route.side[rows],
            route.leg_end[rows],
            travel,
            group,
            route.later_travel[rows],
            route.later_sign[rows],
        ),
        starts=starts,
        known=layout.known[named],
        lowest=np.array([-float(np.min(travel[group == k])) for k in range(len(named))]),
        side_now=layout.side_now[rows],
        pass_index=layout.pass_index[rows],
        swing=layout.swing[named],
    )


def _told_by_rows(rows: Sequence[Observation]) -> list[Move] | None:
    """Return the reversals that the rows' own sides and travels tell of; None unless every row has them."""
    if any(row.side == SIDE_UNKNOWN or row.travel_since_reversal_steps is None for row in rows):
        return None
    moves: list[Move] = []
    for row in sorted(rows, key=lambda item: item.number):
        turn = row.position_steps - row.side * (row.travel_since_reversal_steps or 0.0)
        if not moves or abs(moves[-1].position_steps - turn) > 0.5:
            moves.append(Move(row.number, turn))
    return moves


def pose(rows: Sequence[Observation], setup: WidthSetup) -> tuple[WidthProblem, tuple[str, ...]]:
    """Return the problem of the rows (at least one) and the names behind its filter indices."""
    names = tuple(name for name in setup.filters if any(row.filter == name for row in rows))
    position = np.array([row.position_steps for row in rows], dtype=float)
    width = np.array([row.value_px for row in rows], dtype=float)
    centre, precision = _beliefs(setup, position, width, len(names))
    low, high = np.percentile(width, [5.0, 95.0])
    warmth, signal = _warmth(rows, setup.reference_temperature_c)
    free = np.ones(len(centre), dtype=bool)
    free[ALPHA] = bool(np.ptp(warmth) > 0.0)
    return WidthProblem(
        position=position,
        width=width,
        u=np.array([row.u_px if row.u_px and math.isfinite(row.u_px) else 0.0 for row in rows]),
        filter_index=np.array([names.index(row.filter) for row in rows], dtype=np.intp),
        warmth=warmth,
        filters=len(names),
        transition=0.0 if setup.mechanics is None else setup.mechanics.transition_steps,
        centre=centre,
        precision=precision,
        free=free,
        outlier_share=setup.outlier_share,
        outlier_width=3.0 * float(high - low) + 1e-9,
        temperature_signal=signal,
    ), names


def _warmth(rows: Sequence[Observation], reference_c: float | None) -> tuple[Array, float]:
    """Return temperature minus the reference (n, C), and how far its movement stands clear of its noise."""
    known = [k for k, row in enumerate(rows) if row.temperature_c is not None]
    if not known or reference_c is None:
        return np.zeros(len(rows)), 0.0
    readings = np.array([float(rows[k].temperature_c or 0.0) for k in known])
    times = [row.time_s for row in rows]
    when = np.arange(len(rows), dtype=float)
    if all(time is not None for time in times):
        told = np.array(times, dtype=float)
        when = told if np.all(np.diff(told) >= 0.0) else when
    smooth = smooth_temperature(when[known], readings)
    return np.interp(when, when[known], smooth.celsius) - reference_c, smooth.signal


def _beliefs(setup: WidthSetup, position: Array, width: Array, filters: int) -> tuple[Array, Array]:
    """Return centre (q) and precision (q, q) of what is believed beforehand; zero precision is nothing."""
    size = FIRST_MINIMUM + 2 * filters
    centre, precision = np.zeros(size), np.zeros((size, size))
    if setup.mechanics is not None:
        centre[:2] = setup.mechanics.backlash_steps, setup.mechanics.alpha_steps_per_c
        precision[:2, :2] = np.linalg.pinv(np.array(setup.mechanics.covariance))
    else:
        span = max(float(np.ptp(position)), 1.0)
        precision[ALPHA, ALPHA] = (setup.alpha_u_steps_per_c or 0.1 * span) ** -2
    centre[POWER], precision[POWER, POWER] = USUAL_POWER, POWER_U**-2
    precision[RATIO, RATIO] = RATIO_U**-2
    expected = setup.expected_arm_px_per_step
    guess = float(np.ptp(width)) / max(0.5 * float(np.ptp(position)), 1e-9)
    centre[SLOPE] = math.log(expected or max(guess, 1e-9))
    precision[SLOPE, SLOPE] = (EXPECTED_SLOPE_U if expected else ANYTHING) ** -2
    centre[FIRST_MINIMUM + filters :] = math.log(float(np.min(width)))
    leasts = np.arange(FIRST_MINIMUM + filters, size)
    precision[leasts, leasts] = ANYTHING**-2
    return centre, precision
