"""One joint fit over every observation, dead zone included: the door to the estimation.

Backlash, transition, slope, crossings, temperature effect, the slack of each pass and the scatter come from
the same likelihood, so that no linear range is chosen by hand and every number's u includes the others'.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from routines.estimate import notes, numbers, refusals, report_rows, sides, slip, strays
from routines.estimate.explore import explore
from routines.estimate.fitted import Values
from routines.estimate.linear import Underdetermined
from routines.estimate.model import ALPHA, BACKLASH
from routines.estimate.own_slopes import moved_by_own_slopes
from routines.estimate.prepare import Prepared, prepare, usable, without_history
from routines.estimate.result import FitSetup, JointFit
from routines.estimate.settle import (
    Settled,
    fit_all,
    with_bend,
    with_own_slopes,
    with_play_held,
    with_play_unknown,
)
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD, Move, Observation

__all__ = ["FitSetup", "JointFit", "fit_jointly"]

SLOPES_DIFFER_BELOW = 1e-3
ENDLESS = 1e9
# Standard deviation of what is believed about a lag once the looks show one.
LONGEST_LAG_S = 900.0


def fit_jointly(
    observations: Sequence[Observation], moves: Sequence[Move] | None, setup: FitSetup
) -> JointFit:
    """Return every number that the observations support, with 95 % intervals, and reasons for the rest.

    ``moves`` is the complete list of moves, or None for a recorded table, in which unseen moves may lie
    between any two rows (the rows' own ``side`` and ``travel_since_reversal_steps`` are used where all have
    them).
    Never raises for what the data cannot support.
    """
    rows = usable(observations, setup)
    nothing = _nothing(observations, rows, setup)
    if len(rows) < 2 or len({row.position_steps for row in rows}) < 2:
        code = "one_position" if rows else "no_observations"
        return replace(nothing, flags=(*nothing.flags, flag(code, "all")))
    prepared = prepare(rows, moves, setup)
    opposed = refusals.contradiction(prepared)
    if opposed is not None:
        return replace(nothing, flags=(*nothing.flags, opposed))
    try:
        found = _fit(prepared, setup)
    except Underdetermined as problem:
        return replace(nothing, flags=(*nothing.flags, flag("not_identifiable", "all", str(problem))))
    if isinstance(found, Flag):
        return replace(nothing, flags=(*nothing.flags, found))
    return _assembled(found, nothing, setup)


def _nothing(observations: Sequence[Observation], rows: Sequence[Observation], setup: FitSetup) -> JointFit:
    """Return the fit in which nothing is known but what was looked at."""
    seen = Counter(row.filter for row in rows)
    notes = [flag("not_observed", f"offsets_steps.{name}") for name in setup.filters if not seen[name]]
    if rows and not seen[setup.reference_filter]:
        notes.append(flag("reference_not_observed", "offsets_steps"))
    empty: Values = dict.fromkeys(setup.filters)
    return JointFit(
        offsets_steps=empty,
        crossings_inward_steps=empty,
        crossings_outward_steps=empty,
        slopes_px_per_step=empty,
        scatter_px=dict.fromkeys(setup.filters),
        reference_filter=setup.reference_filter,
        reference_temperature_c=setup.reference_temperature_c,
        observed={name: seen[name] for name in setup.filters},
        flags=tuple(notes),
    )


def _fit(prepared: Prepared, setup: FitSetup) -> numbers.Found | Flag:
    """Return the settled fit with its intervals, or the one flag that refuses everything."""
    history = prepared.runs is None
    settled = fit_all(prepared.problem, prepared.layout, prepared.runs)
    not_following = refusals.follow_flag(settled, setup)
    if not_following is not None:
        return not_following
    supported = refusals.supported_sides(settled, history=history)
    if history and refusals.backlash_is_known(settled):
        supported = {OUTWARD, INWARD}
    flags: list[Flag] = []
    if supported != {OUTWARD, INWARD} and history:
        # The moves do not tell the backlash; without them each pass may at least begin as it likes.
        return _fit(without_history(prepared), setup)
    if supported != {OUTWARD, INWARD}:
        span = float(np.ptp(prepared.problem.position))
        side = next(iter(supported), OUTWARD)
        settled = with_play_held(settled, prepared.runs, span, side)
        supported = refusals.supported_sides(settled, history=history)
        if not supported:
            return flag("all_in_dead_zone", "all")
        flags.append(refusals.missing_side_flag(settled, supported))
    confounded = refusals.confounded_flag(settled) if settled.free[BACKLASH] else None
    if confounded is not None:
        flags.append(confounded)
        settled = with_play_unknown(settled, prepared.runs)
    if not _enough(settled):
        return flag("not_identifiable", "all", "as many unknowns as observations: nothing tells the scatter")
    settled, odd = _with_departures(settled, prepared)
    flags += odd
    mixture = explore(settled.problem, settled.layout, settled.solution, settled.free, _degrees(settled))
    moved = moved_by_own_slopes(settled)
    return numbers.Found(prepared, settled, mixture, moved, supported, tuple(flags))


def _with_departures(settled: Settled, prepared: Prepared) -> tuple[Settled, list[Flag]]:
    """Return the fit with a slip allowed for and what else the looks show, and notes."""
    flags: list[Flag] = []
    settled = slip.unsteady(slip.allowing_slip(settled, prepared))
    chance = refusals.slope_difference_chance(settled)
    if chance is not None and chance < SLOPES_DIFFER_BELOW:
        settled = with_own_slopes(settled, prepared.runs)
        flags.append(flag("slope_differs", "slope_px_per_step"))
    lagged = _with_lag(settled, prepared)
    if lagged is not None:
        settled = lagged
        flags.append(flag("thermometer_lag", "temperature_coefficient_steps_per_c"))
    settled, odd = _with_strays(settled, prepared)
    return settled, flags + odd


def _with_lag(settled: Settled, prepared: Prepared) -> Settled | None:
    """Return the fit with the temperature's lag free where the looks show one beyond doubt."""
    rate = prepared.unsteady_rate_c_per_s
    if rate is None or prepared.temperature_signal < numbers.LEAST_TEMPERATURE_SIGNAL:
        return None
    if not settled.free[ALPHA] or refusals.lag_chance(settled, rate) > refusals.DOUBT:
        return None
    return with_bend(settled, prepared.runs, LONGEST_LAG_S * rate)


def _with_strays(settled: Settled, prepared: Prepared) -> tuple[Settled, list[Flag]]:
    """Return the fit, with the mechanics' departures followed where the looks show them, and notes."""
    odd: list[Flag | None] = []
    moved = slip.steady_flag(settled, prepared)
    crossings = sides.pass_crossings(settled)
    if crossings is not None:
        unsteady = sides.beyond_steady(crossings)
        if unsteady is not None or not slip.follows(settled, prepared):
            moved = sides.slip_flag(crossings, notes.drift_clues(prepared, settled, crossings)) or moved
        odd.append(sides.disagreement_flag(crossings))
        settled = settled if unsteady is None else strays.wandering(settled, crossings, unsteady)
    settled, shape = strays.play_shape(settled)
    return settled, [item for item in (*odd, moved, shape) if item is not None]


def _enough(settled: Settled) -> bool:
    """Tell whether the scatter can be known: from the frames' own u, or from rows beyond the parameters."""
    spare = float(np.sum(settled.solution.at.good)) - settled.parameters
    return spare >= 1.0 or bool(np.all(settled.problem.u > 0.0) and spare > -0.5)


def _degrees(settled: Settled) -> float:
    """Return the degrees of freedom behind the scatter; endless where the frames' own u explains it."""
    known = np.all(settled.problem.u > 0.0) and not np.any(settled.scatter > 0.0)
    return ENDLESS if known else settled.degrees_of_freedom


def _assembled(found: numbers.Found, nothing: JointFit, setup: FitSetup) -> JointFit:
    settled, prepared = found.settled, found.prepared
    crossings = sides.pass_crossings(settled)
    lost = sides.lost_motion(crossings) if crossings is not None and settled.free[BACKLASH] else {}
    backlash = numbers.backlash(found)
    transition = numbers.transition(found)
    alpha, alpha_flags = numbers.temperature(found)
    flags = [*nothing.flags, *found.flags, *numbers.lonely_flags(found, setup), *alpha_flags]
    flags += notes.notes_on(found, backlash, transition, alpha, lost, setup.reference_filter)
    flags += [
        flag(
            "no_reversal",
            f"lost_motion_to_{way}_steps",
            f"no reversal to the {way} side with looks past the play",
        )
        for side, way in ((OUTWARD, "outward"), (INWARD, "inward"))
        if side not in lost and settled.free[BACKLASH]
    ]
    offsets, order, covariance = numbers.offsets(found, setup)
    return replace(
        nothing,
        backlash_steps=backlash,
        transition_steps=transition,
        slope_px_per_step=numbers.slope(found),
        lost_motion_to_outward_steps=lost.get(OUTWARD),
        lost_motion_to_inward_steps=lost.get(INWARD),
        offsets_steps={**nothing.offsets_steps, **offsets},
        crossings_inward_steps={**nothing.crossings_inward_steps, **numbers.crossings(found, INWARD)},
        crossings_outward_steps={**nothing.crossings_outward_steps, **numbers.crossings(found, OUTWARD)},
        slopes_px_per_step={**nothing.slopes_px_per_step, **numbers.slopes(found)},
        temperature_coefficient_steps_per_c=alpha,
        temperature_range=numbers.temperature_range(prepared) if alpha is not None else None,
        reference_temperature_c=prepared.reference_c,
        offsets_order=order,
        offsets_covariance_steps2=covariance,
        scatter_px={
            **nothing.scatter_px,
            **{name: float(s) ** 0.5 for name, s in zip(prepared.filters, settled.scatter, strict=True)},
        },
        rows=report_rows.fitted_rows(settled, prepared),
        outliers=tuple(prepared.rows[k].number for k in np.flatnonzero(settled.solution.at.good < 0.5)),
        curves=report_rows.curves(settled, prepared),
        flags=tuple(flags),
        knowledge=numbers.knowledge(found),
        drive_error=notes.drive_error(settled),
        degrees_of_freedom=settled.degrees_of_freedom,
        chi_square=settled.chi_square,
    )
