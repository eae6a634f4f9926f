"""One joint fit over every observation, dead zone included: the door to the estimation.

Backlash, transition, slope, crossings, temperature effect, the slack of each pass and the scatter come from
the same likelihood, so that no linear range is chosen by hand and every number's u includes the others'.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate import refusals, report_rows, sides
from routines.estimate.intervals import Mixture, explore, of_play
from routines.estimate.linear import Underdetermined
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION
from routines.estimate.play import Array
from routines.estimate.prepare import Prepared, prepare, usable, without_history
from routines.estimate.result import FitSetup, JointFit, Knowledge, TemperatureRange, Values
from routines.estimate.settle import Settled, fit_all, with_own_slopes, with_play_held, with_play_unknown
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD, Move, Observation
from routines.quantity import Quantity

__all__ = ["FitSetup", "JointFit", "fit_jointly"]

SLOPES_DIFFER_BELOW = 1e-3
ENDLESS = 1e9
# The coefficient is a ratio to the temperature's movement, which must stand clear of the thermometer's noise.
LEAST_TEMPERATURE_SIGNAL = 10.0


@dataclass(frozen=True, slots=True)
class _Found:
    """A fit with its mixture, the supported sides, and the flags so far."""

    prepared: Prepared
    settled: Settled
    mixture: Mixture
    sides: set[int]
    flags: tuple[Flag, ...]


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


def _fit(prepared: Prepared, setup: FitSetup) -> _Found | Flag:
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
    chance = refusals.slope_difference_chance(settled)
    if chance is not None and chance < SLOPES_DIFFER_BELOW:
        settled = with_own_slopes(settled, prepared.runs)
        flags.append(flag("slope_differs", "slope_px_per_step"))
    mixture = explore(settled.problem, settled.layout, settled.solution, settled.free, _degrees(settled))
    return _Found(prepared, settled, mixture, supported, tuple(flags))


def _enough(settled: Settled) -> bool:
    """Tell whether the scatter can be known: from the frames' own u, or from rows beyond the parameters."""
    spare = float(np.sum(settled.solution.at.good)) - settled.parameters
    return spare >= 1.0 or bool(np.all(settled.problem.u > 0.0) and spare > -0.5)


def _degrees(settled: Settled) -> float:
    """Return the degrees of freedom behind the scatter; endless where the frames' own u explains it."""
    known = np.all(settled.problem.u > 0.0) and not np.any(settled.scatter > 0.0)
    return ENDLESS if known else settled.degrees_of_freedom


def _assembled(found: _Found, nothing: JointFit, setup: FitSetup) -> JointFit:
    settled, prepared, mixture = found.settled, found.prepared, found.mixture
    crossings = sides.pass_crossings(settled)
    lost = sides.lost_motion(crossings) if crossings is not None and settled.free[BACKLASH] else {}
    backlash = of_play(mixture, BACKLASH) if settled.free[BACKLASH] else None
    alpha, alpha_flags = _temperature(found)
    flags = [*nothing.flags, *found.flags, *_lonely_flags(found, setup), *alpha_flags]
    flags += _notes(found, crossings, backlash)
    flags += [
        flag(
            "no_reversal",
            f"lost_motion_to_{way}_steps",
            f"no reversal to the {way} side with looks past the play",
        )
        for side, way in ((OUTWARD, "outward"), (INWARD, "inward"))
        if side not in lost and settled.free[BACKLASH]
    ]
    offsets, order, covariance = _offsets(found, setup)
    return replace(
        nothing,
        backlash_steps=backlash,
        transition_steps=_transition(found),
        slope_px_per_step=_slope(found),
        lost_motion_to_outward_steps=lost.get(OUTWARD),
        lost_motion_to_inward_steps=lost.get(INWARD),
        offsets_steps={**nothing.offsets_steps, **offsets},
        crossings_inward_steps={**nothing.crossings_inward_steps, **_crossings(found, INWARD)},
        crossings_outward_steps={**nothing.crossings_outward_steps, **_crossings(found, OUTWARD)},
        slopes_px_per_step={**nothing.slopes_px_per_step, **_slopes(found)},
        temperature_coefficient_steps_per_c=alpha,
        temperature_range=_range(prepared) if alpha is not None else None,
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
        knowledge=_knowledge(found),
        degrees_of_freedom=settled.degrees_of_freedom,
        chi_square=settled.chi_square,
    )


def _unit(size: int, place: int) -> Array:
    """Return the gradient that picks one of the globals."""
    gradient = np.zeros(size)
    gradient[place] = 1.0
    return gradient


def _crossing_gradient(found: _Found, index: int, side: int) -> Array:
    problem = found.settled.problem
    gradient = np.zeros(problem.size)
    gradient[FIRST_SLOPE + problem.slopes + index] = 1.0
    gradient[BACKLASH] = 1.0 if side == OUTWARD else 0.0
    return gradient


def _crossings(found: _Found, side: int) -> Values:
    """Return each observed filter's crossing on a side; None where the side was not seen past the play."""
    seen = _sides_told(found)
    return {
        name: found.mixture.quantity(_crossing_gradient(found, index, side)) if side in seen[index] else None
        for index, name in enumerate(found.prepared.filters)
    }


def _sides_told(found: _Found) -> list[set[int]]:
    """Return on which sides each filter's crossing is told: with the backlash known, on both."""
    if found.settled.free[BACKLASH]:
        return [set(found.sides) for _ in found.prepared.filters]
    return [own & found.sides for own in refusals.sides_of_filters(found.settled)]


def _offsets(found: _Found, setup: FitSetup) -> tuple[Values, tuple[str, ...], tuple[tuple[float, ...], ...]]:
    """Return the offsets from the reference filter, the order of the others, and their covariance."""
    filters = found.prepared.filters
    if setup.reference_filter not in filters:
        return {}, (), ()
    at = filters.index(setup.reference_filter)
    seen = _sides_told(found)
    reference = _crossing_gradient(found, at, INWARD)
    others = tuple(n for k, n in enumerate(filters) if k != at and seen[k] & seen[at])
    transform = np.array([_crossing_gradient(found, filters.index(n), INWARD) - reference for n in others])
    values: Values = {setup.reference_filter: Quantity(0.0, 0.0, 0.0, 0.0)}
    values.update({name: found.mixture.quantity(row) for name, row in zip(others, transform, strict=True)})
    if not others:
        return values, (), ()
    _, covariance = found.mixture.moments(transform)
    return values, others, tuple(tuple(float(x) for x in row) for row in covariance)


def _lonely_flags(found: _Found, setup: FitSetup) -> list[Flag]:
    """Return why an observed filter has no offset: never seen past the play on the reference's side."""
    filters, seen = found.prepared.filters, _sides_told(found)
    if setup.reference_filter not in filters:
        return []
    at = filters.index(setup.reference_filter)
    words = "never seen past the play on the same side as the reference filter, and the backlash is not known"
    return [
        flag("not_identifiable", f"offsets_steps.{name}", f"{name} was {words}")
        for k, name in enumerate(filters)
        if k != at and not seen[k] & seen[at]
    ]


def _knowledge(found: _Found) -> Knowledge:
    """Return mean and covariance of what a further look depends on."""
    settled, filters = found.settled, found.prepared.filters
    problem = settled.problem
    places = [BACKLASH, FIRST_SLOPE, ALPHA, *range(FIRST_SLOPE + problem.slopes, problem.first_bend)]
    mean, covariance = found.mixture.moments(np.eye(problem.size)[places])
    if not settled.free[BACKLASH]:
        covariance[0, 0] = float(np.ptp(problem.position)) ** 2
    own = np.bincount(problem.filter_index, settled.solution.state.variance) / np.bincount(
        problem.filter_index
    )
    return Knowledge(
        names=("backlash", "slope", "alpha", *(f"crossing.{name}" for name in filters)),
        values=tuple(float(x) for x in mean),
        covariance=tuple(tuple(float(x) for x in row) for row in covariance),
        noise_px={name: float(v) ** 0.5 for name, v in zip(filters, own, strict=True)},
    )


def _slopes(found: _Found) -> Values:
    problem = found.settled.problem
    own = [found.mixture.quantity(_unit(problem.size, FIRST_SLOPE + k)) for k in range(problem.slopes)]
    return {name: own[min(k, problem.slopes - 1)] for k, name in enumerate(found.prepared.filters)}


def _slope(found: _Found) -> Quantity:
    """Return the common slope, or the mean over filters where each has its own."""
    problem = found.settled.problem
    gradient = np.zeros(problem.size)
    gradient[FIRST_SLOPE : FIRST_SLOPE + problem.slopes] = 1.0 / problem.slopes
    return found.mixture.quantity(gradient)


def _transition(found: _Found) -> Quantity | None:
    return of_play(found.mixture, TRANSITION) if found.settled.free[BACKLASH] else None


def _temperature(found: _Found) -> tuple[Quantity | None, list[Flag]]:
    """Return the coefficient where the observations tell it, and what to say where they do not."""
    prepared, settled = found.prepared, found.settled
    if prepared.temperatures is None:
        return None, [
            flag("temperature_unknown", "all"),
            flag(
                "temperature_constant", "temperature_coefficient_steps_per_c", "no temperature was recorded"
            ),
        ]
    if not settled.free[ALPHA]:
        return None, [flag("temperature_constant", "temperature_coefficient_steps_per_c")]
    alpha = found.mixture.quantity(_unit(settled.problem.size, ALPHA))
    vague = alpha.u is None or alpha.u > 0.3 * settled.problem.alpha_prior
    if vague or prepared.temperature_signal < LEAST_TEMPERATURE_SIGNAL:
        return None, [
            flag("temperature_constant", "temperature_coefficient_steps_per_c"),
            flag("temperature_drift", "all"),
        ]
    return alpha, []


def _range(prepared: Prepared) -> TemperatureRange | None:
    if prepared.temperatures is None:
        return None
    return TemperatureRange(float(np.min(prepared.temperatures)), float(np.max(prepared.temperatures)))


def _notes(found: _Found, crossings: sides.PassCrossings | None, backlash: Quantity | None) -> list[Flag]:
    """Return the notes: what is odd, but leaves the numbers standing."""
    settled, prepared = found.settled, found.prepared
    notes: list[Flag | None] = [
        refusals.scatter_flag(settled),
        refusals.periodic_flag(settled),
        *refusals.outlier_flags(settled, prepared),
        *refusals.extrapolation_flags(settled, prepared.filters),
    ]
    if crossings is not None and settled.free[BACKLASH]:
        notes += [sides.disagreement_flag(crossings), sides.slip_flag(crossings)]
    if settled.degrees_of_freedom < 5.0:
        notes.append(flag("few_observations", "all"))
    if backlash is not None:
        notes += _backlash_notes(found, backlash)
    return [note for note in notes if note is not None]


def _backlash_notes(found: _Found, backlash: Quantity) -> list[Flag]:
    notes = []
    if not np.any(report_rows.engaged_share(found.settled) < 0.5):
        notes.append(flag("no_dead_zone_seen", "backlash_steps"))
    if backlash.is_upper_limit:
        notes.append(flag("upper_limit", "backlash_steps"))
        if refusals.backlash_is_small(found.settled, backlash.high95):
            words = (
                "crossings agree from both sides: the controller compensates for backlash, every look was "
                "approached from one side unseen, gravity loads one flank, or there is no play"
            )
            notes.append(flag("compensating_controller", "backlash_steps", words))
    return notes
