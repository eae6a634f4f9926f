"""A star and its cut-out at half the sampling: a quarter of the work where a blurred star is only searched.

The sum over two by two pixels of a star's image has its lowest frequencies, each passed as a pixel of twice
the side passes it; so the templates of the whole serve, and nothing is drawn anew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from routines.measure.cutout import Cutout, cropped
from routines.measure.fit import quick_fit
from routines.measure.fitted import StarFit
from routines.measure.frequencies import inner
from routines.measure.model import MaskedStar, StarState
from routines.measure.templates import Templates, Window

_LEAST_BLUR_PX = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """A star and a cut-out, ``whole``, and what they are searched with: themselves, or both halved."""

    star: MaskedStar
    cutout: Cutout
    whole: Cutout

    def fit(self, start: StarState, iterations: int) -> tuple[StarFit, float]:
        """Return a quick fit from a state, and its cost (see `quick_fit`); states are the whole cut-out's."""
        if self.cutout is self.whole:
            return quick_fit(self.star, self.cutout, start, iterations)
        fit, cost = quick_fit(self.star, self.cutout, halved_state(start, self.whole), iterations)
        return replace(fit, state=doubled_state(fit.state, self.whole)), cost


def search_for(star: MaskedStar, cutout: Cutout, blur_px: float) -> Search:
    """Return a star's search in a cut-out, at half the sampling where so wide a blur allows it."""
    if can_halve(star, blur_px):
        return Search(halved_star(star), halved_cutout(cutout), cutout)
    return Search(star, cutout, cutout)


def can_halve(star: MaskedStar, blur_px: float) -> bool:
    """Tell whether a star may be searched so: blurred over the larger pixels, on pixels without gaps."""
    return star.pixel_share == 1.0 and blur_px >= _LEAST_BLUR_PX and isinstance(star.templates, Templates)


def halved_star(star: MaskedStar) -> MaskedStar:
    """Return a star on pixels of twice the side; see `can_halve`."""
    templates = star.templates
    assert isinstance(templates, Templates)
    window = Window(templates.window.cutout_px // 4 * 2, templates.window.grid_px // 2)
    rungs = np.stack([inner(rung, window.grid_px) for rung in templates.transfer])
    return MaskedStar(replace(templates, window=window, transfer=rungs), star.profile, star.pixel_share)


def halved_cutout(cutout: Cutout) -> Cutout:
    """Return a cut-out in sums over two by two pixels; one of them unusable spoils the sum."""
    piece = cropped(cutout, cutout.size_px // 4 * 4)
    side = piece.size_px // 2
    quads = piece.pixels.reshape(side, 2, side, 2)
    return replace(
        piece,
        pixels=quads.sum(axis=(1, 3)),
        usable=np.asarray(piece.usable.reshape(side, 2, side, 2).all(axis=(1, 3))),
        read_noise_electrons=2.0 * piece.read_noise_electrons,
    )


def halved_state(state: StarState, cutout: Cutout) -> StarState:
    """Return a star's state as it is in a cut-out's half sampling."""
    edge = cutout.size_px % 4 // 2
    return replace(
        state,
        x_px=(state.x_px - edge - 0.5) / 2.0,
        y_px=(state.y_px - edge - 0.5) / 2.0,
        blur_px=state.blur_px / 2.0,
    )


def doubled_state(state: StarState, cutout: Cutout) -> StarState:
    """Return a star's state in a cut-out from that in its half sampling."""
    edge = cutout.size_px % 4 // 2
    return replace(
        state,
        x_px=2.0 * state.x_px + 0.5 + edge,
        y_px=2.0 * state.y_px + 0.5 + edge,
        blur_px=2.0 * state.blur_px,
    )
