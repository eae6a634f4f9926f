"""What a geometry draws near one defocus: corrected, it is what is drawn afresh, and its slopes are true."""

from __future__ import annotations

import numpy as np
import pytest
from measure_cases import BANDS, MASK, OPTICS, SIZE_PX, state

from routines.measure.drawing import draw
from routines.measure.geometry import ORIENTATION, PROBE, SLITS, Geometry, changed
from routines.measure.templates import Window

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
