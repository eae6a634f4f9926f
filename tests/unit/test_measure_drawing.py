"""What a geometry draws near one defocus: corrected, it is what is drawn afresh, and its slopes are true."""

from __future__ import annotations

import numpy as np
import pytest
from measure_cases import BANDS, MASK, OPTICS, SIZE_PX, state

from routines.measure.drawing import draw
from routines.measure.geometry import ORIENTATION, PROBE, SLITS, Geometry, changed, searching_star
from routines.measure.model import StarState
from routines.measure.templates import Window, make_templates, transfer_functions
from routines.optics import Band

GEOMETRY = Geometry(OPTICS, MASK)
STAR = state(60.0, 1.0)
DRAWN = draw(GEOMETRY, BANDS["Ha"], Window.around(SIZE_PX), STAR)


def _step(*terms: int, probes: float = 1.0) -> np.ndarray:
    step = np.zeros(len(PROBE))
    step[list(terms)] = probes * PROBE[list(terms)]
    return step


@pytest.mark.parametrize("step", [_step(0, 1, 2), _step(*SLITS, probes=12.5), _step(3, 4, probes=6.0)])
def test_after_a_step_the_image_is_that_of_the_new_geometry(step: np.ndarray) -> None:
    there = changed(GEOMETRY, step)
    redrawn, afresh = DRAWN.redrawn(there, step, STAR), draw(there, DRAWN.band, Window.around(SIZE_PX), STAR)
    expected = afresh.star.image(STAR)
    assert np.abs(redrawn.star.image(STAR) - expected).max() < 1e-5 * expected.max()
    assert redrawn.holds(there, STAR) and not redrawn.holds(GEOMETRY, STAR)


@pytest.mark.parametrize("term", range(len(PROBE)))
def test_slopes_are_what_small_steps_change(term: int) -> None:
    ahead, back = (
        draw(changed(GEOMETRY, step), DRAWN.band, Window.around(SIZE_PX), STAR).star.image(STAR)
        for step in (_step(term), _step(term, probes=-1.0))
    )
    numeric = (ahead - back) / (2.0 * PROBE[term])
    slope = DRAWN.images_by_terms(STAR, [term])[0]
    # A turn is computed from the image itself, whose square pixels do not turn with it.
    allowed = 0.03 if term == ORIENTATION else 0.15
    assert np.sqrt(np.mean((slope - numeric) ** 2)) < allowed * np.sqrt(np.mean(numeric**2))


def test_long_steps_add_what_they_change() -> None:
    step = _step(*SLITS, probes=12.5)
    there = draw(changed(GEOMETRY, step), DRAWN.band, Window.around(SIZE_PX), STAR).star.image(STAR)
    added = DRAWN.images_by_steps(STAR, [step])[0]
    assert np.abs(DRAWN.star.image(STAR) + added - there).max() < 1e-3 * there.max()


def test_a_star_to_search_with_draws_nearly_what_diffraction_does() -> None:
    """Fewer wavelengths and rungs than a measurement's: two per cent of an image, also between rungs."""
    window, band = Window.around(120), Band("L", 550.0, 200.0)
    star = searching_star(Geometry(OPTICS, MASK), band, window, 250.0)
    for defocus_um in (0.0, -41.0, 133.0, 240.0):
        exact = transfer_functions(OPTICS, MASK, band, window, np.array([0.0, defocus_um]))[1]
        at = StarState(defocus_um, 60.3, 59.8, 2.5)
        expected = star.image_of(exact, at)
        missed = star.image(at) - expected
        assert float(np.sqrt((missed**2).sum() / (expected**2).sum())) < 0.025
    full = make_templates(OPTICS, MASK, BANDS["Ha"], window, 250.0)
    assert len(make_templates(OPTICS, MASK, BANDS["Ha"], window, 250.0, coarse=True).transfer) < len(
        full.transfer
    )
