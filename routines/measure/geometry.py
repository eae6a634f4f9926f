"""Refine a mask's geometry on bright frames: rotation, slit period, arm angle, duty, clear diameter, tilt.

All frames of one fitting share one geometry, and each has its own star. The geometry's step is solved with
every frame's own unknowns eliminated (a Schur complement), so that no frame's defocus or seeing is taken as
known. What the config says enters as a Gaussian belief; the frames decide.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.cutout import Cutout
from routines.measure.fit import (
    FitLimits,
    StarFit,
    background_terms,
    balanced_inverse,
    design_matrix,
    fit_star,
)
from routines.measure.model import MaskedStar, SeeingProfile, StarState
from routines.measure.templates import Window, make_local_templates, make_templates, transfer_functions
from routines.optics import Band, Mask, Optics

Matrix = NDArray[np.float64]
Indices = NDArray[np.intp]
Phases = tuple[float, float, float]

# Each pixel of a star is believed to this share of its light while the geometry is still off: with the
# mismatch itself as weight, a poor start would let the faint outskirts decide.
_TOLERATED_MISMATCH = 0.1
_GOOD_MISMATCH = 0.04
_INDEPENDENT_SPOTS = 40.0
HELD = 1e-6


@dataclass(frozen=True, slots=True)
class Geometry:
    """The optics and mask as the frames show them, with the kind of seeing that fits them."""

    optics: Optics
    mask: Mask
    profile: SeeingProfile = "kolmogorov"
    pixel_share: float = 1.0


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
    uncertainty as a fraction, by belief and frames together.
    """

    geometry: Geometry
    fits: tuple[StarFit, ...]
    strain: float = 0.0
    aperture_u: float = 0.0

    @property
    def cost(self) -> float:
        """Return minus twice the log likelihood of frames and belief, up to a constant."""
        return total_cost(self.fits) + self.strain


def _changed(geometry: Geometry, steps: Matrix) -> Geometry:
    """Return the geometry after steps in (deg, fraction, deg, duty, fraction, and three phases)."""
    mask, optics = geometry.mask, geometry.optics
    mask = replace(
        mask,
        orientation_deg=mask.orientation_deg + float(steps[0]),
        slit_period_mm=mask.slit_period_mm * (1.0 + float(steps[1])),
        arm_angle_deg=mask.arm_angle_deg + float(steps[2]),
        slit_duty=float(np.clip(mask.slit_duty + steps[3], 0.2, 0.8)),
        slit_phases=_turned(mask.slit_phases, steps[5:]),
    )
    return replace(
        geometry, mask=mask, optics=replace(optics, aperture_mm=optics.aperture_mm * (1 + float(steps[4])))
    )


def _turned(phases: Phases, steps: Matrix) -> Phases:
    straight, upper, lower = ((phase + float(step)) % 1.0 for phase, step in zip(phases, steps, strict=True))
    return straight, upper, lower


_APERTURE = 4
_PROBE = np.array([0.2, 0.003, 0.15, 0.01, 0.01, 0.02, 0.02, 0.02])


def refine_geometry(
    start: Geometry,
    cutouts: Sequence[Cutout],
    fits: Sequence[StarFit],
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
    geometry, current = start, list(fits)
    stars = [
        local_star(geometry, bands[cutout.filter], window, fit.state.defocus_um)
        for cutout, fit in zip(cutouts, current, strict=True)
    ]
    belief = _belief(looseness)
    free = np.flatnonzero(belief < 0.5 / HELD**2)
    travelled = _apart(start, believed or start)
    for _ in range(rounds):
        information, pull = np.diag(belief[free]), -(belief * travelled)[free]
        for cutout, fit, star in zip(cutouts, current, stars, strict=True):
            band = bands[cutout.filter]
            frame_information, frame_pull = _frame_information(geometry, cutout, fit, star, band, free)
            share = _tempered(fit)
            information = information + share * frame_information
            pull = pull + share * frame_pull
        step = np.zeros(len(_PROBE))
        step[free] = balanced_inverse(information) @ pull
        step = np.clip(step, -4 * _PROBE, 4 * _PROBE)
        geometry = _changed(geometry, step)
        travelled += step
        stars = [
            local_star(geometry, bands[cutout.filter], window, fit.state.defocus_um)
            for cutout, fit in zip(cutouts, current, strict=True)
        ]
        current = [
            fit_star(star, cutout, fit.state, FitLimits(iterations=8, reach_um=reach_um))
            for star, cutout, fit in zip(stars, cutouts, current, strict=True)
        ]
        if bool((np.abs(step) < 0.1 * _PROBE).all()):
            break
    strain = float((belief * travelled**2)[free].sum())
    return Refined(geometry, tuple(current), strain, _aperture_u(information, free))


def _aperture_u(information: Matrix, free: Indices) -> float:
    """Return the clear diameter's standard uncertainty (fraction); 0 where it is held."""
    place = np.flatnonzero(free == _APERTURE)
    return float(np.sqrt(balanced_inverse(information)[place[0], place[0]])) if place.size else 0.0


def _apart(geometry: Geometry, believed: Geometry) -> Matrix:
    """Return how far a geometry lies from the believed one, in the terms of `_changed`; slits anywhere."""
    mask, other = geometry.mask, believed.mask
    return np.array(
        [
            mask.orientation_deg - other.orientation_deg,
            mask.slit_period_mm / other.slit_period_mm - 1.0,
            mask.arm_angle_deg - other.arm_angle_deg,
            mask.slit_duty - other.slit_duty,
            geometry.optics.aperture_mm / believed.optics.aperture_mm - 1.0,
            *(0.0,) * 3,
        ]
    )


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


def refit(
    geometry: Geometry, cutout: Cutout, fit: StarFit, band: Band, window: Window, reach_um: float
) -> StarFit:
    """Fit a frame again with another geometry, on templates just around its present defocus."""
    star = local_star(geometry, band, window, fit.state.defocus_um)
    return fit_star(star, cutout, fit.state, FitLimits(iterations=8, reach_um=reach_um))


def local_star(geometry: Geometry, band: Band, window: Window, defocus_um: float) -> MaskedStar:
    """Return a star for defoci near one: cheaper than the whole ladder."""
    templates = make_local_templates(geometry.optics, geometry.mask, band, window, defocus_um)
    return MaskedStar(templates, geometry.profile, geometry.pixel_share)


def searching_star(geometry: Geometry, band: Band, window: Window, reach_um: float) -> MaskedStar:
    """Return a star whose templates cover the whole search, good enough to start from."""
    templates = make_templates(geometry.optics, geometry.mask, band, window, reach_um, coarse=True)
    return MaskedStar(templates, geometry.profile, geometry.pixel_share)


def _frame_information(
    geometry: Geometry, cutout: Cutout, fit: StarFit, star: MaskedStar, band: Band, free: Indices
) -> tuple[Matrix, Matrix]:
    """Return one frame's information on the free terms and its pull, its own unknowns eliminated."""
    at = _image_maker(star, band, fit.state)
    image, slopes = star.image_and_slopes(fit.state)
    used = fit.used
    own = design_matrix(image, slopes, background_terms(cutout.size_px), used, fit.state.flux_electrons)
    base = at(geometry)
    shared = np.stack(
        [
            (at(_changed(geometry, probe)) - base)[used] / probe.sum() * fit.state.flux_electrons
            for probe in np.diag(_PROBE)[free]
        ],
        axis=1,
    ).astype(np.float64)
    signal = np.maximum(image[used] * fit.state.flux_electrons, 0.0).astype(np.float64)
    expected = signal + np.tensordot(np.array(fit.background), background_terms(cutout.size_px), 1)[used]
    variance = (
        np.maximum(expected, 1.0) + cutout.read_noise_electrons**2 + (_TOLERATED_MISMATCH * signal) ** 2
    )
    residual = cutout.pixels[used] - expected
    own_inverse = balanced_inverse((own / variance[:, None]).T @ own)
    cross = (own / variance[:, None]).T @ shared
    weighted = shared / variance[:, None]
    information = weighted.T @ shared - cross.T @ own_inverse @ cross
    pull = weighted.T @ residual - cross.T @ own_inverse @ ((own / variance[:, None]).T @ residual)
    return information, pull


def _image_maker(star: MaskedStar, band: Band, state: StarState) -> Callable[[Geometry], NDArray[np.float32]]:
    """Return a function that gives the unit-flux image of a state under another geometry."""
    unit = replace(state, flux_electrons=1.0)
    window = star.templates.window
    defocus = np.array([state.defocus_um])

    def image(changed: Geometry) -> NDArray[np.float32]:
        transfer = transfer_functions(changed.optics, changed.mask, band, window, defocus, coarse=True)
        return star.image_of(transfer[0], unit)

    return image


def with_slits_shifted(
    refined: Refined,
    cutouts: Sequence[Cutout],
    bands: dict[str, Band],
    window: Window,
    reach_um: float,
) -> Refined:
    """Return the geometry with the likeliest of four places of the slits, in all the mask and in each part.

    Whether a slit or a bar runs through the axis decides how much of the pupil's rim is open; a step from
    one to the other is too long to be found by small ones.
    """
    best = refined
    for parts in ([5, 6, 7], [5], [6], [7]):
        for quarters in (0.25, 0.5, 0.75):
            shift = np.zeros(len(_PROBE))
            shift[parts] = quarters
            tried = _refitted(_changed(refined.geometry, shift), refined, cutouts, bands, window, reach_um)
            best = min(best, tried, key=lambda one: one.cost)
        refined = best
    return best


def with_mirrored_duty(geometry: Geometry) -> Geometry:
    """Return the geometry with slits and bars exchanged in width.

    Both have orders of the same strength but for the zeroth, and no small step leads from one to the other:
    at equal widths the even orders vanish.
    """
    return replace(geometry, mask=replace(geometry.mask, slit_duty=1.0 - geometry.mask.slit_duty))


def with_other_profile(
    refined: Refined,
    cutouts: Sequence[Cutout],
    bands: dict[str, Band],
    window: Window,
    reach_um: float,
) -> Refined:
    """Return the same geometry with the other kind of blur: the turbulence's own, or a Gaussian one."""
    other: SeeingProfile = "gaussian" if refined.geometry.profile == "kolmogorov" else "kolmogorov"
    changed = replace(refined.geometry, profile=other)
    return _refitted(changed, refined, cutouts, bands, window, reach_um)


def _refitted(
    changed: Geometry,
    refined: Refined,
    cutouts: Sequence[Cutout],
    bands: dict[str, Band],
    window: Window,
    reach_um: float,
) -> Refined:
    """Return another geometry with every frame fitted again from where it was."""
    fits = tuple(
        refit(changed, cutout, fit, bands[cutout.filter], window, reach_um)
        for cutout, fit in zip(cutouts, refined.fits, strict=True)
    )
    return replace(refined, geometry=changed, fits=fits)
