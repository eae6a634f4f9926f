"""What a climb draws, what it follows instead, and what it tells of each pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measure_cases import made, star_model, state

from routines.measure.capture import Hint, capture
from routines.measure.climb import Climber, FitLimits
from routines.measure.fit import fit_star
from routines.measure.fitted import modelled
from routines.measure.model import MaskedStar, StarState, apart, moved


@pytest.fixture(scope="module")
def model() -> MaskedStar:
    return star_model()


@pytest.mark.parametrize(("defocus_um", "electrons"), [(0.0, 3e3), (-110.0, 1e5), (60.0, 3e6)])
def test_a_fits_image_is_what_its_state_draws(model: MaskedStar, defocus_um: float, electrons: float) -> None:
    """The last steps' image is followed and not drawn: it may miss by little beside the noise."""
    fit = fit_star(model, made(model, state(defocus_um, electrons), 1), state(defocus_um + 5.0, 0.0))
    drawn = star_model().unit_image(fit.state)
    noise = np.sqrt(np.maximum(drawn * electrons, 0.0) + 20.0 + 1.6**2)
    assert np.abs((fit.light - drawn) * electrons / noise).max() < 0.02


def test_a_tracked_star_is_drawn_few_times(model: MaskedStar, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []
    slopes, image = MaskedStar.slopes, MaskedStar.unit_image

    def counted_slopes(star: MaskedStar, at: StarState, *, free_blur: bool = True) -> np.ndarray:
        drawn.append("slopes")
        return slopes(star, at, free_blur=free_blur)

    def counted_image(star: MaskedStar, at: StarState) -> np.ndarray:
        if star._unit is None or star._unit[0] != at.shape:
            drawn.append("image")
        return image(star, at)

    cutout = made(model, state(40.0, 3e5), 7)
    monkeypatch.setattr(MaskedStar, "slopes", counted_slopes)
    monkeypatch.setattr(MaskedStar, "unit_image", counted_image)
    captured = capture(model, cutout, Hint(43.0, 25.0, 2.5), 30.0)
    assert captured.fit.state.defocus_um == pytest.approx(40.0, abs=4.0 * captured.fit.defocus_u_um)
    assert drawn.count("slopes") <= 2 and drawn.count("image") <= 4


def test_the_pull_is_what_an_electron_more_moves(model: MaskedStar) -> None:
    cutout = made(model, state(50.0, 1e6), 3)
    used = cutout.usable & modelled(cutout.size_px)
    level = np.array([1e6, 20.0, 0.0, 0.0])
    exactly = FitLimits(tolerance_u=1e-4)

    def fitted(pixels: np.ndarray) -> float:
        climber = Climber(model, replace(cutout, pixels=pixels))
        return climber.climb(state(50.0, 1e6), level, used, exactly, 0.0).state.defocus_um

    fit = Climber(model, cutout).climb(state(50.0, 1e6), level, used, exactly, 0.0)
    more = np.zeros_like(cutout.pixels)
    place = np.unravel_index(int(np.argmax(np.abs(fit.pull))), fit.pull.shape)
    more[place] = 200.0
    moved_um = (fitted(cutout.pixels + more) - fitted(cutout.pixels - more)) / 400.0
    assert moved_um == pytest.approx(float(fit.pull[place]), rel=0.05)
    assert not fit.pull[~used].any()


def test_what_stands_alone_has_no_stranger_in_it(model: MaskedStar) -> None:
    limits = FitLimits(own_light_only=True, reach_um=280.0)
    cutout = made(model, state(30.0, 3e5), 5)
    assert fit_star(model, cutout, state(33.0, 0.0), limits).alone
    trail = cutout.pixels.copy()
    trail[20:26] += 400.0
    fit = fit_star(model, replace(cutout, pixels=trail), state(33.0, 0.0), limits)
    assert not fit.alone and not fit.used[20:26, 60:100].any()


def test_steps_between_states_lead_from_one_to_the_other() -> None:
    here, there = state(20.0, 1e5), StarState(25.0, 81.0, 78.0, 3.1, 1e5)
    assert moved(here, apart(here, there)) == replace(there, blur_px=pytest.approx(3.1))
