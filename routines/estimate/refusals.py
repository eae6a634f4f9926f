"""What the observations cannot tell, and what is odd about them: each with its code and its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from routines.estimate.linear import Underdetermined, solve_weighted
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION, State
from routines.estimate.play import Array
from routines.estimate.prepare import Prepared
from routines.estimate.result import FitSetup
from routines.estimate.robust import robust_line
from routines.estimate.settle import Settled, engaged_rows
from routines.estimate.solve import covariance_of
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD

# Chance (one-sided) below which a difference is taken for real: several tests are made on every fit.
DOUBT = 1e-4
DEFAULT_LONGEST_PLAY_STEPS = 300.0
STEEP_T = 6.0
LEAST_SHARE_OF_EXPECTED = 0.2

NOT_FOLLOWING = (
    "the star did not respond to {span:.0f} steps of travel, more than any plausible play. "
    "Most likely first: the focus lock is tight, the motor's coupling is loose on its shaft, the grease "
    "is frozen or the drawtube sits at its end stop, or the positions in the table are not the focuser's"
)


CLEARLY_FOLLOWED_SIGMAS = 3.0


def f_chance(ratio: float, above: float, below: float) -> float:
    """Return the chance of a larger variance ratio, for these degrees of freedom."""
    from scipy.special import fdtrc

    return float(fdtrc(above, below, max(ratio, 0.0)))


def response_chance(settled: Settled) -> float:
    """Return the chance that looks which do not depend on position at all would fit so much better."""
    problem, at = settled.problem, settled.solution.at
    weight = at.good / settled.solution.state.variance
    design = np.zeros((len(weight), problem.filters + 1))
    design[np.arange(len(weight)), problem.filter_index] = 1.0
    design[:, -1] = problem.warmth
    used = design[:, np.any(design != 0.0, axis=0)]
    try:
        flat = solve_weighted(used, problem.value, weight).chi_square
    except Underdetermined:
        flat = _flat_without_warmth(used[:, :-1], problem.value, weight)
    above = max(settled.parameters - used.shape[1], 1.0)
    own = max(settled.chi_square, 1e-300)
    ratio = (flat - own) / above / (own / settled.degrees_of_freedom)
    return f_chance(ratio, above, settled.degrees_of_freedom)


def _flat_without_warmth(levels: Array, value: Array, weight: Array) -> float:
    """Return the chi-square of a level for each filter; of none at all where nothing is believed."""
    try:
        return solve_weighted(levels, value, weight).chi_square
    except Underdetermined:
        return float(np.sum(weight * value**2))


def follow_flag(settled: Settled, setup: FitSetup) -> Flag | None:
    """Return why nothing can be told when the star did not respond to the focuser."""
    slope = float(
        np.max(np.abs(settled.solution.state.theta[FIRST_SLOPE : FIRST_SLOPE + settled.problem.slopes]))
    )
    expected = setup.expected_slope_px_per_step
    weak = expected is not None and slope < LEAST_SHARE_OF_EXPECTED * abs(expected)
    if response_chance(settled) < DOUBT and not weak:
        return None
    span = float(np.ptp(settled.problem.position))
    if span > (setup.longest_play_steps or DEFAULT_LONGEST_PLAY_STEPS):
        return flag("does_not_follow", "all", NOT_FOLLOWING.format(span=span))
    return flag(
        "all_in_dead_zone",
        "all",
        f"the star did not respond over {span:.0f} steps, which the play may have swallowed: "
        "go further one way before looking, then look past the dead zone",
    )


def contradiction(prepared: Prepared) -> Flag | None:
    """Return a flag when passes or filters respond in opposite directions, each beyond doubt."""
    problem, pass_index = prepared.problem, prepared.layout.pass_index
    rising: list[str] = []
    falling: list[str] = []
    for which in np.unique(pass_index):
        for index, name in enumerate(prepared.filters):
            rows = (pass_index == which) & (problem.filter_index == index)
            steepness = _steepness(problem.position[rows], problem.value[rows])
            if abs(steepness) > STEEP_T:
                (rising if steepness > 0 else falling).append(f"{name} in pass {which + 1}")
    if not rising or not falling:
        return None
    fewer, more = sorted((rising, falling), key=len)
    return flag(
        "slopes_contradict",
        "all",
        f"the spike error responds one way in {', '.join(more[:4])} and the opposite way in "
        f"{', '.join(fewer[:4])}: was the mask or the camera turned, or a sign lost, between them?",
    )


def _steepness(position: Array, value: Array) -> float:
    """Return a straight line's slope over its uncertainty, robustly; 0 for fewer than five positions."""
    if len(np.unique(position)) < 5:
        return 0.0
    line = robust_line(position, value)
    return line.slope / max(line.u_slope, 1e-300)


def supported_sides(settled: Settled, *, history: bool) -> set[int]:
    """Return the sides seen past all the play at two positions of a pass (one, where moves are known).

    Past the play means clearly so: a look that needs the play to end just before it, as the last looks of a
    locked drawtube do, shows nothing.
    """
    engaged = engaged_rows(settled)
    layout, position = settled.layout, settled.problem.position
    sides = set()
    for which in np.unique(layout.pass_index):
        rows = (layout.pass_index == which) & engaged
        if not rows.any():
            continue
        clear = history and bool((_followed_in_sigmas(settled)[rows] > CLEARLY_FOLLOWED_SIGMAS).any())
        if clear or (not history and len(np.unique(position[rows])) >= 2):
            sides.add(int(layout.side_now[rows][0]))
    return sides


def _followed_in_sigmas(settled: Settled) -> Array:
    """Return how far each look's last leg went past the play, in the look's own uncertainty."""
    route, state = settled.layout.route, settled.solution.state
    travel = route.travel + state.slack[route.group]
    depth = np.count_nonzero(route.later_sign, axis=1)
    if route.later_travel.shape[1]:
        last = route.later_travel[np.arange(len(depth)), np.maximum(depth - 1, 0)]
        travel = np.where(depth > 0, last, travel)
    past = travel - state.theta[BACKLASH] - 0.5 * state.theta[TRANSITION]
    slope = np.abs(settled.problem.slope_of(state.theta))
    return np.asarray(past * slope / np.sqrt(state.variance))


def backlash_is_known(settled: Settled) -> bool:
    """Tell whether a known history fixes the backlash, the unknown first slack left free.

    On each side that was travelled a believed look must lie clearly past the play: where the drawtube never
    followed, a play that ends just before the last look would fit, and mean nothing.
    """
    believed = settled.solution.at.good > 0.5
    followed = believed & (_followed_in_sigmas(settled) > CLEARLY_FOLLOWED_SIGMAS)
    for side in np.unique(settled.layout.side_now[believed]):
        if not (followed & (settled.layout.side_now == side)).any():
            return False
    state = replace(settled.solution.state, free_slack=~settled.layout.known)
    return _backlash_u(settled, state) < 0.1 * float(np.ptp(settled.problem.position))


def _backlash_u(settled: Settled, state: State) -> float:
    """Return the backlash's standard uncertainty (steps) with the slacks that ``state`` leaves free."""
    free = settled.free.copy()
    free[TRANSITION] = False
    loose = replace(settled.solution, state=state)
    covariance, _ = covariance_of(settled.problem, settled.layout, loose, free)
    return float(covariance[BACKLASH, BACKLASH] ** 0.5)


def confounded_flag(settled: Settled) -> Flag | None:
    """Return why backlash cannot be told from offsets when no filter was seen past the play on both sides."""
    if _backlash_u(settled, settled.solution.state) < float(np.ptp(settled.problem.position)):
        return None
    return flag(
        "not_identifiable",
        "backlash_steps",
        "no filter was seen past the play on both sides: backlash and offsets cannot be told apart",
    )


def sides_of_filters(settled: Settled) -> list[set[int]]:
    """Return, for each filter, the sides on which it was seen past the play."""
    engaged = engaged_rows(settled)
    index, side = settled.problem.filter_index, settled.layout.side_now
    return [
        set(np.unique(side[engaged & (index == which)]).astype(int).tolist())
        for which in range(settled.problem.filters)
    ]


def missing_side_flag(settled: Settled, sides: set[int]) -> Flag:
    """Return why the backlash cannot be told when only one side is supported."""
    travelled = set(np.unique(settled.layout.side_now).astype(int).tolist())
    if sides >= travelled:
        way = "outward" if OUTWARD in travelled else "inward"
        return flag(
            "no_reversal", "backlash_steps", f"every pass went {way}: backlash shows only after a reversal"
        )
    way = "outward" if INWARD in sides else "inward"
    return flag(
        "pass_too_short",
        "backlash_steps",
        f"no {way} pass shows at least two positions past the dead zone: look further {way}",
    )


def slope_difference_chance(settled: Settled) -> float | None:
    """Return the chance that filters of one slope differ as these do; None where that cannot be tested."""
    problem, solution = settled.problem, settled.solution
    if problem.filters < 2:
        return None
    engaged = engaged_rows(settled)
    for index in range(problem.filters):
        rows = engaged & (problem.filter_index == index)
        if len(np.unique(problem.position[rows])) < 3:
            return None
    distance = solution.at.jacobian[:, FIRST_SLOPE]
    extra = np.zeros((len(distance), problem.filters - 1))
    for index in range(1, problem.filters):
        extra[:, index - 1] = np.where(problem.filter_index == index, distance, 0.0)
    gain = _gain(settled, extra)
    below = max(settled.degrees_of_freedom - extra.shape[1], 1.0)
    left = max(settled.chi_square - gain, 1e-300)
    return f_chance(gain / extra.shape[1] / (left / below), extra.shape[1], below)


def _gain(settled: Settled, extra: Array) -> float:
    """Return how much the chi-square falls when linear columns (n, k) join the fit."""
    at, state = settled.solution.at, settled.solution.state
    weight = at.good / state.variance
    base = at.jacobian[:, settled.free & (np.sum(np.abs(at.jacobian), axis=0) > 0.0)]
    slacks = np.zeros((len(weight), settled.layout.groups))
    slacks[np.arange(len(weight)), settled.layout.route.group] = at.by_slack
    slacks = slacks[:, state.free_slack & np.any(slacks != 0.0, axis=0)]
    both = np.column_stack([base, slacks, extra])
    scale = np.sqrt(np.maximum(np.sum(both**2, axis=0), 1e-300))
    root = np.sqrt(weight)[:, None]
    ridge = np.diag(np.full(both.shape[1], 1e-6 * float(np.max(root))))
    design = np.vstack([both / scale * root, ridge])
    target = np.concatenate([at.residual * root[:, 0], np.zeros(both.shape[1])])
    found, *_ = np.linalg.lstsq(design, target, rcond=None)
    left = target[: len(weight)] - design[: len(weight)] @ found
    return settled.chi_square - float(np.sum(left**2))


def periodic_flag(settled: Settled) -> Flag | None:
    """Return a note with period and amplitude when the residuals repeat with position."""
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
    return flag(
        "periodic_error",
        "all",
        f"the residuals repeat every {periods[best]:.0f} steps with an amplitude of "
        f"{amplitude[best]:.2g} steps, as an eccentric gear or pulley would make them",
    )


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
    """Return one note for each filter whose crossing lies beyond the places that were looked at."""
    problem, state = settled.problem, settled.solution.state
    distance = problem.value / problem.slope_of(state.theta)
    notes = []
    for index, name in enumerate(filters):
        own = distance[(problem.filter_index == index) & (settled.solution.at.good > 0.5)]
        if len(own) and (np.all(own > 0.0) or np.all(own < 0.0)):
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


def drawn_by_prior(settled: Settled) -> float:
    """Return the share (0 to 1) of what is known about alpha that came from the prior alone."""
    information = float(settled.solution.arrow.matrix[ALPHA, ALPHA])
    return 1.0 / max(information * settled.problem.alpha_prior**2, 1.0)


def backlash_is_small(settled: Settled, high95: float) -> bool:
    """Tell whether even the upper end of the backlash is a small part of the range looked at."""
    return high95 < 0.05 * float(np.ptp(settled.problem.position)) and settled.free[BACKLASH]
