"""Refine a mask's geometry on bright frames: rotation, slit period, arm angle, duty, clear diameter, tilt.

All frames of one fitting share one geometry, and each has its own star. The geometry's step is solved with
every frame's own unknowns eliminated (a Schur complement), so that no frame's defocus or seeing is taken as
known. What the config says enters as a Gaussian belief; the frames decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.climb import FitLimits
from routines.measure.cutout import Cutout
from routines.measure.drawing import Drawn, draw
from routines.measure.fit import fit_star
from routines.measure.fitted import StarFit, background_terms, balanced_inverse, design_matrix
from routines.measure.geometry import APERTURE, PROBE, Geometry, apart, changed
from routines.measure.model import StarState
from routines.measure.templates import Window
from routines.optics import Band

Matrix = NDArray[np.float64]
Indices = NDArray[np.intp]

# Each pixel of a star is believed to this share of its light while the geometry is still off: with the
# mismatch itself as weight, a poor start would let the faint outskirts decide.
_TOLERATED_MISMATCH = 0.1
_GOOD_MISMATCH = 0.04
_INDEPENDENT_SPOTS = 40.0
HELD = 1e-6


@dataclass(frozen=True, slots=True)
class Looseness:
    """How far each part of the geometry may differ from its start: standard deviations of a belief.

    A part that is ``HELD`` stays where it is and costs nothing.

    The clear diameter scales defocus itself: the frames move it only as far as they fit, see ``_tempered``.
    Slits drawn in the wrong place would pull it, so it is held until their places are known.
    """

    orientation_deg: float = 3.0
    slit_period_fraction: float = 0.01
    arm_angle_deg: float = 0.7
    slit_duty: float = 0.06
    aperture_fraction: float = 0.015
    slit_phase: float = HELD


@dataclass(frozen=True, slots=True)
class Refined:
    """A refined geometry with its frames' fits.

    ``strain`` is what its distance from the belief costs, ``aperture_u`` the clear diameter's standard
    uncertainty as a fraction, by belief and frames together. ``drawn`` is what the frames were fitted with,
    where that is at hand. ``rival`` where another defocus explained a frame about as well when it was found.
    """

    geometry: Geometry
    fits: tuple[StarFit, ...]
    strain: float = 0.0
    aperture_u: float = 0.0
    drawn: tuple[Drawn, ...] = ()
    rival: bool = False

    @property
    def cost(self) -> float:
        """Return minus twice the log likelihood of frames and belief, up to a constant."""
        return total_cost(self.fits) + self.strain

    def only_place(self, cutouts: Sequence[Cutout]) -> StarState | None:
        """Return where the one frame shows its star, in the frame's pixels, where nothing rivals it."""
        if self.rival or len(cutouts) != 1:
            return None
        state, (x_px, y_px) = self.fits[0].state, (cutouts[0].origin_x_px, cutouts[0].origin_y_px)
        return replace(state, x_px=state.x_px + x_px, y_px=state.y_px + y_px)

    def of(self, frames: Sequence[int]) -> Refined:
        """Return the same geometry with only some of the frames."""
        drawn = tuple(self.drawn[k] for k in frames) if self.drawn else ()
        return replace(self, fits=tuple(self.fits[k] for k in frames), drawn=drawn)


def drawn_for(
    refined: Refined, cutouts: Sequence[Cutout], bands: dict[str, Band], window: Window
) -> tuple[Drawn, ...]:
    """Return what a refined geometry draws for each frame: what is at hand, where it still holds."""
    at_hand = refined.drawn or (None,) * len(cutouts)
    return tuple(
        one
        if one is not None and one.holds(refined.geometry, fit.state)
        else draw(refined.geometry, bands[cutout.filter], window, fit.state)
        for one, cutout, fit in zip(at_hand, cutouts, refined.fits, strict=True)
    )


def refine_geometry(
    start: Refined,
    cutouts: Sequence[Cutout],
    bands: dict[str, Band],
    window: Window,
    reach_um: float,
    looseness: Looseness,
    rounds: int = 4,
    *,
    believed: Geometry | None = None,
) -> Refined:
    """Refine a geometry on a few bright frames that have been fitted with it.

    The belief is about ``believed``, by default the start itself: a geometry refined in several turns would
    otherwise drift a little further from what the config says in each.
    """
    geometry, current = start.geometry, start.fits
    drawn = drawn_for(start, cutouts, bands, window)
    belief = _belief(looseness)
    free = np.flatnonzero(belief < 0.5 / HELD**2)
    travelled = apart(geometry, believed or geometry)
    for _ in range(rounds):
        information, pull = np.diag(belief[free]), -(belief * travelled)[free]
        for cutout, fit, one in zip(cutouts, current, drawn, strict=True):
            frame_information, frame_pull = _frame_information(cutout, fit, one, free)
            share = _tempered(fit)
            information = information + share * frame_information
            pull = pull + share * frame_pull
        step = np.zeros(len(PROBE))
        step[free] = balanced_inverse(information) @ pull
        step = np.clip(step, -4 * PROBE, 4 * PROBE)
        geometry = changed(geometry, step)
        travelled += step
        drawn = tuple(one.redrawn(geometry, step, fit.state) for one, fit in zip(drawn, current, strict=True))
        current = tuple(
            fit_again(one, cutout, fit, reach_um)
            for one, cutout, fit in zip(drawn, cutouts, current, strict=True)
        )
        if bool((np.abs(step) < 0.1 * PROBE).all()):
            break
    strain = float((belief * travelled**2)[free].sum())
    return Refined(geometry, current, strain, _aperture_u(information, free), drawn)


def fit_again(drawn: Drawn, cutout: Cutout, fit: StarFit, reach_um: float) -> StarFit:
    """Fit a frame again from where it was, with what another geometry draws."""
    limits = FitLimits(iterations=8, reach_um=reach_um, mismatch=fit.mismatch)
    return fit_star(drawn.star, cutout, fit.state, limits)


def _aperture_u(information: Matrix, free: Indices) -> float:
    """Return the clear diameter's standard uncertainty (fraction); 0 where it is held."""
    place = np.flatnonzero(free == APERTURE)
    return float(np.sqrt(balanced_inverse(information)[place[0], place[0]])) if place.size else 0.0


def _tempered(fit: StarFit) -> float:
    """Return what share of a frame's formal information counts.

    Where the model misses by more than noise, neighbouring pixels miss alike and frames alike: a pattern of
    thousands of pixels then says no more than its handful of spots, each to its mismatch.
    """
    if fit.mismatch < _GOOD_MISMATCH:
        return 1.0
    return _INDEPENDENT_SPOTS / max(float((fit.used).sum()), _INDEPENDENT_SPOTS)


def total_cost(fits: Sequence[StarFit]) -> float:
    """Return minus twice the frames' log likelihood, up to a constant, each one's own excess as its noise."""
    return float(sum(f.degrees_of_freedom * np.log(max(f.reduced_deviance, 1e-6)) for f in fits))


def _belief(looseness: Looseness) -> Matrix:
    """Return the information that the start carries about each term."""
    sigma = np.array(
        [
            looseness.orientation_deg,
            looseness.slit_period_fraction,
            looseness.arm_angle_deg,
            looseness.slit_duty,
            looseness.aperture_fraction,
            *[looseness.slit_phase] * 3,
        ]
    )
    return np.asarray(1.0 / sigma**2)


def _frame_information(cutout: Cutout, fit: StarFit, drawn: Drawn, free: Indices) -> tuple[Matrix, Matrix]:
    """Return one frame's information on the free terms and its pull, its own unknowns eliminated."""
    image, slopes = drawn.star.image_and_slopes(fit.state)
    used = fit.used
    own = design_matrix(image, slopes, background_terms(cutout.size_px), used, fit.state.flux_electrons)
    by_terms = drawn.images_by_terms(fit.state, [int(term) for term in free])
    shared = (by_terms[:, used].T * fit.state.flux_electrons).astype(np.float64)
    signal = np.maximum(image[used] * fit.state.flux_electrons, 0.0).astype(np.float64)
    expected = signal + np.tensordot(np.array(fit.background), background_terms(cutout.size_px), 1)[used]
    variance = (
        np.maximum(expected, 1.0) + cutout.read_noise_electrons**2 + (_TOLERATED_MISMATCH * signal) ** 2
    )
    residual = cutout.pixels[used] - expected
    own_weighted, weighted = (own / variance[:, None]).T, (shared / variance[:, None]).T
    cross = own_weighted @ shared
    taken_up = cross.T @ balanced_inverse(own_weighted @ own)
    return weighted @ shared - taken_up @ cross, weighted @ residual - taken_up @ (own_weighted @ residual)
