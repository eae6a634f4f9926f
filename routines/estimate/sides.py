"""Lost motion to each side from its own reversals, and whether crossings from one side stay put.

Every pass that looked past the play gives a crossing of its own; the differences across reversals are the
lost motion each way, and the differences between passes of one side are slip.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from routines.estimate.linear import Underdetermined, solve_weighted
from routines.estimate.model import BACKLASH, TRANSITION
from routines.estimate.play import Array
from routines.estimate.refusals import DOUBT, f_chance
from routines.estimate.settle import Settled, engaged_rows
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD
from routines.quantity import Quantity


@dataclass(frozen=True, slots=True)
class PassCrossings:
    """Crossings of the passes (k) relative to the first of them, with covariance (k, k) and sides."""

    crossing: Array
    covariance: Array
    side: tuple[int, ...]
    degrees_of_freedom: float


def pass_crossings(settled: Settled) -> PassCrossings | None:
    """Return each engaged pass's crossing; None for fewer than two passes."""
    engaged = engaged_rows(settled)
    layout = settled.layout
    passes = [int(p) for p in np.unique(layout.pass_index[engaged])]
    if len(passes) < 2:
        return None
    at, state, problem = settled.solution.at, settled.solution.state, settled.problem
    slope = problem.slope_of(state.theta)
    shifts = [np.where(layout.pass_index == p, -slope, 0.0) for p in passes[1:]]
    kept = np.array([k for k in range(problem.size) if k not in (BACKLASH, TRANSITION)])
    believed = problem.prior_precision(state.theta)[kept]
    priors = np.flatnonzero(believed > 0.0)
    design = np.zeros((int(np.sum(engaged)) + len(priors), len(kept) + len(shifts)))
    design[: -len(priors), : len(kept)] = at.jacobian[engaged][:, kept]
    design[: -len(priors), len(kept) :] = np.column_stack(shifts)[engaged]
    design[np.arange(-len(priors), 0), priors] = 1.0
    weight = np.concatenate([(at.good / state.variance)[engaged], believed[priors]])
    target = np.concatenate([at.residual[engaged], -state.theta[kept][priors]])
    try:
        solution = solve_weighted(design, target, weight)
    except Underdetermined:
        return None
    which = slice(len(kept), None)
    side = tuple(int(layout.side_now[layout.pass_index == p][0]) for p in passes)
    shift = np.concatenate([[0.0], solution.coefficients[which]])
    covariance = np.zeros((len(passes), len(passes)))
    covariance[1:, 1:] = solution.covariance[which, which]
    branch = np.array([state.theta[BACKLASH] if s == OUTWARD else 0.0 for s in side])
    return PassCrossings(shift + branch, covariance, side, settled.degrees_of_freedom)


def lost_motion(crossings: PassCrossings) -> dict[int, Quantity]:
    """Return the lost motion (steps) of reversals to each side that occurred, keyed by the side."""
    from scipy.special import stdtrit

    found = {}
    for side in (OUTWARD, INWARD):
        gradient = _mean_step(crossings, side)
        if gradient is not None:
            value = float(gradient @ crossings.crossing)
            u = float(np.sqrt(gradient @ crossings.covariance @ gradient))
            factor = float(stdtrit(crossings.degrees_of_freedom, 0.975))
            found[side] = Quantity.gaussian(value, u, factor)
    return found


def _mean_step(crossings: PassCrossings, side: int) -> Array | None:
    """Return the gradient (k) of the mean crossing difference over reversals to ``side``."""
    pairs = [
        k
        for k in range(1, len(crossings.side))
        if crossings.side[k] == side and crossings.side[k - 1] == -side
    ]
    if not pairs:
        return None
    gradient = np.zeros(len(crossings.side))
    for k in pairs:
        gradient[k] += side / len(pairs)
        gradient[k - 1] -= side / len(pairs)
    return gradient


def disagreement_flag(crossings: PassCrossings) -> Flag | None:
    """Return a note when the lost motion differs between the two sides beyond doubt."""
    to_outward, to_inward = (_mean_step(crossings, side) for side in (OUTWARD, INWARD))
    if to_outward is None or to_inward is None:
        return None
    gradient = to_outward - to_inward
    difference = float(gradient @ crossings.crossing)
    variance = float(gradient @ crossings.covariance @ gradient)
    if variance <= 0.0 or f_chance(difference**2 / variance, 1.0, crossings.degrees_of_freedom) > DOUBT:
        return None
    words = f"lost motion to the outward side is {difference:+.1f} steps more than to the inward side"
    return flag("sides_disagree", "backlash_steps", words)


def slip_flag(crossings: PassCrossings) -> Flag | None:
    """Return a note when passes of one side have different crossings beyond doubt."""
    rows = []
    for side in (OUTWARD, INWARD):
        same = [k for k, own in enumerate(crossings.side) if own == side]
        for a, b in pairwise(same):
            row = np.zeros(len(crossings.side))
            row[b], row[a] = 1.0, -1.0
            rows.append(row)
    if not rows:
        return None
    contrast = np.array(rows)
    change = contrast @ crossings.crossing
    covariance = contrast @ crossings.covariance @ contrast.T
    squares = float(change @ np.linalg.pinv(covariance, rcond=1e-9) @ change)
    if f_chance(squares / len(rows), float(len(rows)), crossings.degrees_of_freedom) > DOUBT:
        return None
    words = f"crossings from the same side moved by up to {np.max(np.abs(change)):.1f} steps between passes"
    return flag(
        "slip", "all", words + ": something slips, or the temperature reading does not follow the tube"
    )
