"""Another star near the measured one: noticed, and where it is bright, taken away with its own spikes.

Its core alone could be left out, but a companion of a third of the light has spikes of its own across the
measured ones. It stands under the same sky behind the same mask, so the same model draws it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from routines.measure.climb import FitLimits
from routines.measure.cutout import Cutout
from routines.measure.fit import fit_star
from routines.measure.fitted import StarFit, balanced_inverse, modelled, residuals
from routines.measure.foreign import foreign, isolated
from routines.measure.model import MaskedStar, StarState

_LEAST_SHARE = 0.003
_SPIKES_SHARE = 0.04
_REACH_PX = 10.0
_STEPS = 5
_ROUNDS = 4
_BETTER = 0.8
_LEAST_LEFT = 0.5


def has_companion(cutout: Cutout, fit: StarFit) -> bool:
    """Tell whether foreign light stands in a cut-out that could disturb the fit: 0.3 % of the star."""
    return not fit.alone and _brightest_foreign(cutout, fit, _LEAST_SHARE) is not None


def without_companion(star: MaskedStar, cutout: Cutout, fit: StarFit, reach_um: float) -> StarFit:
    """Return the fit with a bright companion modelled beside the star, or the same fit where there is none.

    Star and companion are fitted in turn, each on what the other leaves; kept only where it helps.
    """
    place = _brightest_foreign(cutout, fit, _SPIKES_SHARE)
    if place is None:
        return fit
    other = replace(fit.state, x_px=place[0], y_px=place[1], flux_electrons=0.0)
    current = fit
    for _ in range(_ROUNDS):
        left = replace(cutout, pixels=cutout.pixels - star.image(current.state))
        other = _placed(star, left, current, replace(other, defocus_um=current.state.defocus_um))
        alone = replace(cutout, pixels=cutout.pixels - star.image(other))
        current = fit_star(star, alone, current.state, FitLimits(iterations=6, reach_um=reach_um))
    if current.state.flux_electrons < max(other.flux_electrons, _LEAST_LEFT * fit.state.flux_electrons):
        return fit  # what is measured would be taken away: this frame does not show two such stars
    return current if _misfit(alone, current) < _BETTER * _misfit(cutout, fit) else fit


def _brightest_foreign(cutout: Cutout, fit: StarFit, share: float) -> tuple[float, float] | None:
    """Return where the brightest foreign light stands, if it holds that share of the star's."""
    residual, signal, variance = residuals(cutout, fit)
    seen = cutout.usable & modelled(cutout.size_px)
    seen &= ~isolated(residual, signal, variance, seen)
    found = foreign(residual, signal, variance, seen, (fit.state.x_px, fit.state.y_px))
    extra = ndimage.uniform_filter(np.where(seen, residual, 0.0), 5) * 25.0
    extra = np.where(found, extra, 0.0)
    y, x = np.unravel_index(int(np.argmax(extra)), extra.shape)
    if extra[y, x] <= share * fit.state.flux_electrons:
        return None
    return float(x), float(y)


def _placed(star: MaskedStar, left: Cutout, fit: StarFit, start: StarState) -> StarState:
    """Return a companion's place and light, fitted around its core to what the star leaves."""
    n = left.size_px
    y, x = np.indices((n, n))
    near = left.usable & (np.hypot(x - start.x_px, y - start.y_px) < _REACH_PX)
    level, slope_x, slope_y = fit.background
    sky = (level + slope_x * (x - n / 2.0) + slope_y * (y - n / 2.0))[near]
    data: NDArray[np.float64] = left.pixels[near] - sky
    state = start
    for _ in range(_STEPS):
        image, slopes = star.image_and_slopes(replace(state, flux_electrons=1.0))
        light = image[near].astype(float)
        flux = max(state.flux_electrons, float((light * data).sum() / (light**2).sum()), 1.0)
        design = np.stack([slopes[1][near] * flux, slopes[2][near] * flux, light], axis=1).astype(float)
        variance = np.maximum(light * flux + sky, 1.0) + left.read_noise_electrons**2
        weighted = design / variance[:, None]
        step = balanced_inverse(weighted.T @ design) @ (weighted.T @ (data - light * flux))
        away = np.clip(step[:2], -1.0, 1.0)
        state = replace(
            state,
            x_px=state.x_px + float(away[0]),
            y_px=state.y_px + float(away[1]),
            flux_electrons=max(flux + float(step[2]), 1.0),
        )
    return state


def _misfit(cutout: Cutout, fit: StarFit) -> float:
    """Return the mean absolute normalised residual over all pixels that are modelled."""
    residual, _, variance = residuals(cutout, fit)
    seen = cutout.usable & modelled(cutout.size_px)
    return float((np.abs(residual) / np.sqrt(variance))[seen].mean())
