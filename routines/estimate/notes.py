"""What is odd about a fit but leaves its numbers standing: each thing with its code and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from routines.estimate import report_rows, sides, slip
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE
from routines.estimate.numbers import Found, slip_would_pass
from routines.estimate.play import Array
from routines.estimate.prepare import Prepared
from routines.estimate.refusals import DOUBT
from routines.estimate.result import DriveError
from routines.estimate.settle import Settled
from routines.flags import MEANINGS, Flag, flag
from routines.quantity import Quantity

# A slip that the fit could not allow for is worth a caution where it may well make u so many times larger.
MATTERS = 1.5
# So many u below zero a lost motion is negative beyond doubt.
CLEARLY = 4.0
# How far a tube may well follow behind its thermometer. A steady lag only moves what "at this temperature"
# means, for the next night as for this; the note says by how much.
LONG_LAG_S = 300.0


def notes_on(
    found: Found,
    backlash: Quantity | None,
    transition: Quantity | None,
    coefficient: Quantity | None,
    lost: Mapping[int, Quantity],
    reference: str,
) -> list[Flag]:
    """Return the notes: what is odd, but leaves the numbers standing."""
    settled, prepared = found.settled, found.prepared
    notes: list[Flag | None] = [
        scatter_flag(settled),
        periodic_flag(drive_error(settled)),
        *outlier_flags(settled, prepared),
        *extrapolation_flags(settled, prepared.filters),
        drift_confounded_flag(found, coefficient),
        lag_flag(found),
        *repetition_flags(found),
        sides_untold_flag(transition),
    ]
    notes += interleaving_flags(settled, prepared.filters, reference)
    if settled.degrees_of_freedom < 5.0:
        notes.append(flag("few_observations", "all"))
    if backlash is not None:
        notes += _backlash_notes(found, backlash, lost)
    return [note for note in notes if note is not None]


def drift_clues(prepared: Prepared, settled: Settled, crossings: sides.PassCrossings) -> dict[str, Array]:
    """Return what slip, sag and temperature would each make the passes' crossings drift in proportion to.

    Slip goes with the outward travel, sag with time; the temperature's own effect is in the fit already, and
    what is left of it goes with the temperature once more.
    """
    layout, position = settled.layout, settled.problem.position
    outward = np.concatenate([[0.0], np.cumsum(np.maximum(np.diff(position), 0.0))])
    when = [row.time_s for row in prepared.rows]
    columns: dict[str, Array] = {"with the outward travel, as when the drawtube slips": outward}
    if all(time is not None for time in when):
        columns["with time, as when a load sags"] = np.array(when, dtype=float)
    if prepared.temperatures is not None and np.ptp(prepared.temperatures) > 0.0:
        words = "with the temperature, which the thermometer may tell late or by too little"
        columns[words] = prepared.temperatures
    return {
        cause: np.array([float(np.mean(column[layout.pass_index == which])) for which in crossings.passes])
        for cause, column in columns.items()
    }


def _backlash_notes(found: Found, backlash: Quantity, lost: Mapping[int, Quantity]) -> list[Flag]:
    notes = []
    if not np.any(report_rows.engaged_share(found.settled) < 0.5):
        notes.append(flag("no_dead_zone_seen", "backlash_steps"))
    if backlash.is_upper_limit:
        notes.append(flag("upper_limit", "backlash_steps"))
        if backlash_is_small(found.settled, backlash.high95):
            notes.append(flag("compensating_controller", "backlash_steps", _no_dead_zone(backlash, lost)))
    return notes


def _no_dead_zone(backlash: Quantity, lost: Mapping[int, Quantity]) -> str:
    """Return why there may be no dead zone, and what tells the reasons apart.

    Looks tell only one of them: no play and no load can put the crossings the wrong way round.
    """
    most = max((item.high95 for item in lost.values()), default=0.0)
    clear = all((item.value or 0.0) < -CLEARLY * (item.u or 0.0) for item in lost.values())
    if lost and most < 0.0 and clear:
        return (
            f"crossings lie the wrong way round, by {-most:.1f} steps or more: the controller compensates "
            "for more than the play there is. Set its compensation to less, or to none, and look again"
        )
    return (
        f"crossings agree from both sides to {backlash.high95:.2g} steps. Either the controller compensates "
        "for backlash, or gravity holds the gears on one flank: these looks cannot tell which. Or every look "
        "was approached from one side unseen, or there is no play. To tell, switch the controller's "
        "compensation off and look again: play that shows then was compensated. Or look again with the "
        "drawtube level: play that shows then was held by its load, and will be there at other altitudes"
    )


def repetition_flags(found: Found) -> list[Flag]:
    """Return a note for each number that a slip which these looks cannot tell would well move."""
    settled, problem = found.settled, found.settled.problem
    first = FIRST_SLOPE + problem.slopes
    about: dict[int, tuple[str, ...]] = {
        BACKLASH: ("backlash_steps", "lost_motion_to_outward_steps", "lost_motion_to_inward_steps"),
        FIRST_SLOPE: ("slope_px_per_step",),
        **{first + k: (f"crossings_steps.{name}",) for k, name in enumerate(found.prepared.filters)},
    }
    moved = slip.widened_by_untold(settled, found.prepared)
    if problem.slopes == 1 and moved[FIRST_SLOPE] < slip.MOST_WIDENED:
        # That one allows for it by itself.
        del about[FIRST_SLOPE]
    named = [(place, path) for place, paths in about.items() if moved[place] > MATTERS for path in paths]
    shift = slip.moved_by_untold(settled, found.prepared) if named else np.zeros(0)
    return [flag("not_repeated", path, _by_a_slip(place, float(shift[place]))) for place, path in named]


def _by_a_slip(place: int, shift: float) -> str:
    """Return the caution with what it may come to."""
    unit = "px/step" if place == FIRST_SLOPE else "steps"
    words = f"a slip of 1 % of the range looked at, over all looks, would move it by {shift:.2g} {unit}"
    return f"{MEANINGS['not_repeated'][1]}; {words}"


def sides_untold_flag(transition: Quantity | None) -> Flag | None:
    """Return a note where a transition is told: what happens on one side alone would pass for a wider one.

    The sides' difference is known no better than the transition itself, so that a test of it which finds
    nothing still leaves room for as much as the transition's own interval.
    """
    if transition is None or transition.is_upper_limit:
        return None
    return flag("sides_untold", "transition_steps")


def interleaving_flags(settled: Settled, filters: Sequence[str], reference: str) -> list[Flag]:
    """Return a note for each filter that shares no pass with the reference filter: its offset and crossing.

    Where no other filter shares one, the reference filter's crossing is as far from the middle of the looks.
    """
    if reference not in filters:
        return []
    index, passes = settled.problem.filter_index, settled.layout.pass_index
    own = [set(passes[index == k].tolist()) for k in range(len(filters))]
    common = own[filters.index(reference)]
    alone = [name for name, seen in zip(filters, own, strict=True) if not seen & common]
    apart = [*alone, reference] if alone and len(alone) == len(filters) - 1 else alone
    paths = [f"offsets_steps.{name}" for name in alone] + [f"crossings_steps.{name}" for name in apart]
    return [flag("not_interleaved", path) for path in paths]


def drift_confounded_flag(found: Found, coefficient: Quantity | None) -> Flag | None:
    """Return a note when the temperature ran with the clock, so that only other nights tell it from slip."""
    if coefficient is None or not slip_would_pass(found):
        return None
    return flag("drift_confounded", "temperature_coefficient_steps_per_c")


def lag_flag(found: Found) -> Flag | None:
    """Return a note when a lag of a few minutes, which one night hardly shows, would shift the crossings."""
    rate, alpha = found.prepared.rate_c_per_s, float(found.settled.solution.state.theta[ALPHA])
    if rate is None or not found.settled.free[ALPHA]:
        return None
    shift = abs(alpha * float(np.mean(rate))) * LONG_LAG_S
    first = FIRST_SLOPE + found.settled.problem.slopes
    gradient = np.zeros(found.settled.problem.size)
    gradient[first] = 1.0
    u = found.mixture.quantity(gradient).u
    if u is None or shift < 0.5 * u:
        return None
    words = f"a tube {LONG_LAG_S / 60.0:.0f} minutes behind the thermometer would shift crossings by"
    return flag("lag_unknown", "crossings", f"{words} {shift:.2g} steps")


def periodic_flag(found: DriveError | None) -> Flag | None:
    """Return a note with period and amplitude when the residuals repeat with position."""
    if found is None:
        return None
    words = (
        f"the residuals repeat every {found.period_steps:.0f} steps with an amplitude of "
        f"{found.amplitude_steps:.2g} steps, as an eccentric gear or pulley would make them; u includes it"
    )
    return flag("periodic_error", "all", words)


def drive_error(settled: Settled) -> DriveError | None:
    """Return the drive's repeating error where the residuals show one beyond doubt."""
    problem, at = settled.problem, settled.solution.at
    span = float(np.ptp(problem.position))
    places = np.unique(problem.position)
    if len(places) < 12:
        return None
    slope = problem.slope_of(settled.solution.state.theta)
    weight = at.good * slope**2 / settled.solution.state.variance
    residual = at.residual / slope
    step = span / (len(places) - 1)
    periods = 1.0 / np.linspace(1.5 / span, 0.45 / step, 4 * len(places))
    phase = 2.0 * np.pi * problem.position[None, :] / periods[:, None]
    power, amplitude = _powers(phase, residual - np.average(residual, weights=weight), weight)
    best = int(np.argmax(power))
    left = max((settled.chi_square - 2.0 * power[best]) / settled.degrees_of_freedom, 1e-300)
    chance = len(places) * float(np.exp(-power[best] / max(left, 1.0)))
    if chance > DOUBT:
        return None
    return DriveError(float(periods[best]), float(amplitude[best]))


def _powers(phase: Array, residual: Array, weight: Array) -> tuple[Array, Array]:
    """Return the least-squares periodogram (Lomb 1976, Scargle 1982) and the amplitudes."""
    cosine, sine = np.cos(phase), np.sin(phase)
    cc, ss, cs = (cosine**2) @ weight, (sine**2) @ weight, (cosine * sine) @ weight
    cy, sy = cosine @ (weight * residual), sine @ (weight * residual)
    determinant = np.maximum(cc * ss - cs**2, 1e-300)
    a, b = (ss * cy - cs * sy) / determinant, (cc * sy - cs * cy) / determinant
    return 0.5 * (a * cy + b * sy), np.hypot(a, b)


def outlier_flags(settled: Settled, prepared: Prepared) -> list[Flag]:
    """Return one note for each row that is believed by less than half."""
    at, variance = settled.solution.at, settled.solution.state.variance
    notes = []
    for k in np.flatnonzero(at.good < 0.5):
        row = prepared.rows[k]
        sigma = at.residual[k] / np.sqrt(variance[k])
        words = (
            f"observation {row.number} ({row.filter} at {row.position_steps:g} steps) lies {sigma:+.1f} "
            "standard deviations from the rest and was down-weighted"
        )
        notes.append(flag("outlier", f"observation {row.number}", words))
    return notes


def extrapolation_flags(settled: Settled, filters: Sequence[str]) -> list[Flag]:
    """Return one note for each filter whose crossing lies beyond the places that were looked at.

    With one slope for all filters the looks through any of them count, else only its own.
    """
    problem, state = settled.problem, settled.solution.state
    believed = settled.solution.at.good > 0.5
    distance = problem.value / problem.slope_of(state.theta)
    place = distance + problem.crossing_of(state.theta)
    crossings = state.theta[FIRST_SLOPE + problem.slopes : problem.first_bend]
    notes = []
    for index, name in enumerate(filters):
        own = believed & (problem.filter_index == index)
        looked_at = place[own if problem.slopes > 1 else believed]
        if own.any() and not np.min(looked_at) <= crossings[index] <= np.max(looked_at):
            words = f"{name} was never seen on both sides of focus: its crossing is extrapolated"
            notes.append(flag("extrapolated", f"crossings_steps.{name}", words))
    return notes


def scatter_flag(settled: Settled) -> Flag | None:
    """Return a note when the observations scatter clearly beyond the frames' own uncertainty."""
    own = settled.problem.u[settled.problem.u > 0.0]
    if len(own) == 0:
        return None
    ratio = float(np.mean(settled.solution.state.variance) / np.mean(own**2))
    if ratio < 1.5:
        return None
    return flag(
        "extra_scatter",
        "all",
        f"the observations scatter {ratio**0.5:.1f} times as much as the frames' own uncertainty explains "
        "(seeing, wind, or a drive that does not stop where it says); u includes it",
    )


def backlash_is_small(settled: Settled, high95: float) -> bool:
    """Tell whether even the upper end of the backlash is a small part of the range looked at."""
    return high95 < 0.05 * float(np.ptp(settled.problem.position)) and settled.free[BACKLASH]
