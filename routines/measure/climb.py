"""Climb to a star's likeliest state in one cut-out: weighted least squares with a model costly to draw.

An image costs a few milliseconds and its four slopes twice that, so slopes, weights and, for the last tiny
steps, the image itself are kept while they hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.cutout import Cutout
from routines.measure.fitted import DEFOCUS, LOG_BLUR, StarFit, background_terms, balanced_inverse
from routines.measure.model import MaskedStar, StarState, apart, moved

Vector = NDArray[np.float64]
Pixels = NDArray[np.float32]

_SHAPE_TERMS = 4
# A short telescope's pixels are wider than good seeing: held at 0.7, frames misfit and r0 came out too small.
_NARROWEST_BLUR_PX = 0.35
_WIDEST_BLUR_PX = 16.0
_LONGEST_STEPS = np.array([30.0, 2.0, 2.0, 0.3])
# Steps within which slopes, weights and information hardly change: a share of the longest steps taken.
_SMALL_STEP, _STEPS_SHRINK = 0.02, 0.5
# After such steps the old slopes still lead nearer, though not to the top.
_FAIR_STEP = 0.25
# In units of u: an image follows so small a step by its slopes, to a hundredth of the noise.
_TINY_STEP_U = 0.2


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


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """What each of a fit's terms changes in each pixel, and what follows for its steps.

    ``images`` are the star's own slopes for one electron, shape (4, pixels). ``terms`` are all eight, in each
    pixel's standard deviations, and ``roots`` one over those: 0 where a pixel is not used.
    """

    images: Pixels
    terms: Pixels
    roots: Pixels
    covariance: Vector

    def step(self, residual: Pixels) -> Vector:
        """Return the step that a residual (electrons) asks for, kept to where the linear model holds."""
        pulled = (self.terms @ (self.roots * residual)).astype(np.float64)
        return _shortened(self.covariance @ pulled)

    def pull(self) -> Pixels:
        """Return by how much (um) an electron more in each pixel moves the defocus."""
        return np.asarray((self.covariance[DEFOCUS].astype(np.float32) @ self.terms) * self.roots)

    def size_u(self, step: Vector) -> float:
        """Return the largest step of the shape terms, in units of its uncertainty."""
        return float((np.abs(step[:_SHAPE_TERMS]) / (self._u() + 2e-8)).max())

    def hold_after(self, step: Vector) -> bool:
        """Tell whether a step leaves slopes and weights about as they were."""
        small = np.maximum(self._u(), _SMALL_STEP * _LONGEST_STEPS)
        return bool((np.abs(step[:_SHAPE_TERMS]) < small).all())

    def _u(self) -> Vector:
        return np.asarray(np.sqrt(np.diag(self.covariance))[:_SHAPE_TERMS])


class Climber:
    """Climbs to one cut-out's best fit, several times; what was drawn is kept while it holds.

    ``first_u`` and ``last_u`` are the first and the last step of the latest climb, in units of its u.
    """

    def __init__(self, star: MaskedStar, cutout: Cutout) -> None:
        self._star, self._cutout = star, cutout
        self._plane = background_terms(cutout.size_px).reshape(3, -1).astype(np.float32)
        self._images: Pixels | None = None
        self._lit: tuple[object, Pixels] | None = None
        self.first_u = self.last_u = math.inf

    def climb(
        self, start: StarState, level: Vector, used: NDArray[np.bool_], limits: FitLimits, mismatch: float
    ) -> StarFit:
        """Iterate weighted least squares with expected variances until the step is a small part of its u.

        ``level`` is (flux, plane) to start from. After a small step the next one keeps slopes and weights;
        after a fair one they serve once more before they are drawn anew. The deviance is left open.
        """
        data = np.where(used, self._cutout.pixels, np.float32(0.0)).ravel()
        # The mismatch's weight stays that of the start: were it to grow with the fitted light, a brighter
        # star would excuse any misfit.
        floor = self._cutout.read_noise_electrons**2 + self._excused(start, level, mismatch)
        state, drawn, stale = start, None, False
        self.first_u = self.last_u = math.inf
        for turn in range(limits.iterations):
            expected, fresh = self._expected(state, level), drawn is None
            slopes = drawn or self._slopes_at(state, level[0], expected, floor, used, limits)
            step = slopes.step(data - expected)
            before, self.last_u = self.last_u, slopes.size_u(step)
            self.first_u = self.first_u if turn else self.last_u
            state = self._moved(state, step, slopes, limits, follows=not stale)
            level = level + step[_SHAPE_TERMS:]
            level[0] = max(level[0], 1.0)
            if not stale and self.last_u < limits.tolerance_u:
                break
            kept = not stale and slopes.hold_after(step) and (fresh or self.last_u < _STEPS_SHRINK * before)
            if not kept:
                self._images, stale = None, fresh and _is_fair(step)
            drawn = slopes if kept or stale else None
        converged = not stale and self.last_u < limits.tolerance_u
        return self._fitted(state, level, slopes, mismatch, converged, used)

    def _light_at(self, state: StarState) -> Pixels:
        """Return the image of one electron, as it was drawn or followed."""
        if self._lit is None or self._lit[0] != state.shape:
            self._lit = (state.shape, self._star.unit_image(state).ravel())
        return self._lit[1]

    def _expected(self, state: StarState, level: Vector) -> Pixels:
        flux, *plane = level.astype(np.float32)
        return np.asarray(flux * self._light_at(state) + np.array(plane) @ self._plane)

    def _excused(self, state: StarState, level: Vector, mismatch: float) -> Pixels | float:
        """Return the variance that a mismatch adds to each pixel of a star's light."""
        if mismatch == 0.0:
            return 0.0
        return np.asarray(np.square(np.float32(mismatch * level[0]) * np.maximum(self._light_at(state), 0.0)))

    def _slopes_at(
        self,
        state: StarState,
        flux: float,
        expected: Pixels,
        floor: Pixels | float,
        used: NDArray[np.bool_],
        limits: FitLimits,
    ) -> _Slopes:
        """Return what a fit's terms change at a state; ``floor`` is the variance beside the photons'."""
        if self._images is None:
            drawn = self._star.slopes(state, free_blur=limits.free_blur)
            self._images = drawn.reshape(_SHAPE_TERMS, -1)
        spread = np.sqrt(np.maximum(expected, np.float32(1.0)) + floor)
        roots = np.asarray(used.ravel() / spread, np.float32)
        terms = np.empty((_SHAPE_TERMS + 1 + len(self._plane), len(roots)), np.float32)
        np.multiply(self._images, np.float32(flux) * roots, out=terms[:_SHAPE_TERMS])
        np.multiply(self._light_at(state), roots, out=terms[_SHAPE_TERMS])
        np.multiply(self._plane, roots, out=terms[_SHAPE_TERMS + 1 :])
        return _Slopes(self._images, terms, roots, _covariance(terms, limits))

    def _moved(
        self, state: StarState, step: Vector, slopes: _Slopes, limits: FitLimits, *, follows: bool
    ) -> StarState:
        """Return the state after a step; the image ``follows`` a tiny one by its slopes."""
        there = _bounded(moved(state, step[:_SHAPE_TERMS]), limits, self._cutout.size_px)
        if follows and self.last_u < _TINY_STEP_U:
            change = apart(state, there).astype(np.float32) @ slopes.images
            self._lit = (there.shape, self._light_at(state) + change)
        return there

    def _fitted(
        self,
        state: StarState,
        level: Vector,
        slopes: _Slopes,
        mismatch: float,
        converged: bool,
        used: NDArray[np.bool_],
    ) -> StarFit:
        flux, at_middle, slope_x, slope_y = (float(value) for value in level)
        return StarFit(
            state=replace(state, flux_electrons=flux),
            background=(at_middle, slope_x, slope_y),
            covariance=slopes.covariance,
            deviance=0.0,
            degrees_of_freedom=int(used.sum()) - len(slopes.covariance),
            mismatch=mismatch,
            converged=converged,
            used=used,
            light=self._light_at(state).reshape(used.shape),
            pull=slopes.pull().reshape(used.shape),
        )


def _covariance(terms: Pixels, limits: FitLimits) -> Vector:
    """Return the covariance of all terms; a blur that is held has none."""
    information = (terms @ terms.T).astype(np.float64)
    if not limits.free_blur:
        information[LOG_BLUR, :] = information[:, LOG_BLUR] = 0.0
        information[LOG_BLUR, LOG_BLUR] = 1e12
    covariance = balanced_inverse(information)
    if not limits.free_blur:
        covariance[LOG_BLUR, :] = covariance[:, LOG_BLUR] = 0.0
    return covariance


def _shortened(step: Vector) -> Vector:
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


def _is_fair(step: Vector) -> bool:
    """Tell whether after a step the slopes before it still point about the right way."""
    return bool((np.abs(step[:_SHAPE_TERMS]) < _FAIR_STEP * _LONGEST_STEPS).all())
