"""A slow slip that looks need not have shown is allowed for in every fit: no number rests on its absence.

A friction drive that gives under its load loses a share of its travel, a motor that starts badly loses some
at each start: the zero moves steadily. To test for that and then forget it would leave intervals too narrow
just below the test's threshold. A slip with the travel against the load alone is, but for a part of the slope
that nothing tells, a slip with all of the travel.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from routines.estimate.model import BACKLASH, FIRST_SLOPE, TRANSITION, Mask, look
from routines.estimate.play import Array
from routines.estimate.prepare import Prepared
from routines.estimate.refusals import DOUBT, f_chance, gained
from routines.estimate.settle import Settled, engaged_rows, opened, with_strays
from routines.estimate.solve import Solution, covariance_of, normal_equations
from routines.flags import Flag, flag

# One standard deviation of what may slip over all the looks, as a share of the range looked at: so wide that
# the looks decide.
BELIEVED_SHARE = 0.1
# Where a steady slip would make a number's u so many times larger, the looks as good as do not tell it: the
# number is given for no slip, with a caution.
MOST_WIDENED = 2.0
# How steady a slip may be thought to be: where looks tell it better than to this share of it, what is not
# steady about it moves the numbers by more than their u.
STEADY_TO = 0.1
# By what share of itself a slip that shows may well differ from one reversal to the next, one standard
# deviation: friction seldom repeats better (common practice), and a motor's start may be seen or unseen.
UNSTEADY = 0.3
# Chance below which a slip shows so much that its unsteadiness matters beside its own u.
SHOWN = 0.1


def allowing_slip(settled: Settled, prepared: Prepared) -> Settled:
    """Return the fit with a steady slip free, in as many shapes as the looks can tell (perhaps none)."""
    both = shapes(settled, prepared)
    for kept in (both, both[:, :1]):
        if kept.shape[1] and _widest(settled, kept) < MOST_WIDENED:
            return with_strays(settled, kept, slips=kept.shape[1])
    return settled


def unsteady(settled: Settled) -> Settled:
    """Return the fit where a slip that shows may be some share larger or smaller from pass to pass."""
    if not shows(settled):
        return settled
    size = UNSTEADY * _slipped_between(settled)
    index = settled.layout.pass_index
    later = [np.where(index >= which, size[k], 0.0) for k, which in enumerate(np.unique(index)[1:])]
    columns = np.column_stack(later)[:, size > 0.0]
    return with_strays(settled, columns - np.mean(columns, axis=0)) if columns.shape[1] else settled


def shows(settled: Settled) -> bool:
    """Tell whether the looks speak for a steady slip, if not beyond doubt."""
    return _told_chance(settled) < SHOWN


def _slipped_between(settled: Settled) -> Array:
    """Return by how much (passes - 1, steps) the slip moved the zero from pass to pass, less its noise.

    Each shape's by itself: where they work against each other, each is as unsteady as alone.
    """
    index, places = settled.layout.pass_index, settled.problem.slip_places
    slipped = settled.problem.strays[:, : settled.problem.slips]
    means = np.array([np.mean(slipped[index == which], axis=0) for which in np.unique(index)])
    told = settled.solution.state.theta[places] ** 2 - np.diag(_covariance(settled))[places]
    moved: Array = np.sqrt(np.diff(means, axis=0) ** 2 @ np.maximum(told, 0.0))
    return moved


def share_of_travel(settled: Settled, prepared: Prepared) -> float:
    """Return which share of all travel a slip that shows takes, less its noise; 0 where none shows."""
    if settled.problem.slips < 2 or not shows(settled):
        return 0.0
    last = settled.problem.slip_places.stop - 1
    told = float(settled.solution.state.theta[last] ** 2 - _covariance(settled)[last, last])
    height = float(np.ptp(settled.problem.strays[:, settled.problem.slips - 1]))
    return math.sqrt(max(told, 0.0)) * height / float(np.ptp(prepared.travel_steps))


def shapes(settled: Settled, prepared: Prepared) -> Array:
    """Return the shapes (n, k; steps) of a slip at each reversal and of one with all travel.

    Of looks from one side alone what goes with the travel is part of the slope.
    """
    height = BELIEVED_SHARE * float(np.ptp(settled.problem.position))
    drives = [settled.layout.pass_index.astype(float)]
    if len(np.unique(settled.layout.side_now[engaged_rows(settled)])) > 1:
        drives.append(prepared.travel_steps)
    columns = [height * (drive - np.mean(drive)) / np.ptp(drive) for drive in drives if np.ptp(drive) > 0.0]
    return np.column_stack(columns) if columns else np.zeros((len(settled.problem.position), 0))


def _widest(settled: Settled, columns: Array) -> float:
    """Return how many times larger the shapes make the u of play, slope or a crossing at most."""
    kept = [BACKLASH, *range(FIRST_SLOPE, settled.problem.first_bend)]
    # Whatever may have happened unseen before each pass: that nothing did is too little to tell a play by.
    return float(np.max(_widened(*_with_slip(settled, columns, ~settled.layout.known))[kept]))


def _with_slip(settled: Settled, columns: Array, loose: Mask) -> tuple[Array, slice]:
    """Return the covariance were these shapes and slacks free too, and where the shapes are in it."""
    problem, state, free = opened(settled, columns)
    state = replace(state, free_slack=loose)
    at = look(problem, settled.layout, state)
    solution = Solution(state, at, normal_equations(problem, settled.layout, state, at), float(at.cost))
    free[TRANSITION] = False
    covariance, _ = covariance_of(solution, free)
    return covariance, slice(settled.problem.size, problem.size)


def _moved(covariance: Array, places: slice) -> Array:
    """Return how far (q, k) each of the factors at ``places`` moves the globals for each unit of it."""
    moved = np.linalg.solve(covariance[places, places], covariance[places]).T
    return np.asarray(moved, dtype=np.float64)


def _widened(covariance: Array, places: slice) -> Array:
    """Return how many times larger than with none the factors at ``places`` make each global's u (q)."""
    by_slip = np.sum(covariance[:, places] * _moved(covariance, places), axis=1)
    wide = np.diag(covariance)
    ratio: Array = np.sqrt(wide / np.maximum(wide - by_slip, 1e-12 * wide + 1e-300))
    return np.where(wide > 0.0, ratio, 1.0)


def widened_by_untold(settled: Settled, prepared: Prepared) -> Array:
    """Return how many times larger a slip that the fit does not allow for would make each global's u (q).

    With the passes as the fit says that they began or begun anyhow: whichever is the worse.
    """
    both, size = shapes(settled, prepared), settled.problem.size
    if both.shape[1] <= settled.problem.slips:
        return np.ones(size)
    ways = (~settled.layout.known, settled.solution.state.free_slack)
    worst: Array = np.max([_widened(*_with_slip(settled, both, loose))[:size] for loose in ways], axis=0)
    return worst


def moved_by_untold(settled: Settled, prepared: Prepared) -> Array:
    """Return how far (q) a slip of 1 % of the range looked at moves the globals, in a fit without it.

    The worse shape, and the worse of what may have happened unseen, as in ``widened_by_untold``.
    """
    both, size = shapes(settled, prepared), settled.problem.size
    if both.shape[1] <= settled.problem.slips:
        return np.zeros(size)
    ways = (~settled.layout.known, settled.solution.state.free_slack)
    moved = np.array([_moved(*_with_slip(settled, both, loose))[:size] for loose in ways])
    worst: Array = (0.01 / BELIEVED_SHARE) * np.max(np.abs(moved), axis=(0, 2))
    return worst


def widened_by_slip(settled: Settled, prepared: Prepared) -> Array:
    """Return how many times larger a steady slip makes, or would make, each global's u (q)."""
    untold = widened_by_untold(settled, prepared)
    if not settled.problem.slips:
        return untold
    told: Array = _widened(_covariance(settled), settled.problem.slip_places)
    return np.maximum(told, untold)


def _covariance(settled: Settled) -> Array:
    free = settled.free.copy()
    free[TRANSITION] = False
    return covariance_of(settled.solution, free)[0]


def untold_shapes(settled: Settled, prepared: Prepared, place: int) -> Array:
    """Return the shapes (n, k; steps) of a slip that the fit is without and the global at ``place`` bears.

    None where it would be left too wide: that number is given for no slip.
    """
    both = shapes(settled, prepared)[:, settled.problem.slips :]
    if both.shape[1] and widened_by_untold(settled, prepared)[place] < MOST_WIDENED:
        return both
    return both[:, :0]


def steady_flag(settled: Settled, prepared: Prepared) -> Flag | None:
    """Return a note where the looks show a steady slip, whether the fit allows for it or is without."""
    if _untold_chance(settled, prepared) <= DOUBT:
        words = (
            "the zero moves with the looks, as when the drawtube slips, and not every number allows for it"
        )
        return flag("slip", "all", words)
    if _told_chance(settled) > DOUBT:
        return None
    words = "the zero moves steadily with the looks, as when the drawtube slips: "
    if follows(settled, prepared):
        return flag("steady_slip", "all", words + "the fit follows it, and u includes it")
    if prepared.runs is None:
        return flag("slip", "all", words + "so much that it is hardly steady enough for u to include it")
    return flag("slip", "all", words + "moves between them that nobody wrote down slipped too, unseen")


def follows(settled: Settled, prepared: Prepared) -> bool:
    """Tell whether a steady slip, no large one, is in the fit with all that drives it: no move unseen."""
    if not settled.problem.slips or prepared.runs is not None:
        return False
    return _told_squares(settled) < STEADY_TO**-2


def _told_squares(settled: Settled) -> float:
    """Return the square of the fit's slip in its own u, of all its factors together."""
    places = settled.problem.slip_places
    factors, covariance = settled.solution.state.theta[places], _covariance(settled)[places, places]
    return float(factors @ np.linalg.solve(covariance, factors))


def _told_chance(settled: Settled) -> float:
    """Return the chance of factors as large as the fit's where nothing slips."""
    slips = settled.problem.slips
    if not slips:
        return 1.0
    return f_chance(_told_squares(settled) / slips, slips, settled.degrees_of_freedom)


def _untold_chance(settled: Settled, prepared: Prepared) -> float:
    """Return the chance that shapes which the fit is without would help it so much where nothing slips."""
    both = shapes(settled, prepared)[:, settled.problem.slips :]
    if not both.shape[1]:
        return 1.0
    slope = settled.problem.slope_of(settled.solution.state.theta)
    gain, _ = gained(settled, slope[:, None] * both)
    spent = float(both.shape[1])
    below = max(settled.degrees_of_freedom - spent, 1.0)
    return f_chance(gain / spent / (max(settled.chi_square - gain, 1e-300) / below), spent, below)
