"""A mismatch that neighbouring pixels share does not average out as noise does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measure_cases import SIZE_PX, made, star_model, state
from scipy.ndimage import gaussian_filter

from routines.measure.fit import fit_star
from routines.measure.shared import _LAGS_PX, _by_lag, shared_defocus_u_um

STATE = state(40.0, 1e6)
COUNT = 40


def speckled_fits(width_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return error, u pixel by pixel and u shared (um) of fits to stars whose light is off by 15 %."""
    star, rows = star_model(), []
    for seed in range(COUNT):
        speckles = gaussian_filter(np.random.default_rng(seed).normal(size=(SIZE_PX, SIZE_PX)), width_px)
        cutout = made(star, STATE, seed, ceiling=1e9)
        light = star.image(STATE) * (0.15 * speckles / speckles.std())
        cutout = replace(cutout, pixels=(cutout.pixels + light).astype(np.float32))
        fit = fit_star(star, cutout, replace(STATE, flux_electrons=0.0))
        shared = shared_defocus_u_um(cutout, fit)
        rows.append((fit.state.defocus_um - STATE.defocus_um, fit.defocus_u_um, shared))
    error, alone, shared = np.array(rows).T
    return error, alone, shared


def test_speckles_wider_than_a_pixel_make_the_defocus_less_sure() -> None:
    error, alone, shared = speckled_fits(1.5)
    scatter = float(np.sqrt(np.mean(error**2)))
    assert scatter > 1.5 * np.median(alone)  # what the mismatch taken for noise would have promised
    assert 0.65 < scatter / float(np.median(shared)) < 1.35


def test_a_mismatch_of_each_pixel_by_itself_stays_what_it_was() -> None:
    error, alone, shared = speckled_fits(0.01)
    assert np.median(shared) == pytest.approx(np.median(alone), rel=0.1)
    assert 0.7 < float(np.sqrt(np.mean(error**2))) / float(np.median(shared)) < 1.3


def test_without_a_mismatch_nothing_is_added() -> None:
    star = star_model()
    cutout = made(star, STATE, 1, ceiling=1e9)
    fit = fit_star(star, cutout, replace(STATE, flux_electrons=0.0))
    assert fit.mismatch == 0.0
    assert shared_defocus_u_um(cutout, fit) == fit.defocus_u_um


def test_products_by_lag_are_those_of_the_pixels_pairs() -> None:
    image = np.random.default_rng(3).normal(size=(30, 30))
    sums = dict(zip(_LAGS_PX, _by_lag(image), strict=True))
    assert sums[0, 0] == pytest.approx((image**2).sum())
    assert sums[2, 3] == pytest.approx((image[2:, 3:] * image[:-2, :-3]).sum())
    assert sums[1, -2] == pytest.approx((image[1:, :-2] * image[:-1, 2:]).sum())
