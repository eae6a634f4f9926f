"""The fit of star widths: a hyperbola about each filter's focus, with the same play as everything else.

A width tells how far from focus a look was, not on which side; looks on both arms do. What is known of the
play from elsewhere comes in through ``WidthSetup.mechanics``, so that together with a mask's fit this is one
fit: the play and the temperature effect are shared, the places of focus are not.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.fitted import FittedCurve, FittedRow, Values
from routines.estimate.passes import Layout
from routines.estimate.play import Array
from routines.estimate.width_curve import width_curve
from routines.estimate.width_problem import (
    ALPHA,
    BACKLASH,
    FIRST_MINIMUM,
    POWER,
    RATIO,
    SLOPE,
    WidthProblem,
    WidthSetup,
    pose,
    routes_of,
    usable_widths,
)
from routines.estimate.width_result import WidthFit, WidthKnowledge
from routines.estimate.width_solve import WidthSolution, solve, solve_from
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD, Move, Observation
from routines.quantity import Quantity

__all__ = ["WidthFit", "WidthSetup", "fit_widths"]

DEFAULT_LONGEST_PLAY_STEPS = 300.0
LEAST_LOOKS = 3
ENGAGED = 0.95
# Arms are said to differ where freeing their ratio gains this much in -2 log likelihood (p of about 0.001).
DIFFER_GAIN = 10.8
# Focus must be known to this share of the stretch that was looked at, and the play too.
KNOWN_SHARE = 0.3
# As for the spike errors: the temperature's movement must stand clear of the thermometer's noise.
LEAST_TEMPERATURE_SIGNAL = 10.0
# The arms tell the slope where looks reach this many least widths.
FAR_ENOUGH = 2.0


@dataclass(frozen=True, slots=True)
class _Found:
    """A solved problem with its rows, names and which sides are told."""

    problem: WidthProblem
    layout: Layout
    solution: WidthSolution
    rows: tuple[Observation, ...]
    names: tuple[str, ...]
    play_known: bool
    arms_differ: bool
    factor: float


def fit_widths(
    observations: Sequence[Observation], moves: Sequence[Move] | None, setup: WidthSetup
) -> WidthFit | None:
    """Return what the width looks among the observations support, None where there are none.

    ``moves`` is the complete list of moves, or None for a recorded table. Mask looks among the observations
    are not fitted, but help to tell passes apart. Never raises for what the data cannot support.
    """
    rows = usable_widths(observations, setup.filters)
    if not rows:
        return None
    setup = _with_reference_temperature(rows, setup)
    seen = Counter(row.filter for row in rows)
    nothing = WidthFit(
        minima_inward_steps=dict.fromkeys(setup.filters),
        minima_outward_steps=dict.fromkeys(setup.filters),
        least_width_px=dict.fromkeys(setup.filters),
        offsets_steps=dict.fromkeys(setup.filters),
        mask_minus_width_steps=dict.fromkeys(setup.filters),
        reference_temperature_c=setup.reference_temperature_c,
        observed={name: seen[name] for name in setup.filters},
    )
    places = len({row.position_steps for row in rows})
    if places < LEAST_LOOKS:
        words = f"star widths at {places} position(s) have no minimum; look at {LEAST_LOOKS} or more"
        return replace(nothing, flags=(flag("one_position", "widths", words),))
    everything = [item for item in observations if math.isfinite(item.position_steps)]
    layout = routes_of(rows, everything, moves)
    problem, names = pose(rows, setup)
    found = _fit(problem, layout, tuple(rows), names, setup)
    return _assembled(found, nothing, setup)


def _with_reference_temperature(rows: Sequence[Observation], setup: WidthSetup) -> WidthSetup:
    readings = [row.temperature_c for row in rows if row.temperature_c is not None]
    if setup.reference_temperature_c is not None or not readings:
        return setup
    return replace(setup, reference_temperature_c=float(np.median(readings)))


def _fit(
    problem: WidthProblem,
    layout: Layout,
    rows: tuple[Observation, ...],
    names: tuple[str, ...],
    setup: WidthSetup,
) -> _Found:
    """Return the solution: the play held where the looks cannot tell it, the ratio freed where it shows."""
    from scipy.stats import t as student

    if setup.mechanics is not None and setup.mechanics.covariance[1][1] <= 0.0:
        problem = problem.with_free(ALPHA, free=False)
    longest = setup.longest_play_steps or min(
        DEFAULT_LONGEST_PLAY_STEPS, 0.5 * float(np.ptp(problem.position))
    )
    both = len(np.unique(layout.side_now)) > 1
    if not both and setup.mechanics is None:
        problem = problem.with_free(BACKLASH, free=False)
    solution = solve(problem, layout, longest_play=longest)
    if problem.free[BACKLASH] and not _play_is_told(problem, layout, solution):
        problem = problem.with_free(BACKLASH, free=False)
        solution = solve(problem, layout, longest_play=longest)
    loose = problem.with_ratio_loose()
    freer = solve_from(loose, layout, solution)
    differ = solution.cost - freer.cost > DIFFER_GAIN
    if differ:
        problem, solution = loose, freer
    factor = float(student.ppf(0.975, solution.degrees_of_freedom))
    known = bool(problem.free[BACKLASH])
    return _Found(problem, layout, solution, rows, names, known, differ, factor)


def _play_is_told(problem: WidthProblem, layout: Layout, solution: WidthSolution) -> bool:
    """Tell whether both sides were seen past the play, and the play is known well enough to be used."""
    engaged = (solution.at.engaged > ENGAGED) & (solution.good > 0.5)
    if problem.precision[BACKLASH, BACKLASH] == 0.0 and len(np.unique(layout.side_now[engaged])) < 2:
        return False
    u = math.sqrt(float(solution.covariance[BACKLASH, BACKLASH]))
    return u < KNOWN_SHARE * float(np.ptp(problem.position))


def _quantity(found: _Found, gradient: Array) -> Quantity:
    """Return a linear combination of the globals (q)."""
    value = float(gradient @ found.solution.theta)
    u = math.sqrt(max(float(gradient @ found.solution.covariance @ gradient), 0.0))
    return Quantity.gaussian(value, u, found.factor)


def _unit(found: _Found, *places: int) -> Array:
    gradient = np.zeros(len(found.solution.theta))
    gradient[list(places)] = 1.0
    return gradient


def _exponential(found: _Found, place: int) -> Quantity:
    """Return exp of a global; its interval is that of the logarithm, so it stays above zero."""
    log = _quantity(found, _unit(found, place))
    assert log.value is not None and log.u is not None
    value = math.exp(log.value)
    return Quantity(value, value * log.u, math.exp(log.low95), math.exp(log.high95))


def _sides(found: _Found, index: int) -> set[int]:
    """Return on which sides a filter's minimum is told: with the play known, on both."""
    if found.play_known:
        return {INWARD, OUTWARD}
    engaged = (found.solution.at.engaged > ENGAGED) & (found.solution.good > 0.5)
    rows = engaged & (found.problem.filter_index == index)
    return set(np.unique(found.layout.side_now[rows]).astype(int).tolist())


def _is_told(found: _Found, index: int) -> bool:
    """Tell whether a filter was believed on both arms, and its minimum is known well enough to be used."""
    rows = (found.problem.filter_index == index) & (found.solution.good > 0.5)
    distance = found.solution.at.distance[rows]
    if np.count_nonzero(rows) < LEAST_LOOKS or not (distance.min() < 0.0 < distance.max()):
        return False
    place = FIRST_MINIMUM + index
    u = math.sqrt(float(found.solution.covariance[place, place]))
    return u < KNOWN_SHARE * max(float(np.ptp(distance)), 1e-9)


def _assembled(found: _Found, nothing: WidthFit, setup: WidthSetup) -> WidthFit:
    told = [index for index in range(len(found.names)) if _is_told(found, index)]
    minima: dict[int, Values] = {INWARD: dict(nothing.minima_inward_steps), OUTWARD: {}}
    minima[OUTWARD] = dict(nothing.minima_outward_steps)
    for index in told:
        for side in _sides(found, index):
            gradient = _unit(found, FIRST_MINIMUM + index)
            gradient[BACKLASH] = 1.0 if side == OUTWARD else 0.0
            minima[side][found.names[index]] = _quantity(found, gradient)
    least = {found.names[k]: _exponential(found, found.problem.first_least + k) for k in told}
    offsets, order, covariance = _offsets(found, told, setup)
    arm, far_px = _arm(found, told)
    flags = [*_flags(found, told), *_outlier_flags(found)]
    return replace(
        nothing,
        minima_inward_steps=minima[INWARD],
        minima_outward_steps=minima[OUTWARD],
        least_width_px={**nothing.least_width_px, **least},
        offsets_steps={**nothing.offsets_steps, **offsets},
        offsets_order=order,
        offsets_covariance_steps2=covariance,
        backlash_steps=_backlash(found),
        temperature_coefficient_steps_per_c=_alpha(found),
        arm_px_per_step=arm,
        far_width_px=far_px,
        arm_ratio=_exponential(found, RATIO),
        arms_differ=found.arms_differ,
        power=_quantity(found, _unit(found, POWER)),
        relative_scatter=found.solution.relative_scatter,
        rows=_rows(found),
        curves=_curves(found),
        outliers=tuple(found.rows[k].number for k in np.flatnonzero(found.solution.good < 0.5)),
        flags=tuple(flags),
        knowledge=_knowledge(found, told),
        degrees_of_freedom=found.solution.degrees_of_freedom,
        coverage_factor=found.factor,
    )


def _backlash(found: _Found) -> Quantity | None:
    if not found.play_known:
        return None
    known = _quantity(found, _unit(found, BACKLASH))
    if known.low95 > 0.0:
        return known
    return Quantity.upper_limit(max(known.high95, 0.0))


def _alpha(found: _Found) -> Quantity | None:
    """Return the temperature effect where the widths tell more of it than was believed beforehand."""
    if not found.problem.free[ALPHA] or found.problem.precision[ALPHA, ALPHA] <= 0.0:
        return None
    alpha = _quantity(found, _unit(found, ALPHA))
    believed = float(found.problem.precision[ALPHA, ALPHA]) ** -0.5
    assert alpha.u is not None
    clear = found.problem.temperature_signal >= LEAST_TEMPERATURE_SIGNAL
    return alpha if clear and alpha.u < KNOWN_SHARE * believed else None


def _arm(found: _Found, told: list[int]) -> tuple[Quantity | None, float | None]:
    """Return the slope of the arms, and the width of the looks it rests on, where both are seen far out."""
    problem, solution = found.problem, found.solution
    reach = problem.width / problem.least_px(solution.theta)
    far = (reach > FAR_ENOUGH) & (solution.good > 0.5)
    both = np.any(far & (solution.at.distance > 0.0)) and np.any(far & (solution.at.distance < 0.0))
    if not told or not both:
        return None, None
    return _exponential(found, SLOPE), float(np.mean(problem.width[far]))


def _offsets(
    found: _Found, told: list[int], setup: WidthSetup
) -> tuple[Values, tuple[str, ...], tuple[tuple[float, ...], ...]]:
    """Return the offsets from the reference filter, the order of the others, and their covariance."""
    names = found.names
    if setup.reference_filter not in names or names.index(setup.reference_filter) not in told:
        return {}, (), ()
    at = names.index(setup.reference_filter)
    others = [k for k in told if k != at and _sides(found, k) & _sides(found, at)]
    rows = [_unit(found, FIRST_MINIMUM + k) - _unit(found, FIRST_MINIMUM + at) for k in others]
    values: Values = {setup.reference_filter: Quantity(0.0, 0.0, 0.0, 0.0)}
    values |= {names[k]: _quantity(found, row) for k, row in zip(others, rows, strict=True)}
    if not others:
        return values, (), ()
    matrix = np.array(rows)
    covariance = matrix @ found.solution.covariance @ matrix.T
    return values, tuple(names[k] for k in others), tuple(tuple(map(float, row)) for row in covariance)


def _knowledge(found: _Found, told: list[int]) -> WidthKnowledge:
    places = [BACKLASH, ALPHA, *(FIRST_MINIMUM + index for index in told)]
    theta, covariance = found.solution.theta, found.solution.covariance
    return WidthKnowledge(
        ("backlash", "alpha", *(f"minimum.{found.names[index]}" for index in told)),
        tuple(float(theta[place]) for place in places),
        tuple(tuple(float(covariance[i, j]) for j in places) for i in places),
    )


def _flags(found: _Found, told: list[int]) -> list[Flag]:
    notes = []
    for index, name in enumerate(found.names):
        if index not in told:
            words = f"{name}'s star widths show no minimum with looks on both sides of it: go past focus"
            notes.append(flag("not_identifiable", f"widths.{name}", words))
    if not found.play_known:
        words = "the widths were not seen past the play on both sides"
        notes.append(flag("no_reversal", "widths.backlash_steps", words))
    if found.arms_differ:
        ratio = _exponential(found, RATIO)
        words = (
            f"star width grows {ratio.value:.3g} times as fast outward of focus as inward of it "
            f"(95 %: {ratio.low95:.3g} to {ratio.high95:.3g}): aberrations, tilt or curvature of the field"
        )
        notes.append(flag("arms_differ", "widths", words))
    return notes


def _outlier_flags(found: _Found) -> list[Flag]:
    solution, problem = found.solution, found.problem
    notes = []
    for k in np.flatnonzero(solution.good < 0.5):
        row = found.rows[k]
        sigma = float((problem.width[k] - solution.at.width[k]) / math.sqrt(solution.variance[k]))
        words = (
            f"observation {row.number} (star width in {row.filter} at {row.position_steps:g} steps) lies "
            f"{sigma:+.1f} standard deviations from the rest and was down-weighted"
        )
        notes.append(flag("outlier", f"observation {row.number}", words))
    return notes


def _rows(found: _Found) -> tuple[FittedRow, ...]:
    problem, solution = found.problem, found.solution
    minima = solution.theta[FIRST_MINIMUM : problem.first_least][problem.filter_index]
    place = solution.at.distance + minima + solution.theta[ALPHA] * problem.warmth
    return tuple(
        FittedRow(
            number=row.number,
            filter=row.filter,
            position_steps=row.position_steps,
            value_px=float(problem.width[k]),
            fitted_px=float(solution.at.width[k]),
            residual_px=float(problem.width[k] - solution.at.width[k]),
            total_u_px=math.sqrt(float(solution.variance[k])),
            weight=float(solution.good[k]),
            tube_place_steps=float(place[k]),
            pass_index=int(found.layout.pass_index[k]),
            side=int(found.layout.side_now[k]),
            engaged=float(solution.at.engaged[k]),
        )
        for k, row in enumerate(found.rows)
    )


def _curves(found: _Found) -> tuple[FittedCurve, ...]:
    """Return each filter's fitted width on each side it was seen from, at the reference temperature."""
    drawn = []
    for index, name in enumerate(found.names):
        own = found.problem.filter_index == index
        for side in sorted({int(s) for s in found.layout.side_now[own]}):
            rows = own & (found.layout.side_now == side)
            position = np.linspace(*_ends(found.problem.position[rows]), 61)
            width = _drawn(found, index, side, position)
            drawn.append(FittedCurve(name, side, 0, tuple(map(float, position)), tuple(map(float, width))))
    return tuple(drawn)


def _ends(position: Array) -> tuple[float, float]:
    return float(np.min(position)), float(np.max(position))


def _drawn(found: _Found, index: int, side: int, position: Array) -> Array:
    theta = found.solution.theta
    lost = float(theta[BACKLASH]) if side == OUTWARD else 0.0
    distance = position - lost - theta[FIRST_MINIMUM + index]
    slope = np.exp(theta[SLOPE] + 0.5 * np.sign(distance) * theta[RATIO])
    least = np.full(len(position), math.exp(theta[found.problem.first_least + index]))
    return width_curve(distance, least, slope, float(theta[POWER])).width
