"""What the observations cannot tell, and what is odd about them: each with its code and its reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from routines.estimate.linear import Underdetermined, solve_weighted, straight_line
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION, State
from routines.estimate.play import Array
from routines.estimate.prepare import Prepared
from routines.estimate.result import FitSetup
from routines.estimate.robust import robust_line
from routines.estimate.settle import Settled, engaged_rows, fit_all
from routines.estimate.solve import covariance_of
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD

# Chance below which a departure from the model is taken for real: of the half-dozen tests made on every sound
# fit some per cent say so falsely, and nothing is lost by that, since the fit then allows for the departure.
DOUBT = 0.01
# Chance below which looks are said to answer the focuser at all.
FOLLOWS = 1e-4
DEFAULT_LONGEST_PLAY_STEPS = 300.0
STEEP_T = 6.0
STEEP_CHANCE = 1e-3
LEAST_SHARE_OF_EXPECTED = 0.2

NOT_FOLLOWING = (
    "the star did not respond to {span:.0f} steps of travel, more than any plausible play. "
    "Most likely first: the focus lock is tight, the motor's coupling is loose on its shaft, the grease "
    "is frozen or the drawtube sits at its end stop, or the positions in the table are not the focuser's"
)


CLEARLY_FOLLOWED_SIGMAS = 3.0
_NO_PLAY_STEPS = 1e-3


def f_chance(ratio: float, above: float, below: float) -> float:
    """Return the chance of a larger variance ratio, for these degrees of freedom."""
    from scipy.special import fdtrc

    return float(fdtrc(above, below, max(ratio, 0.0)))


def response_chance(settled: Settled) -> float:
    """Return the chance that looks which do not depend on position at all would fit so much better.

    Such looks may still move with the temperature, by as much as is believed possible.
    """
    problem, state, at = settled.problem, settled.solution.state, settled.solution.at
    count = len(problem.value)
    design = np.zeros((count + 1, problem.filters + 1))
    design[np.arange(count), problem.filter_index] = 1.0
    design[:-1, -1] = problem.warmth
    design[-1, -1] = 1.0
    slope = max(float(np.max(np.abs(problem.slope_of(state.theta)))), 1e-12)
    weight = np.append(at.good / state.variance, (slope * problem.alpha_prior) ** -2)
    used = np.any(design[:-1] != 0.0, axis=0)
    rows = slice(None) if used[-1] else slice(0, count)
    flat = _flat(design[rows, used], np.append(problem.value, 0.0)[rows], weight[rows])
    above = max(settled.parameters - int(np.count_nonzero(used)), 1.0)
    own = max(settled.chi_square, 1e-300)
    ratio = (flat - own) / above / (own / settled.degrees_of_freedom)
    return f_chance(ratio, above, settled.degrees_of_freedom)


def _flat(design: Array, value: Array, weight: Array) -> float:
    """Return the chi-square of a level for each filter; of none at all where nothing is believed."""
    try:
        return solve_weighted(design, value, weight).chi_square
    except Underdetermined:
        return float(np.sum(weight * value**2))


def follow_flag(settled: Settled, setup: FitSetup) -> Flag | None:
    """Return why nothing can be told when the star did not respond to the focuser."""
    slope = float(
        np.max(np.abs(settled.solution.state.theta[FIRST_SLOPE : FIRST_SLOPE + settled.problem.slopes]))
    )
    expected = setup.expected_slope_px_per_step
    weak = expected is not None and slope < LEAST_SHARE_OF_EXPECTED * abs(expected)
    if not weak and (response_chance(settled) < FOLLOWS or _a_pass_is_steep(settled)):
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


def _a_pass_is_steep(settled: Settled) -> bool:
    """Tell whether some pass of one filter is a straight line with a slope beyond doubt.

    With few looks the whole model has as many unknowns as rows, but a line has two.
    """
    problem, pass_index = settled.problem, settled.layout.pass_index
    for which in np.unique(pass_index):
        for index in range(problem.filters):
            rows = (pass_index == which) & (problem.filter_index == index)
            position, value, u = problem.position[rows], problem.value[rows], problem.u[rows]
            if len(np.unique(position)) < 4:
                continue
            known = bool(np.all(u > 0.0))
            line = straight_line(position, value, u if known else None)
            scatter = max(line.scatter or 1.0, 1.0) if known else 1.0
            steepness = abs(line.slope) / max(line.u_slope * scatter, 1e-300)
            if f_chance(steepness**2, 1.0, 1e9 if known else float(len(value) - 2)) < STEEP_CHANCE:
                return True
    return False


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


def travel_of_last_leg(settled: Settled) -> Array:
    """Return how far (n, steps) the motor had gone one way at each look; infinite past an unseen play."""
    route = settled.layout.route
    travel: Array = route.travel + settled.solution.state.slack[route.group]
    depth = np.count_nonzero(route.later_sign, axis=1)
    if route.later_travel.shape[1]:
        last = route.later_travel[np.arange(len(depth)), np.maximum(depth - 1, 0)]
        travel = np.where(depth > 0, last, travel)
    return travel


def _followed_in_sigmas(settled: Settled) -> Array:
    """Return how far each look's last leg went past the play, in the look's own uncertainty."""
    state = settled.solution.state
    past = travel_of_last_leg(settled) - state.theta[BACKLASH] - 0.5 * state.theta[TRANSITION]
    slope = np.abs(settled.problem.slope_of(state.theta))
    return np.asarray(past * slope / np.sqrt(state.variance))


def backlash_is_known(settled: Settled) -> bool:
    """Tell whether a known history fixes the backlash, the unknown first slack left free.

    On each side that was travelled a believed look must lie clearly past the play: where the drawtube never
    followed, a play that ends just before the last look would fit, and mean nothing. So would, where looks
    are on one side alone, one that ends just before the first of them: they must be clearly worse told
    without any play.
    """
    believed = settled.solution.at.good > 0.5
    followed = believed & (_followed_in_sigmas(settled) > CLEARLY_FOLLOWED_SIGMAS)
    sides = np.unique(settled.layout.side_now[believed])
    for side in sides:
        if not (followed & (settled.layout.side_now == side)).any():
            return False
    if len(sides) == 1 and not _shows_play(settled):
        return False
    state = replace(settled.solution.state, free_slack=~settled.layout.known)
    return _backlash_u(settled, state) < 0.1 * float(np.ptp(settled.problem.position))


def _shows_play(settled: Settled) -> bool:
    """Tell whether looks of a known history are clearly better told with play than with none.

    From one side that takes looks at two places inside the play: whatever moved the looks at one of them
    alone would pass for a play that ends just there.
    """
    inside = ~engaged_rows(settled) & (settled.solution.at.good > 0.5)
    if len(np.unique(settled.problem.position[inside])) < 2:
        return False
    without = fit_all(settled.problem, settled.layout, None, play=_NO_PLAY_STEPS)
    return without.total_cost - settled.total_cost > CLEARLY_FOLLOWED_SIGMAS**2


def _backlash_u(settled: Settled, state: State) -> float:
    """Return the backlash's standard uncertainty (steps) with the slacks that ``state`` leaves free."""
    free = settled.free.copy()
    free[TRANSITION] = False
    loose = replace(settled.solution, state=state)
    covariance, _ = covariance_of(loose, free)
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
    gain, _ = gained(settled, extra)
    below = max(settled.degrees_of_freedom - extra.shape[1], 1.0)
    left = max(settled.chi_square - gain, 1e-300)
    return f_chance(gain / extra.shape[1] / (left / below), extra.shape[1], below)


def lag_chance(settled: Settled, rate_c_per_s: Array) -> float:
    """Return the chance that looks without any lag of the temperature would be better told with one."""
    alpha = float(settled.solution.state.theta[ALPHA])
    if alpha == 0.0 or not np.ptp(rate_c_per_s) > 0.0:
        return 1.0
    slope = settled.problem.slope_of(settled.solution.state.theta)
    gain, _ = gained(settled, (slope * alpha * rate_c_per_s)[:, None])
    below = max(settled.degrees_of_freedom - 1.0, 1.0)
    return f_chance(gain / (max(settled.chi_square - gain, 1e-300) / below), 1.0, below)


def gained(settled: Settled, extra: Array) -> tuple[float, Array]:
    """Return how much the chi-square falls when linear columns (n, k) join the fit, and their factors (k)."""
    at, state = settled.solution.at, settled.solution.state
    weight = at.good / state.variance
    told = np.flatnonzero(settled.free & (np.sum(np.abs(at.jacobian), axis=0) > 0.0))
    base = at.jacobian[:, told]
    belief = np.sqrt(settled.problem.prior_precision(state.theta)[told])
    slacks = np.zeros((len(weight), settled.layout.groups))
    slacks[np.arange(len(weight)), settled.layout.route.group] = at.by_slack
    slacks = slacks[:, state.free_slack & np.any(slacks != 0.0, axis=0)]
    both = np.column_stack([base, slacks, extra])
    scale = np.sqrt(np.maximum(np.sum(both**2, axis=0), 1e-300))
    root = np.sqrt(weight)[:, None]
    ridge = np.diag(np.full(both.shape[1], 1e-6 * float(np.max(root))))
    believed = np.zeros((len(told), both.shape[1]))
    believed[np.diag_indices(len(told))] = belief / scale[: len(told)]
    design = np.vstack([both / scale * root, believed, ridge])
    target = np.concatenate([at.residual * root[:, 0], -belief * state.theta[told], np.zeros(both.shape[1])])
    found, *_ = np.linalg.lstsq(design, target, rcond=None)
    rows = len(weight) + len(told)
    left = target[:rows] - design[:rows] @ found
    factors: Array = found[-extra.shape[1] :] / scale[-extra.shape[1] :]
    return float(np.sum(target**2)) - float(np.sum(left**2)), factors
