"""Light that is not the star's: found by boxes of pixels, also at a cut-out's edge."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from routines.measure.foreign import _BOX_PX, _in_boxes, foreign


def test_sums_over_boxes_are_those_of_a_uniform_filter() -> None:
    rng = np.random.default_rng(8)
    image, wanted = rng.normal(size=(40, 40)), rng.random((40, 40)) < 0.2
    wanted[0, 0] = wanted[-1, 20] = True
    expected = ndimage.uniform_filter(image, _BOX_PX)[wanted] * _BOX_PX**2  # scipy's, the edge mirrored
    assert _in_boxes(image, wanted) == pytest.approx(expected)


def test_a_star_beside_the_measured_one_is_foreign_and_its_own_core_is_not() -> None:
    y, x = np.mgrid[:80, :80]

    def light(x_px: float, y_px: float, electrons: float) -> np.ndarray:
        return electrons * np.exp(-((x - x_px) ** 2 + (y - y_px) ** 2) / 4.0)

    signal = light(40.0, 40.0, 2000.0)
    residual = light(60.0, 20.0, 300.0) + 0.3 * signal
    found = foreign(residual, signal, signal + 30.0, np.ones((80, 80), bool), (40.0, 40.0))
    assert found[20, 60] and found[18:23, 58:63].all()
    assert not found[36:45, 36:45].any() and found.mean() < 0.05
