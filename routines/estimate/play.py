"""The mechanics of lost motion: where the drawtube is for a motor position and a history.

A set of elementary plays, spread evenly over [B - w/2, B + w/2], each taken up in turn (a Prandtl-Ishlinskii
operator; Brokate and Sprekels, Hysteresis and Phase Transitions, 1996, chapter 2). Averaged over the set, the
travel swallowed after a reversal is a smooth function of the travel since it, and so are its derivatives.
Inward engaged the drawtube's place is t = m; outward engaged t = m - B. Axes before the last one, where there
are any, are so many settings of play and slacks at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

NARROWEST_TRANSITION_STEPS = 1e-6


def share_engaged(travel: Array, backlash: Array | float, transition: Array | float) -> Array:
    """Return which share of the plays (0 to 1) is taken up after ``travel`` steps since a reversal."""
    width = np.maximum(transition, NARROWEST_TRANSITION_STEPS)
    share = (travel - (backlash - 0.5 * width)) / width
    engaged: Array = np.minimum(np.maximum(share, 0.0), 1.0)
    return engaged


def swallowed(travel: Array, backlash: Array | float, transition: Array | float) -> Array:
    """Return the part (steps) of ``travel`` since a reversal that the drawtube did not follow."""
    return lost_of(travel, share_engaged(travel, backlash, transition), backlash, transition)


def lost_of(travel: Array, share: Array, backlash: Array | float, transition: Array | float) -> Array:
    """Return the same, which share of the plays is taken up being known."""
    width = np.maximum(transition, NARROWEST_TRANSITION_STEPS)
    lost: Array = np.minimum(travel, backlash + 0.5 * width) - 0.5 * width * share**2
    return lost


@dataclass(frozen=True, slots=True)
class Places:
    """Drawtube places (.., n; steps), and their derivatives by backlash, transition and slack (.., n)."""

    place: Array
    by_backlash: Array
    by_transition: Array
    by_slack: Array
    engaged: Array


@dataclass(frozen=True, slots=True)
class Route:
    """How each of n looks was reached, as far as the drawtube's place depends on it.

    ``side`` (n) is the direction of the first leg since the last forgotten history, ``leg_end`` (n) the
    position where that leg ended (the look itself, unless reversals followed), ``travel`` (n) its length
    without the slack of its group. ``group`` (n) indexes the slack. ``later_travel`` and ``later_sign``
    (n, depth) are further legs, each shorter than the one before; sign 0 pads.
    """

    side: Array
    leg_end: Array
    travel: Array
    group: Index
    later_travel: Array
    later_sign: Array


def places(route: Route, slack: Array, backlash: Array | float, transition: Array | float) -> Places:
    """Return where the drawtube is at each look.

    ``slack`` (.., groups) is the travel made before each group's start since the drawtube last followed the
    other way; infinite means that the play was taken up. ``backlash`` and ``transition`` are (..).
    """
    backlash, transition = np.asarray(backlash)[..., None], np.asarray(transition)[..., None]
    travel = route.travel + slack[..., route.group]
    share = share_engaged(travel, backlash, transition)
    lost = lost_of(travel, share, backlash, transition)
    outward = route.side > 0
    place = route.leg_end - np.where(outward, lost, backlash - lost)
    by_backlash = -np.where(outward, share, 1.0 - share)
    bend = 0.5 * share * (1.0 - share)
    by_transition = route.side * bend
    by_slack = -route.side * (1.0 - share)
    if route.later_travel.shape[1]:
        later = _later_legs(route, backlash[..., None], transition[..., None])
        place, by_backlash, by_transition = place + later[0], by_backlash + later[1], by_transition + later[2]
        share = later[3]
    return Places(place, by_backlash, by_transition, by_slack, share)


def place_at(route: Route, slack: Array, backlash: Array, transition: Array) -> Array:
    """Return where the drawtube is at each look (.., n), as ``places`` does, without the derivatives."""
    if route.later_travel.shape[1]:
        return places(route, slack, backlash, transition).place
    backlash, transition = np.asarray(backlash)[..., None], np.asarray(transition)[..., None]
    lost = swallowed(route.travel + slack[..., route.group], backlash, transition)
    place: Array = route.leg_end - np.where(route.side > 0, lost, backlash - lost)
    return place


def _later_legs(route: Route, backlash: Array, transition: Array) -> tuple[Array, Array, Array, Array]:
    """Return what the legs after the first add to place, derivatives, and the share engaged at the look."""
    share = share_engaged(route.later_travel, backlash, transition)
    followed = route.later_travel - lost_of(route.later_travel, share, backlash, transition)
    sign = route.later_sign
    count = np.count_nonzero(sign, axis=1)
    rows = np.arange(len(count))
    last = np.where(count > 0, share[..., rows, np.maximum(count - 1, 0)], 1.0)
    signed = sign * share
    return (
        (sign * followed).sum(axis=-1),
        -signed.sum(axis=-1),
        0.5 * (signed * (1.0 - share)).sum(axis=-1),
        last,
    )
