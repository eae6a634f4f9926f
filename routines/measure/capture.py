"""Find the right minimum: from a hint when there is one, else by trying the whole range of defocus."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.measure.climb import FitLimits
from routines.measure.cutout import Cutout
from routines.measure.fit import fit_star, tolerant_cost
from routines.measure.fitted import StarFit, residuals
from routines.measure.halved import search_for
from routines.measure.model import MaskedStar, StarState

_USUAL_BLUR_PX = 3.0
_KEPT_MINIMA = 3
_RIVAL_COST = 9.0
_WORST_SURPRISE = 5.0
_QUICK_STEPS, _SETTLING_STEPS = 2, 8
_SAME_PLACE_U = 0.5


@dataclass(frozen=True, slots=True)
class Hint:
    """Where a frame's defocus is expected, and the set's seeing, from frames before it."""

    defocus_um: float
    defocus_u_um: float
    blur_px: float


@dataclass(frozen=True, slots=True)
class Captured:
    """The best fit, and whether another, different defocus explains the frame about as well."""

    fit: StarFit
    rival: bool


def capture(
    star: MaskedStar, cutout: Cutout, hint: Hint | None, spacing_um: float, usual_mismatch: float = 0.0
) -> Captured:
    """Fit a cut-out: near the hint, and from scratch when that is missing or does not hold.

    ``usual_mismatch`` is that of the set's other frames.
    """
    x_px, y_px = rough_place(cutout)
    if hint is not None:
        start = StarState(hint.defocus_um, x_px, y_px, hint.blur_px)
        limits = FitLimits(reach_um=star.templates.reach_um, own_light_only=True, mismatch=usual_mismatch)
        fit = fit_star(star, cutout, start, limits)
        surprise = abs(fit.state.defocus_um - hint.defocus_um) / math.hypot(
            hint.defocus_u_um, fit.defocus_u_um
        )
        if fit.converged and surprise < _WORST_SURPRISE:
            return Captured(fit, rival=False)
    return _from_scratch(
        star, cutout, StarState(0.0, x_px, y_px, hint.blur_px if hint else _USUAL_BLUR_PX), spacing_um
    )


def rough_place(cutout: Cutout) -> tuple[float, float]:
    """Return the star's place within the cut-out: the middle, to which it was cut."""
    return cutout.size_px // 2, cutout.size_px // 2


def _from_scratch(star: MaskedStar, cutout: Cutout, start: StarState, spacing_um: float) -> Captured:
    """Try a ladder of defoci, climb from the best few local minima, and compare where they end."""
    reach = star.templates.reach_um
    count = 2 * math.ceil(reach / spacing_um) + 1
    ladder = np.linspace(-reach * 0.98, reach * 0.98, count)
    search = search_for(star, cutout, start.blur_px)
    tried = [search.fit(replace(start, defocus_um=float(z)), _QUICK_STEPS) for z in ladder]
    costs = np.array([cost for _, cost in tried])
    minima = [i for i in range(count) if costs[i] == costs[max(i - 1, 0) : i + 2].min()]
    minima.sort(key=lambda i: costs[i])
    settled = [search.fit(tried[i][0].state, _SETTLING_STEPS)[0] for i in minima[:_KEPT_MINIMA]]
    limits = FitLimits(reach_um=reach, own_light_only=True)
    fits = [
        fit_star(star, cutout, replace(one.state, flux_electrons=0.0), limits) for one in _distinct(settled)
    ]
    # Compared on the same pixels: each fit has left out others as strange.
    used = np.logical_and.reduce([fit.used for fit in fits])
    ranked = sorted(((tolerant_cost(cutout, fit, used), fit) for fit in fits), key=lambda pair: pair[0])
    return Captured(ranked[0][1], _has_rival(ranked, int(used.sum())))


def _distinct(settled: Sequence[StarFit]) -> list[StarFit]:
    """Return one of the fits for each place: several trials may lead down into the same valley."""
    kept: list[StarFit] = []
    for fit in settled:
        if not any(_ends_at(fit, other) for other in kept):
            kept.append(fit)
    return kept


def _ends_at(fit: StarFit, other: StarFit) -> bool:
    apart_um = abs(fit.state.defocus_um - other.state.defocus_um)
    return fit.converged and other.converged and apart_um < _SAME_PLACE_U * other.defocus_u_um


def _has_rival(ranked: list[tuple[float, StarFit]], pixels: int) -> bool:
    """Tell whether a fit that ended elsewhere is nearly as likely as the best one."""
    lowest, best = ranked[0]
    scale = max(lowest / max(pixels, 1), 1.0)
    return any(
        (cost - lowest) / scale < _RIVAL_COST
        and abs(other.state.defocus_um - best.state.defocus_um)
        > 4.0 * math.hypot(best.defocus_u_um, other.defocus_u_um)
        for cost, other in ranked[1:]
    )


def share_of_light(cutout: Cutout, fit: StarFit) -> float:
    """Return a fitted star's light over all of the cut-out's: about 1, more where it is saturated."""
    pixels = cutout.pixels[cutout.usable]
    light = float(np.sum(pixels - np.median(pixels)))
    return fit.state.flux_electrons / light if light > 0.0 else math.inf


def signal_in_arms(cutout: Cutout, fit: StarFit, first_order_px: float) -> tuple[float, float]:
    """Return how much of the expected light beyond the core is there (1 for a masked star), and its u.

    An unmasked star has all its light in the core, where a masked one keeps only half.
    """
    axis = np.arange(cutout.size_px)
    across, down = axis - fit.state.x_px, axis - fit.state.y_px
    outside = fit.used & (across**2 + (down**2)[:, None] > (0.5 * first_order_px) ** 2)
    residual, signal, variance = (part[outside] for part in residuals(cutout, fit))
    information = float((signal**2 / variance).sum())
    if information <= 0.0:
        return 0.0, math.inf
    amount = 1.0 + float((signal * residual / variance).sum()) / information
    return amount, 1.0 / math.sqrt(information)
