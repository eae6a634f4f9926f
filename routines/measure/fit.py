"""Maximum-likelihood fit of the forward model to one cut-out, by scoring.

Photons are Poisson and the readout adds its own variance; each pixel is weighted by the variance that the
model expects (not the one the data happen to show, which would bias faint frames). What the model cannot
match is measured from the residuals, put into the variance as a fraction of the star's own light, and so
ends up in the stated uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.climb import Climber, FitLimits
from routines.measure.cutout import Cutout
from routines.measure.fitted import StarFit, modelled, residuals
from routines.measure.foreign import foreign, isolated
from routines.measure.model import MaskedStar, StarState

_LARGEST_MISMATCH = 0.5
_TOLERATED_MISMATCH = 0.1
_ABOUT_THERE_U = 0.5
_SAME_MISMATCH, _SAME_MISMATCH_SHARE = 0.002, 0.01
# A climb that moves a star by less leaves its residuals as they were: nothing new is to be seen in them.
_AS_BEFORE_U = 0.2


def fit_star(star: MaskedStar, cutout: Cutout, start: StarState, limits: FitLimits | None = None) -> StarFit:
    """Fit a masked star near ``start``; isolated pixels that no star explains are left out.

    The returned covariance includes photon and read noise and the mismatch, not the turbulence.
    """
    limits = limits or FitLimits()
    used = cutout.usable & modelled(cutout.size_px)
    # What is still to be left out, and the mismatch, come from about the right place; only then does it pay
    # to climb to the top.
    about = replace(limits, tolerance_u=_ABOUT_THERE_U)
    level = _first_level(star, cutout, start, used)
    climber = Climber(star, cutout)
    fit = climber.climb(start, level, used, about, limits.mismatch)
    limits, quiet, others = replace(limits, iterations=6), False, False
    for round_ in range(3 if limits.own_light_only else 2):
        residual, signal, variance = residuals(cutout, fit)
        if quiet and climber.first_u < _AS_BEFORE_U:
            break
        strange = isolated(residual, signal, variance, used)
        if limits.own_light_only:
            place = (fit.state.x_px, fit.state.y_px)
            light = foreign(residual, signal, variance, used & ~strange, place) & used
            strange, others = strange | light, others or bool(light.any())
        mismatch = _mismatch(residual, signal, variance, used & ~strange)
        quiet = not strange.any()
        # Without a mismatch nothing in the weights stems from the start, and the first climb may be the last.
        at_top = round_ > 0 or (mismatch == 0.0 and climber.last_u < limits.tolerance_u)
        if quiet and at_top and _is_about(mismatch, fit.mismatch):
            break
        used &= ~strange
        level = np.array([fit.state.flux_electrons, *fit.background])
        fit = climber.climb(fit.state, level, used, limits, mismatch)
    else:
        residual, _, variance = residuals(cutout, fit)
        quiet = False
    alone = limits.own_light_only and quiet and not others
    return replace(fit, deviance=float((residual**2 / variance)[used].sum()), alone=alone)


def _is_about(mismatch: float, before: float) -> bool:
    return abs(mismatch - before) < _SAME_MISMATCH + _SAME_MISMATCH_SHARE * mismatch


def quick_fit(star: MaskedStar, cutout: Cutout, start: StarState, iterations: int) -> tuple[StarFit, float]:
    """Fit a few iterations with the blur held, to compare one starting defocus with another.

    The second value is the cost to compare: residuals against noise and a tolerated mismatch of 10 %.
    """
    limits = FitLimits(iterations=iterations, free_blur=False)
    used = cutout.usable & modelled(cutout.size_px)
    level = _first_level(star, cutout, start, used)
    fit = Climber(star, cutout).climb(start, level, used, limits, _TOLERATED_MISMATCH)
    return fit, tolerant_cost(cutout, fit, fit.used)


def tolerant_cost(cutout: Cutout, fit: StarFit, used: NDArray[np.bool_]) -> float:
    """Return the sum over pixels of squared residuals against noise and a tolerated mismatch of 10 %."""
    residual, signal, variance = residuals(cutout, fit)
    return float((residual**2 / (variance + (_TOLERATED_MISMATCH * signal) ** 2))[used].sum())


def _first_level(
    star: MaskedStar, cutout: Cutout, start: StarState, used: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return flux and a flat background to start from: the border's median and what stands above it."""
    pixels = cutout.pixels
    border = np.concatenate(
        [pixels[:6].ravel(), pixels[-6:].ravel(), pixels[:, :6].ravel(), pixels[:, -6:].ravel()]
    )
    fine = np.concatenate([used[:6].ravel(), used[-6:].ravel(), used[:, :6].ravel(), used[:, -6:].ravel()])
    background = float(np.median(border[fine])) if fine.any() else float(np.median(pixels[used]))
    if start.flux_electrons > 1.0:
        return np.array([start.flux_electrons, background, 0.0, 0.0])
    image = star.unit_image(start)
    flux = float((image[used] * (pixels[used] - background)).sum() / (image[used] ** 2).sum())
    return np.array([max(flux, 10.0), background, 0.0, 0.0])


def _mismatch(
    residual: NDArray[np.float64],
    signal: NDArray[np.float64],
    variance: NDArray[np.float64],
    used: NDArray[np.bool_],
) -> float:
    """Return the fraction of the star's light by which the residuals exceed noise, where the star shows.

    Solved so that the normalised residuals' mean square is one over the pixels in which the star's signal
    is above the noise; zero when noise alone explains them to within its own scatter.
    """
    bright = used & (signal > np.sqrt(variance))
    count = int(bright.sum())
    if count < 20:
        return 0.0
    square, light, noise = residual[bright] ** 2, signal[bright] ** 2, variance[bright]
    if float((square / noise).mean()) < 1.0 + 3.0 * math.sqrt(2.0 / count):
        return 0.0
    low, high = 0.0, _LARGEST_MISMATCH
    for _ in range(20):
        middle = 0.5 * (low + high)
        if float((square / (noise + middle**2 * light)).mean()) > 1.0:
            low = middle
        else:
            high = middle
    return high
