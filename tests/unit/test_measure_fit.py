"""The fit of one cut-out: unbiased, at the photons' bound, true to its word, and hard to fool."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measure_cases import made, star_model, state

from routines.measure.fit import fit_star
from routines.measure.model import MaskedStar, StarState


@pytest.fixture(scope="module")
def model() -> MaskedStar:
    return star_model()


def _errors(model: MaskedStar, defocus_um: float, electrons: float) -> tuple[np.ndarray, np.ndarray]:
    errors, told = [], []
    for seed in range(30):
        start = StarState(defocus_um + 12.0 * (-1) ** seed, 80.0, 80.0, 3.0)
        fit = fit_star(model, made(model, state(defocus_um, electrons), seed), start)
        assert fit.converged
        errors.append(fit.state.defocus_um - defocus_um)
        told.append(fit.defocus_u_um)
    return np.array(errors), np.array(told)


@pytest.mark.parametrize(("defocus_um", "electrons"), [(0.0, 1e4), (-110.0, 1e5), (60.0, 1e6)])
def test_scatter_is_what_it_says(model: MaskedStar, defocus_um: float, electrons: float) -> None:
    errors, told = _errors(model, defocus_um, electrons)
    pull = errors / told
    # 30 draws: the root mean square of a standard normal lies in 0.68 to 1.32 with 99 %.
    assert 0.68 < float(np.sqrt((pull**2).mean())) < 1.32
    assert abs(float(errors.mean())) < 3.0 * float(told.mean()) / np.sqrt(30.0)


def test_four_times_the_light_halves_the_uncertainty(model: MaskedStar) -> None:
    few = fit_star(model, made(model, state(40.0, 1e5), 1), state(40.0, 0.0))
    many = fit_star(model, made(model, state(40.0, 4e5), 1), state(40.0, 0.0))
    assert few.defocus_u_um / many.defocus_u_um == pytest.approx(2.0, rel=0.1)


def test_a_saturated_core_is_left_out(model: MaskedStar) -> None:
    cutout = made(model, state(-50.0, 3e6), 2, ceiling=2e4)
    assert (~cutout.usable).sum() > 20
    fit = fit_star(model, cutout, state(-40.0, 0.0))
    assert fit.state.defocus_um == pytest.approx(-50.0, abs=4.0 * fit.defocus_u_um)


def test_hot_pixels_do_not_count(model: MaskedStar) -> None:
    cutout = made(model, state(30.0, 3e4), 3)
    rng = np.random.default_rng(4)
    hot = cutout.pixels.copy()
    hot[rng.integers(0, 160, 40), rng.integers(0, 160, 40)] += 3000.0
    fit = fit_star(model, replace(cutout, pixels=hot), state(20.0, 0.0))
    assert fit.state.defocus_um == pytest.approx(30.0, abs=4.0 * fit.defocus_u_um)
    assert fit.used.sum() < hot.size - 25


def test_a_sky_gradient_is_not_focus(model: MaskedStar) -> None:
    cutout = made(model, state(-20.0, 5e4), 5)
    sloped = cutout.pixels + np.linspace(0.0, 200.0, 160, dtype=np.float32)[None, :]
    fit = fit_star(model, replace(cutout, pixels=sloped), state(-10.0, 0.0))
    assert fit.state.defocus_um == pytest.approx(-20.0, abs=4.0 * fit.defocus_u_um)
    assert fit.background[1] == pytest.approx(200.0 / 159.0, rel=0.02)


def test_what_the_model_misses_is_in_the_uncertainty(model: MaskedStar) -> None:
    cutout = made(model, state(0.0, 1e6), 6)
    streaked = cutout.pixels * (1.0 + 0.2 * np.sin(np.arange(160) / 3.0, dtype=np.float32))[None, :]
    clean, off = (
        fit_star(model, replace(cutout, pixels=p), state(5.0, 0.0)) for p in (cutout.pixels, streaked)
    )
    assert clean.mismatch < 0.02 < 0.08 < off.mismatch
    assert off.defocus_u_um > 3.0 * clean.defocus_u_um
