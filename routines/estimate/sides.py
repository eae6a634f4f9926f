"""Lost motion to each side from its own reversals, and whether crossings from one side stay put.

Every pass that looked past the play gives a crossing of its own; the differences across reversals are the
lost motion each way, and the differences between passes of one side are slip.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from routines.estimate.linear import Underdetermined, solve_weighted
from routines.estimate.model import BACKLASH, TRANSITION, Mask
from routines.estimate.play import Array
from routines.estimate.refusals import DOUBT, f_chance
from routines.estimate.settle import Settled, engaged_rows
from routines.estimate.solve import covariance_of
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD
from routines.quantity import Quantity

# A cause explains the drift when what it leaves is no rarer than this.
EXPLAINS = 0.01


@dataclass(frozen=True, slots=True)
class PassCrossings:
    """Crossings of the passes (k) relative to the first of each family, with covariance (k, k) and sides.

    ``passes`` are their numbers among all passes. ``family`` tells which may be compared: passes that share
    filters, directly or through others. Empty: all of them. ``drift`` (k, j) is by how much each shape of a
    steady slip, one standard deviation high, moves them; ``slip`` (j) and ``slip_covariance`` (j, j) are the
    shapes' factors as the whole fit tells them, from looks that it shares with the crossings: ``shared``
    (j, k) is their covariance.
    """

    crossing: Array
    covariance: Array
    side: tuple[int, ...]
    degrees_of_freedom: float
    passes: tuple[int, ...] = ()
    family: tuple[int, ...] = ()
    drift: Array | None = None
    slip: Array | None = None
    slip_covariance: Array | None = None
    shared: Array | None = None

    def comparable(self, one: int, other: int) -> bool:
        """Tell whether the two passes' crossings differ by more than an unknown offset."""
        return not self.family or self.family[one] == self.family[other]


def pass_crossings(settled: Settled) -> PassCrossings | None:
    """Return each engaged pass's crossing, slip and all; None for fewer than two passes."""
    engaged = engaged_rows(settled)
    layout = settled.layout
    passes = [int(p) for p in np.unique(layout.pass_index[engaged])]
    if len(passes) < 2:
        return None
    state, problem = settled.solution.state, settled.problem
    slope = problem.slope_of(state.theta)
    family = _families([set(problem.filter_index[engaged & (layout.pass_index == p)]) for p in passes])
    free = [k for k in range(len(passes)) if family[k] in family[:k]]
    if not free:
        return None
    shifts = np.column_stack([np.where(layout.pass_index == passes[k], -slope, 0.0) for k in free])
    common, design, target, weight = _equations(settled, engaged, shifts)
    try:
        solution = solve_weighted(design, target, weight)
    except Underdetermined:
        return None
    which = slice(design.shape[1] - len(free), None)
    side = tuple(int(layout.side_now[layout.pass_index == p][0]) for p in passes)
    shift = np.zeros(len(passes))
    shift[free] = solution.coefficients[which]
    covariance = np.zeros((len(passes), len(passes)))
    covariance[np.ix_(free, free)] = solution.covariance[which, which]
    branch = np.array([state.theta[BACKLASH] if s == OUTWARD else 0.0 for s in side])
    slipped = problem.strays[:, : problem.slips]
    drift = np.array([-np.mean(slipped[engaged & (layout.pass_index == p)], axis=0) for p in passes])
    whole = _covariance(settled)[problem.slip_places]
    shared = np.zeros((problem.slips, len(passes)))
    # First order: how the whole fit's slip moves with what moves the crossings.
    shared[:, free] = whole @ (common.T * weight) @ design @ solution.covariance[:, which]
    return PassCrossings(
        crossing=shift + branch,
        covariance=covariance,
        side=side,
        degrees_of_freedom=settled.degrees_of_freedom,
        passes=tuple(passes),
        family=family,
        drift=drift,
        slip=state.theta[problem.slip_places],
        slip_covariance=whole[:, problem.slip_places],
        shared=shared,
    )


def _equations(settled: Settled, engaged: Mask, shifts: Array) -> tuple[Array, Array, Array, Array]:
    """Return the equations (m) of looks past the play and of beliefs, for passes with ``shifts`` (n, k).

    Derivatives by every global (m, q), the design with the shifts last, the target and the weight (m).
    """
    at, state, problem = settled.solution.at, settled.solution.state, settled.problem
    told = np.any(at.jacobian[engaged] != 0.0, axis=0)
    # The passes' own crossings take the play's and the steady slip's part.
    told[[BACKLASH, TRANSITION]] = False
    told[problem.slip_places] = False
    precision = problem.prior_precision(state.theta)
    believed = np.flatnonzero(told & (precision > 0.0))
    rows = int(np.sum(engaged))
    common = np.zeros((rows + len(believed), problem.size))
    common[:rows] = at.jacobian[engaged]
    common[rows + np.arange(len(believed)), believed] = 1.0
    moved = np.vstack([shifts[engaged], np.zeros((len(believed), shifts.shape[1]))])
    weight = np.concatenate([(at.good / state.variance)[engaged], precision[believed]])
    slipped = problem.strays[:, : problem.slips] @ state.theta[problem.slip_places]
    residual = at.residual + problem.slope_of(state.theta) * slipped
    target = np.concatenate([residual[engaged], -state.theta[believed]])
    return common, np.column_stack([common[:, told], moved]), target, weight


def _covariance(settled: Settled) -> Array:
    held = settled.free.copy()
    held[TRANSITION] = False
    return covariance_of(settled.solution, held)[0]


def _families(filters: list[set[int]]) -> tuple[int, ...]:
    """Return a label for each pass, alike where passes share filters, directly or through others."""
    label = list(range(len(filters)))
    for k, own in enumerate(filters):
        for other in range(k):
            if own & filters[other]:
                label = [label[k] if known == label[other] else known for known in label]
    return tuple(label)


def lost_motion(crossings: PassCrossings) -> dict[int, Quantity]:
    """Return the lost motion (steps) of reversals to each side that occurred, keyed by the side."""
    from scipy.special import stdtrit

    found = {}
    for side in (OUTWARD, INWARD):
        gradient = _mean_step(crossings, side)
        if gradient is not None:
            value, u = _without_slip(crossings, gradient)
            factor = float(stdtrit(crossings.degrees_of_freedom, 0.975))
            found[side] = Quantity.gaussian(value, u, factor)
    return found


def _mean_step(crossings: PassCrossings, side: int) -> Array | None:
    """Return the gradient (k) of the mean crossing difference over reversals to ``side``."""
    pairs = [
        k
        for k in range(1, len(crossings.side))
        if crossings.side[k] == side and crossings.side[k - 1] == -side and crossings.comparable(k, k - 1)
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
    difference, u = _without_slip(crossings, to_outward - to_inward)
    if u <= 0.0 or f_chance((difference / u) ** 2, 1.0, crossings.degrees_of_freedom) > DOUBT:
        return None
    words = f"lost motion to the outward side is {difference:+.1f} steps more than to the inward side"
    return flag("sides_disagree", "backlash_steps", words)


def same_side_contrast(crossings: PassCrossings) -> Array | None:
    """Return the contrasts (m, k) between successive passes of one side; None where no side came twice."""
    rows = []
    for side in (OUTWARD, INWARD):
        same = [k for k, own in enumerate(crossings.side) if own == side]
        for a, b in [(a, b) for a, b in pairwise(same) if crossings.comparable(a, b)]:
            row = np.zeros(len(crossings.side))
            row[b], row[a] = 1.0, -1.0
            rows.append(row)
    return np.array(rows) if rows else None


def _without_slip(crossings: PassCrossings, gradient: Array) -> tuple[float, float]:
    """Return ``gradient @ crossing`` less what a steady slip does to it, and its u.

    The slip is told by passes of one side, or by the whole fit where that tells it better.
    """
    value, variance = gradient @ crossings.crossing, gradient @ crossings.covariance @ gradient
    drift, factors, covariance = crossings.drift, crossings.slip, crossings.slip_covariance
    if drift is None or factors is None or covariance is None or not len(factors):
        return float(value), float(np.sqrt(variance))
    moved = gradient @ drift
    unsure = float(variance + moved @ covariance @ moved)
    if crossings.shared is not None:
        unsure -= float(2.0 * moved @ crossings.shared @ gradient)
    told = [(float(value - moved @ factors), max(unsure, 0.0))]
    contrast = same_side_contrast(crossings)
    if contrast is not None:
        own, left = _told_by_sides(crossings, contrast)
        corrected = gradient - moved @ own
        open_still = moved @ left
        unsure = float(corrected @ crossings.covariance @ corrected + open_still @ open_still)
        told.append((float(corrected @ crossings.crossing), unsure))
    best, unsure = min(told, key=lambda item: item[1])
    return best, float(np.sqrt(unsure))


def _told_by_sides(crossings: PassCrossings, contrast: Array) -> tuple[Array, Array]:
    """Return the slip's factors as gradients (j, k) of the crossings, and what of each is not told (j, j).

    The factors are believed to be of the order of 1, which decides where the passes cannot.
    """
    assert crossings.drift is not None
    effect = contrast @ crossings.drift
    strength = effect.T @ _precision(crossings, contrast)
    left: Array = np.asarray(np.linalg.inv(strength @ effect + np.eye(effect.shape[1])), dtype=np.float64)
    return left @ strength @ contrast, left


def _precision(crossings: PassCrossings, contrast: Array) -> Array:
    inverse = np.linalg.pinv(contrast @ crossings.covariance @ contrast.T, rcond=1e-9)
    return np.asarray(inverse, dtype=np.float64)


def _chance(crossings: PassCrossings, precision: Array, left: Array, spent: int) -> float:
    """Return the chance of changes between passes of one side (m) as large as ``left``."""
    free = float(len(left) - spent)
    squares = float(left @ precision @ left)
    return f_chance(squares / free, free, crossings.degrees_of_freedom) if free > 0.0 else 1.0


def beyond_steady(crossings: PassCrossings) -> Array | None:
    """Return the contrasts (m, k) less what a steady slip does to them where it does not explain them all.

    None where it does, or where no side came twice.
    """
    contrast = same_side_contrast(crossings)
    if contrast is None:
        return None
    spent, left = 0, contrast
    if crossings.drift is not None and crossings.drift.shape[1]:
        effect: Array = contrast @ crossings.drift
        own, _ = _told_by_sides(crossings, contrast)
        left, spent = (
            np.asarray(contrast - effect @ own, dtype=np.float64),
            int(np.linalg.matrix_rank(effect)),
        )
    precision = _precision(crossings, contrast)
    return None if _chance(crossings, precision, left @ crossings.crossing, spent) > DOUBT else left


def slip_flag(crossings: PassCrossings, clues: Mapping[str, Array] | None = None) -> Flag | None:
    """Return a note when passes of one side have different crossings beyond doubt.

    ``clues`` holds, for each cause in words, what it would make the passes (k) drift in proportion to. The
    causes that explain the drift are named, unless all of them do.
    """
    contrast = same_side_contrast(crossings)
    if contrast is None:
        return None
    change, precision = contrast @ crossings.crossing, _precision(crossings, contrast)
    if _chance(crossings, precision, change, 0) > DOUBT:
        return None
    sufficient = []
    for cause, drive in (clues or {}).items():
        effect = contrast @ drive
        strength = float(effect @ precision @ effect)
        if strength > 0.0 and len(change) > 1:
            left = change - effect * float(effect @ precision @ change) / strength
            sufficient += [cause] if _chance(crossings, precision, left, 1) > EXPLAINS else []
    words = f"crossings from the same side moved by up to {np.max(np.abs(change)):.1f} steps between passes: "
    any_of_them = "something slips or sags, or the temperature reading does not follow the tube"
    named = 0 < len(sufficient) < len(clues or {})
    return flag("slip", "all", words + (f"it goes {', or '.join(sufficient)}" if named else any_of_them))
