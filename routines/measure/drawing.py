"""A star as one geometry draws it near one defocus, and how that changes with each of the geometry's terms.

A lesson changes the geometry many times, mostly by little. What is drawn is then taken up and only corrected:
the image at the frame's own defocus is always exact, its slopes to defocus and to the geometry, which merely
steer the steps, are kept while they hold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.frequencies import SeeingProfile
from routines.measure.geometry import ORIENTATION, PROBE, SLITS, Geometry, Terms, changed
from routines.measure.model import MaskedStar, StarState
from routines.measure.templates import (
    SPIKE_SPACING_PX,
    Complex,
    LocalTemplates,
    Window,
    make_local_templates,
    transfer_functions,
)
from routines.optics import Band

# Wavelengths so many widths of the blur apart leave ripples of a tenth along a spike (the blur's transfer
# function at that frequency): they serve for slopes, not for what is compared with a frame.
_ROUGH_SPACING_BLURS = 1.25
_FARTHEST_STRAYED = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A geometry's star near one defocus.

    ``strayed`` is how far, in probes, the geometry has moved since the slopes to defocus were drawn, and
    ``slopes`` what a unit of a term changes in the transfer function, by term, filled as they are asked for.
    """

    geometry: Geometry
    band: Band
    templates: LocalTemplates
    star: MaskedStar
    strayed: Terms = field(default_factory=lambda: np.zeros(len(PROBE)))
    slopes: dict[int, Complex] = field(default_factory=dict)

    def holds(self, geometry: Geometry, state: StarState) -> bool:
        """Tell whether this is what a geometry draws, near a star's defocus."""
        return geometry == self.geometry and self._is_near(state)

    def _is_near(self, state: StarState) -> bool:
        return abs(state.defocus_um - self.templates.centre_um) < self.templates.step_um

    def with_profile(self, profile: SeeingProfile) -> Drawn:
        """Return the same under the other kind of blur."""
        geometry = replace(self.geometry, profile=profile)
        return replace(self, geometry=geometry, star=_star(geometry, self.templates))

    def redrawn(self, geometry: Geometry, step: Terms, state: StarState) -> Drawn:
        """Return what the geometry draws after a step, near a star's state."""
        strayed = self.strayed + step / PROBE
        # Where the slits lie shows in faint light between the orders, which hardly tells the defocus.
        if np.abs(np.delete(strayed, SLITS)).max() > _FARTHEST_STRAYED or not self._is_near(state):
            return draw(geometry, self.band, self.templates.window, state)
        exact = _transfer(geometry, self, state.defocus_um, SPIKE_SPACING_PX)
        templates = self.templates.passing_through(state.defocus_um, exact)
        slopes = dict(self.slopes)
        if np.abs(strayed).max() > _FARTHEST_STRAYED:
            slopes, strayed[list(SLITS)] = {}, 0.0
        return Drawn(geometry, self.band, templates, _star(geometry, templates), strayed, slopes)

    def images_by_terms(self, state: StarState, terms: Sequence[int]) -> NDArray[np.float32]:
        """Return what a unit of each term changes in the image of unit flux, shape (terms, n, n)."""
        self._find_slopes(state, [term for term in terms if term != ORIENTATION])
        unit = replace(state, flux_electrons=1.0)
        return np.stack(
            [
                _turning(self.star, unit)
                if term == ORIENTATION
                else self.star.image_of(self.slopes[term], unit)
                for term in terms
            ]
        )

    def _find_slopes(self, state: StarState, terms: Sequence[int]) -> None:
        missing = [term for term in terms if term not in self.slopes]
        if missing:
            spacing, centre_um = _rough_spacing_px(state), self.templates.centre_um
            base = _transfer(self.geometry, self, centre_um, spacing)
            for term in missing:
                probe = np.zeros(len(PROBE))
                probe[term] = PROBE[term]
                there = _transfer(changed(self.geometry, probe), self, centre_um, spacing)
                self.slopes[term] = (there - base) / np.float32(PROBE[term])

    def images_by_steps(self, state: StarState, steps: Sequence[Terms]) -> NDArray[np.float32]:
        """Return what each of several steps, long ones too, adds to a star's image, shape (steps, n, n)."""
        spacing = _rough_spacing_px(state)
        base = _transfer(self.geometry, self, state.defocus_um, spacing)
        return np.stack(
            [
                self.star.image_of(
                    _transfer(changed(self.geometry, step), self, state.defocus_um, spacing) - base, state
                )
                for step in steps
            ]
        )


def draw(geometry: Geometry, band: Band, window: Window, state: StarState) -> Drawn:
    """Return what a geometry draws near a star's state."""
    templates = make_local_templates(geometry.optics, geometry.mask, band, window, state.defocus_um)
    return Drawn(geometry, band, templates, _star(geometry, templates))


def _star(geometry: Geometry, templates: LocalTemplates) -> MaskedStar:
    return MaskedStar(templates, geometry.profile, geometry.pixel_share)


def _transfer(geometry: Geometry, drawn: Drawn, defocus_um: float, spacing_px: float) -> Complex:
    """Return another geometry's transfer function at one defocus."""
    made: Complex = transfer_functions(
        geometry.optics,
        geometry.mask,
        drawn.band,
        drawn.templates.window,
        np.array([defocus_um]),
        coarse=True,
        spacing_px=spacing_px,
    )[0]
    return made


def _rough_spacing_px(state: StarState) -> float:
    return max(SPIKE_SPACING_PX, _ROUGH_SPACING_BLURS * state.blur_px)


def _turning(star: MaskedStar, state: StarState) -> NDArray[np.float32]:
    """Return what a degree of the mask's turn changes in an image: behind a round aperture the image turns.

    A turned image at r shows what stood at r turned back; its slopes to the star's place are minus those to
    the pixel's.
    """
    image, slopes = star.image_and_slopes(state)
    axis = np.arange(image.shape[0], dtype=np.float32)
    x, y = (axis - state.x_px)[None, :], (axis - state.y_px)[:, None]
    return np.asarray((x * slopes[2] - y * slopes[1]) * math.radians(1.0), np.float32)
