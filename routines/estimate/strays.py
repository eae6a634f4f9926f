"""Where the drawtube does otherwise than the model: told by the looks, then followed, so that u includes it.

Two things happen to real drawtubes that the play and its transition do not hold: the zero wanders from pass
to pass (slip, sag), and the play is taken up otherwise than by a straight transition, perhaps on one side
only. Each is tested for; where the looks show it beyond doubt, shapes with a believed size join the fit.
"""

from __future__ import annotations

import numpy as np

from routines.estimate.model import BACKLASH, TRANSITION
from routines.estimate.play import Array
from routines.estimate.refusals import DOUBT, f_chance, gained, travel_of_last_leg
from routines.estimate.settle import Settled, with_strays
from routines.estimate.sides import PassCrossings, same_side_contrast
from routines.flags import Flag, flag
from routines.observations import INWARD, OUTWARD

# Where, in plays since the reversal, the drawtube may stand elsewhere than the model says: from inside the
# dead zone to half a play beyond its end. Each shape is a tent that reaches to its neighbours' tops.
KNOTS_PLAYS = (0.5, 1.0, 1.5)
TENT_PLAYS = 0.5


def wandering(settled: Settled, crossings: PassCrossings, contrast: Array) -> Settled:
    """Return the fit with a zero that wanders from pass to pass, by as much as the same-side crossings did.

    ``contrast`` (m, k) are the differences between passes of one side that a steady slip does not explain.

    A random walk: what lies between two passes of one side is known from both, and less the further they are
    apart. Crossings then hold for the middle of the looks.
    """
    step = _walk_step(crossings, contrast)
    index = settled.layout.pass_index
    later = [np.where(index >= which, step, 0.0) for which in np.unique(index)[1:]]
    if not later or step == 0.0:
        return settled
    columns = np.column_stack(later)
    return with_strays(settled, columns - np.mean(columns, axis=0))


def _walk_step(crossings: PassCrossings, contrast: Array) -> float:
    """Return the standard deviation (steps) by which the zero moves from one pass to the next."""
    change = contrast @ crossings.crossing
    noise = np.diag(contrast @ crossings.covariance @ contrast.T)
    pairs = same_side_contrast(crossings)
    gap = np.abs((contrast if pairs is None else pairs) @ np.array(crossings.passes, dtype=float))
    return float(np.sqrt(max(np.mean((change**2 - noise) / gap), 0.25 * np.mean(change**2 / gap))))


def play_shape(settled: Settled) -> tuple[Settled, Flag | None]:
    """Return the fit, following the play's own shape where it is not the modelled one, and the note."""
    shapes = _tents(settled)
    seen = [k for k in range(shapes.shape[1]) if np.count_nonzero(shapes[:, k] > 0.1) >= 3]
    if not settled.free[BACKLASH] or not seen:
        return settled, None
    slope = settled.problem.slope_of(settled.solution.state.theta)
    chance, height = _chance(settled, slope[:, None] * shapes[:, seen])
    if min(chance, _one_sided_chance(settled)) > DOUBT:
        return settled, None
    size = float(np.sqrt(np.mean(height**2)))
    side = np.repeat((OUTWARD, INWARD), len(KNOTS_PLAYS))[seen]
    most = {way: float(np.sum(height[side == way] ** 2)) for way in (OUTWARD, INWARD)}
    way = "outward" if most[OUTWARD] > most[INWARD] else "inward"
    words = (
        f"the play is not taken up as one straight transition: up to {np.max(np.abs(height)):.1f} steps off, "
        f"most after a reversal to the {way} side; the fit follows it, but the transition's width is doubtful"
    )
    return with_strays(settled, size * shapes[:, seen]), flag("play_shape", "transition_steps", words)


def _chance(settled: Settled, columns: Array) -> tuple[float, Array]:
    """Return the chance that columns (n, k) which mean nothing gain so much, and their factors (k)."""
    count = columns.shape[1]
    gain, factors = gained(settled, columns)
    below = max(settled.degrees_of_freedom - count, 1.0)
    left = max(settled.chi_square - gain, 1e-300)
    return f_chance(gain / count / (left / below), count, below), factors


def _one_sided_chance(settled: Settled) -> float:
    """Return the chance that a transition alike on both sides looks so different on them."""
    by_transition = settled.solution.at.jacobian[:, TRANSITION] * settled.layout.side_now
    if np.count_nonzero(by_transition) < 3:
        return 1.0
    return _chance(settled, by_transition[:, None])[0]


def _tents(settled: Settled) -> Array:
    """Return the shapes (n, 2 knots), those of the outward side first, each one step high."""
    play = max(float(settled.solution.state.theta[BACKLASH]), 1e-9)
    plays = travel_of_last_leg(settled) / play
    away = np.abs(plays[:, None] - np.array(KNOTS_PLAYS)) / TENT_PLAYS
    tent = np.maximum(0.0, 1.0 - np.where(np.isfinite(away), away, np.inf))
    side = settled.layout.side_now[:, None]
    return np.column_stack([np.where(side == way, tent, 0.0) for way in (OUTWARD, INWARD)])
