"""Other starts for a lesson, too far from the first one to be reached from it by small steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from routines.measure.cutout import Cutout
from routines.measure.drawing import Drawn
from routines.measure.fitted import (
    StarFit,
    background_terms,
    balanced_inverse,
    design_matrix,
    residuals,
)
from routines.measure.frequencies import SeeingProfile
from routines.measure.geometry import PROBE, SLITS, Terms, changed
from routines.measure.refining import Refined, drawn_for, fit_again
from routines.measure.templates import Window
from routines.optics import Band

_QUARTERS = (0.25, 0.5, 0.75)


def with_other_profile(
    refined: Refined,
    cutouts: Sequence[Cutout],
    bands: dict[str, Band],
    window: Window,
    reach_um: float,
) -> Refined:
    """Return the same geometry with the other kind of blur: the turbulence's own, or a Gaussian one."""
    other: SeeingProfile = "gaussian" if refined.geometry.profile == "kolmogorov" else "kolmogorov"
    drawn = [one.with_profile(other) for one in drawn_for(refined, cutouts, bands, window)]
    return _refitted(drawn, refined, cutouts, reach_um)


def with_slits_shifted(
    refined: Refined,
    cutouts: Sequence[Cutout],
    bands: dict[str, Band],
    window: Window,
    reach_um: float,
) -> Refined:
    """Return the geometry with the likeliest of four places of the slits, in all the mask and in each part.

    Whether a slit or a bar runs through the axis decides how much of the pupil's rim is open; a step from
    one to the other is too long to be found by small ones. The likeliest shift is found with the frames'
    fits corrected to first order, and is then fitted in earnest.
    """
    for parts in (list(SLITS), *([one] for one in SLITS)):
        shifts = [np.zeros(len(PROBE)) for _ in _QUARTERS]
        for shift, quarters in zip(shifts, _QUARTERS, strict=True):
            shift[parts] = quarters
        drawn = drawn_for(refined, cutouts, bands, window)
        costs = sum(
            _costs_by_steps(one, cutout, fit, shifts)
            for one, cutout, fit in zip(drawn, cutouts, refined.fits, strict=True)
        )
        shift = shifts[int(np.argmin(costs))]
        likeliest = changed(refined.geometry, shift)
        shifted = [
            one.redrawn(likeliest, shift, fit.state) for one, fit in zip(drawn, refined.fits, strict=True)
        ]
        tried = _refitted(shifted, refined, cutouts, reach_um)
        refined = min(refined, tried, key=lambda one: one.cost)
    return refined


def _costs_by_steps(drawn: Drawn, cutout: Cutout, fit: StarFit, steps: Sequence[Terms]) -> Terms:
    """Return what steps of the geometry add to a frame's cost, its own unknowns following to first order."""
    residual, signal, noise = (part[fit.used] for part in residuals(cutout, fit))
    image, slopes = drawn.star.image_and_slopes(replace(fit.state, flux_electrons=1.0))
    own = design_matrix(image, slopes, background_terms(cutout.size_px), fit.used, fit.state.flux_electrons)
    weighted = own / (noise + (fit.mismatch * signal) ** 2)[:, None]
    follows = balanced_inverse(weighted.T @ own) @ weighted.T
    left = residual - drawn.images_by_steps(fit.state, steps)[:, fit.used].astype(np.float64)
    left -= (own @ (follows @ left.T)).T
    deviance = (left**2 / noise).sum(axis=1)
    return np.asarray(fit.degrees_of_freedom * np.log(deviance / max(fit.deviance, 1e-6)))


def _refitted(
    drawn: Sequence[Drawn], refined: Refined, cutouts: Sequence[Cutout], reach_um: float
) -> Refined:
    """Return another geometry, as it is drawn, with every frame fitted again from where it was."""
    fits = tuple(
        fit_again(one, cutout, fit, reach_um)
        for one, cutout, fit in zip(drawn, cutouts, refined.fits, strict=True)
    )
    return replace(refined, geometry=drawn[0].geometry, fits=fits, drawn=tuple(drawn))
