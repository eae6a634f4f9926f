"""Maximum-likelihood fit of the forward model to one cut-out, by scoring.

Photons are Poisson and the readout adds its own variance; each pixel is weighted by the variance that the
model expects (not the one the data happen to show, which would bias faint frames). What the model cannot
match is measured from the residuals, put into the variance as a fraction of the star's own light, and so
ends up in the stated uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from routines.measure.cutout import Cutout
from routines.measure.foreign import foreign, isolated
from routines.measure.model import MaskedStar, StarState, moved

Vector = NDArray[np.float64]
Pixels = NDArray[np.float32]

_SHAPE_TERMS = 4
DEFOCUS, PLACE_X, PLACE_Y, LOG_BLUR, FLUX = range(5)
# A short telescope's pixels are wider than good seeing: held at 0.7, frames misfit and r0 came out too small.
_NARROWEST_BLUR_PX = 0.35
_WIDEST_BLUR_PX = 16.0
_LARGEST_MISMATCH = 0.5
_TOLERATED_MISMATCH = 0.1
_ABOUT_THERE_U = 0.5
_SAME_MISMATCH, _SAME_MISMATCH_SHARE = 0.002, 0.01
# Steps within which slopes, weights and information hardly change: a share of the longest steps taken.
_SMALL_STEP, _STEPS_SHRINK = 0.02, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class StarFit:
    """A fitted star: its state, the covariance of (defocus, x, y, log blur, flux, plane), and the match.

    ``background`` is the plane (level, slope_x, slope_y) in electrons and electrons per pixel.
    ``deviance`` is the sum of squared normalised residuals of the used pixels under photon and read noise
    alone, ``mismatch`` the fraction of the star's light by which frame and model differ beyond noise.
    """

    state: StarState
    background: tuple[float, float, float]
    covariance: NDArray[np.float64]
    deviance: float
    degrees_of_freedom: int
    mismatch: float
    converged: bool
    used: NDArray[np.bool_]

    @property
    def defocus_u_um(self) -> float:
        """Return the standard uncertainty of the defocus."""
        return math.sqrt(self.covariance[DEFOCUS, DEFOCUS])

    @property
    def reduced_deviance(self) -> float:
        """Return the deviance per degree of freedom: 1 when noise explains every residual."""
        return self.deviance / max(self.degrees_of_freedom, 1)


@dataclass(frozen=True, slots=True)
class FitLimits:
    """How far the search may go: iterations, the defocus range, whether the blur is free.

    ``own_light_only`` leaves out other stars and trails: for a star whose mask is known. ``mismatch`` is the
    one to start from, where the star's is about known: it spares a climb.
    """

    iterations: int = 12
    reach_um: float = 1e9
    free_blur: bool = True
    own_light_only: bool = False
    mismatch: float = 0.0
    tolerance_u: float = 0.05


_LONGEST_STEPS = np.array([30.0, 2.0, 2.0, 0.3])


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
    climber = _Climber(star, cutout)
    fit = climber.climb(start, level, used, about, limits.mismatch)
    limits = replace(limits, iterations=6)
    for round_ in range(3 if limits.own_light_only else 2):
        residual, signal, variance = residuals(star, cutout, fit)
        strange = isolated(residual, signal, variance, used)
        if limits.own_light_only:
            place = (fit.state.x_px, fit.state.y_px)
            strange |= foreign(residual, signal, variance, used & ~strange, place) & used
        mismatch = _mismatch(residual, signal, variance, used & ~strange)
        same = abs(mismatch - fit.mismatch) < _SAME_MISMATCH + _SAME_MISMATCH_SHARE * mismatch
        if round_ > 0 and same and not strange.any():
            return _with_deviance(fit, residual, variance)
        used &= ~strange
        level = np.array([fit.state.flux_electrons, *fit.background])
        fit = climber.climb(fit.state, level, used, limits, mismatch)
    residual, _, variance = residuals(star, cutout, fit)
    return _with_deviance(fit, residual, variance)


@lru_cache(maxsize=8)
def modelled(size_px: int) -> NDArray[np.bool_]:
    """Return the disc inside a cut-out: in its corners stand orders that the model's grid cannot hold."""
    axis = np.arange(size_px) - size_px / 2.0 + 0.5
    return np.asarray(np.hypot(axis[:, None], axis[None, :]) <= size_px / 2.0)


def quick_fit(star: MaskedStar, cutout: Cutout, start: StarState, iterations: int) -> tuple[StarFit, float]:
    """Fit a few iterations with the blur held, to compare one starting defocus with another.

    The second value is the cost to compare: residuals against noise and a tolerated mismatch of 10 %.
    """
    limits = FitLimits(iterations=iterations, free_blur=False)
    used = cutout.usable & modelled(cutout.size_px)
    level = _first_level(star, cutout, start, used)
    fit = _Climber(star, cutout).climb(start, level, used, limits, _TOLERATED_MISMATCH)
    return fit, tolerant_cost(star, cutout, fit, fit.used)


def tolerant_cost(star: MaskedStar, cutout: Cutout, fit: StarFit, used: NDArray[np.bool_]) -> float:
    """Return the sum over pixels of squared residuals against noise and a tolerated mismatch of 10 %."""
    residual, signal, variance = residuals(star, cutout, fit)
    return float((residual**2 / (variance + (_TOLERATED_MISMATCH * signal) ** 2))[used].sum())


class _Climber:
    """Climbs to one cut-out's best fit, several times; an image's slopes are kept while they hold."""

    def __init__(self, star: MaskedStar, cutout: Cutout) -> None:
        self._star, self._cutout = star, cutout
        self._slopes: NDArray[np.float32] | None = None

    def climb(
        self, start: StarState, level: Vector, used: NDArray[np.bool_], limits: FitLimits, mismatch: float
    ) -> StarFit:
        """Iterate weighted least squares with expected variances until the step is a small part of its u.

        ``level`` is (flux, plane) to start from. Where a step was small, the next one keeps slopes and
        weights. The deviance is left open.
        """
        star, cutout = self._star, self._cutout
        where = np.flatnonzero(used)
        plane = background_terms(cutout.size_px).reshape(3, -1)[:, where].astype(np.float32)
        data = cutout.pixels.ravel()[where]
        # The mismatch's weight stays that of the start: were it to grow with the fitted light, a brighter
        # star would excuse any misfit.
        floor = cutout.read_noise_electrons**2 + _excused(star, start, level, where, mismatch)
        state, converged, kept, size = start, False, False, math.inf
        for _ in range(limits.iterations):
            light = star.unit_image(state).ravel()[where]
            expected = np.float32(level[0]) * light + level[1:].astype(np.float32) @ plane
            if not kept:
                if self._slopes is None:
                    self._slopes = star.slopes(state)
                terms = _terms(light, self._slopes, plane, where, level[0])
                weighted = terms / (np.maximum(expected, 1.0) + floor)
                covariance = _covariance(weighted, terms, limits)
            step = _shortened(covariance @ (weighted @ (data - expected)).astype(np.float64))
            state = _bounded(moved(state, step[:_SHAPE_TERMS]), limits, cutout.size_px)
            level = level + step[_SHAPE_TERMS:]
            level[0] = max(level[0], 1.0)
            u = np.sqrt(np.diag(covariance))[:_SHAPE_TERMS]
            before, size = size, _size(step, u)
            small = _is_small(step, u)
            kept = small and (not kept or size < _STEPS_SHRINK * before)
            if not kept:
                self._slopes = None
            converged = size < limits.tolerance_u
            if converged:
                break
        return _fitted(state, level, covariance, mismatch, converged, used)


def _fitted(
    state: StarState,
    level: Vector,
    covariance: NDArray[np.float64],
    mismatch: float,
    converged: bool,
    used: NDArray[np.bool_],
) -> StarFit:
    flux, at_middle, slope_x, slope_y = (float(value) for value in level)
    state = replace(state, flux_electrons=flux)
    freedom = int(used.sum()) - len(covariance)
    plane = (at_middle, slope_x, slope_y)
    return StarFit(state, plane, covariance, 0.0, freedom, mismatch, converged, used)


def _covariance(weighted: Pixels, terms: Pixels, limits: FitLimits) -> NDArray[np.float64]:
    """Return the covariance of all terms; a blur that is held has none."""
    information = (weighted @ terms.T).astype(np.float64)
    if not limits.free_blur:
        information[LOG_BLUR, :] = information[:, LOG_BLUR] = 0.0
        information[LOG_BLUR, LOG_BLUR] = 1e12
    covariance = balanced_inverse(information)
    if not limits.free_blur:
        covariance[LOG_BLUR, :] = covariance[:, LOG_BLUR] = 0.0
    return covariance


def _excused(
    star: MaskedStar, state: StarState, level: Vector, where: NDArray[np.intp], mismatch: float
) -> Pixels | float:
    """Return the variance that a mismatch adds to each pixel of a star's light."""
    if mismatch == 0.0:
        return 0.0
    light = np.maximum(star.unit_image(state).ravel()[where], 0.0)
    return np.asarray(np.square(np.float32(mismatch * level[0]) * light))


def _terms(
    light: Pixels, slopes: NDArray[np.float32], plane: Pixels, where: NDArray[np.intp], flux: float
) -> Pixels:
    """Return the derivatives of the expected pixels, shape (8, pixels); ``where`` are flat indices."""
    terms = np.empty((len(slopes) + 1 + len(plane), len(where)), np.float32)
    for term, slope in zip(terms, slopes, strict=False):
        np.multiply(slope.ravel()[where], np.float32(flux), out=term)
    terms[len(slopes)] = light
    terms[len(slopes) + 1 :] = plane
    return terms


def _with_deviance(fit: StarFit, residual: NDArray[np.float64], variance: NDArray[np.float64]) -> StarFit:
    """Return a fit with its deviance, from the residuals at its final state."""
    return replace(fit, deviance=float((residual**2 / variance)[fit.used].sum()))


@lru_cache(maxsize=8)
def background_terms(size_px: int) -> NDArray[np.float64]:
    """Return the background's terms, shape (3, n, n), read-only: level and slopes about the centre."""
    axis = np.arange(size_px) - size_px / 2.0
    ones = np.ones((size_px, size_px))
    terms = np.stack([ones, ones * axis[None, :], ones * axis[:, None]])
    terms.flags.writeable = False
    return terms


def design_matrix(
    image: NDArray[np.float32],
    slopes: NDArray[np.float32],
    plane: NDArray[np.float64],
    used: NDArray[np.bool_],
    flux: float,
) -> NDArray[np.float64]:
    """Return the derivatives of the expected pixels, shape (pixels, 8)."""
    columns = [slope[used] * flux for slope in slopes] + [image[used]] + [term[used] for term in plane]
    return np.stack(columns, axis=1).astype(np.float64)


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
    image = star.image(replace(start, flux_electrons=1.0))
    flux = float((image[used] * (pixels[used] - background)).sum() / (image[used] ** 2).sum())
    return np.array([max(flux, 10.0), background, 0.0, 0.0])


def balanced_inverse(information: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of an information matrix whose terms have very different units."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-30))
    scaled = information * scale[:, None] * scale[None, :]
    return np.asarray(np.linalg.pinv(scaled, hermitian=True, rcond=1e-12) * scale[:, None] * scale[None, :])


def _shortened(step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Limit a step to where the linear model still says something: 30 um, 2 px, 30 % of the blur."""
    excess = np.abs(step[:_SHAPE_TERMS]) / _LONGEST_STEPS
    return step / max(1.0, float(excess.max()))


def _bounded(state: StarState, limits: FitLimits, size_px: int) -> StarState:
    """Keep a state inside what templates and cut-out can show."""
    return replace(
        state,
        defocus_um=float(np.clip(state.defocus_um, -limits.reach_um, limits.reach_um)),
        x_px=float(np.clip(state.x_px, 0, size_px)),
        y_px=float(np.clip(state.y_px, 0, size_px)),
        blur_px=float(np.clip(state.blur_px, _NARROWEST_BLUR_PX, _WIDEST_BLUR_PX)),
    )


def _size(step: NDArray[np.float64], u: NDArray[np.float64]) -> float:
    """Return the largest step of the shape terms, in units of its uncertainty."""
    return float((np.abs(step[:_SHAPE_TERMS]) / (u + 2e-8)).max())


def _is_small(step: NDArray[np.float64], u: NDArray[np.float64]) -> bool:
    """Tell whether a step leaves slopes and weights about as they were."""
    return bool((np.abs(step[:_SHAPE_TERMS]) < np.maximum(u, _SMALL_STEP * _LONGEST_STEPS)).all())


def residuals(
    star: MaskedStar, cutout: Cutout, fit: StarFit
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return residual, star signal and noise variance of each pixel (electrons), shape (n, n) each."""
    signal = star.image(fit.state).astype(np.float64)
    expected = signal + _plane(fit.background, cutout.size_px)
    variance = np.maximum(expected, 1.0) + cutout.read_noise_electrons**2
    return cutout.pixels - expected, signal, variance


def light_left_out(star: MaskedStar, cutout: Cutout, fit: StarFit) -> float:
    """Return the light (electrons) left out of a fit beyond what star and sky put there, hot pixels apart."""
    residual, signal, variance = residuals(star, cutout, fit)
    seen = cutout.usable & modelled(cutout.size_px)
    return float(residual[seen & ~fit.used & ~isolated(residual, signal, variance, seen)].sum())


def _plane(background: tuple[float, float, float], size_px: int) -> NDArray[np.float64]:
    """Return the background of each pixel (electrons), shape (n, n)."""
    level, slope_x, slope_y = background
    axis = np.arange(size_px) - size_px / 2.0
    return np.asarray((level + slope_y * axis)[:, None] + (slope_x * axis)[None, :])


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
