"""A star at half the sampling is the star summed over two by two pixels, and leads to the same minimum."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from measure_cases import made, star_model, state

from routines.measure import capture
from routines.measure.cutout import Cutout, cropped
from routines.measure.fit import fit_star
from routines.measure.fitted import StarFit
from routines.measure.halved import can_halve, doubled_state, halved_cutout, halved_star, halved_state
from routines.measure.model import MaskedStar


@pytest.fixture(scope="module")
def star() -> MaskedStar:
    return star_model()


@pytest.mark.parametrize("side_px", [160, 158])
def test_a_star_at_half_the_sampling_is_the_sum_of_its_pixels(star: MaskedStar, side_px: int) -> None:
    at = state(40.0, 1e5, blur_px=3.0)
    image = star.image(at)
    whole = Cutout(image, np.ones(image.shape, bool), 0, 0, 1.6, "Ha", 4.0)
    summed = halved_cutout(cropped(whole, side_px))
    drawn = halved_star(star).image(halved_state(at, whole))
    edge = (drawn.shape[0] - summed.size_px) // 2
    inner = slice(edge, drawn.shape[0] - edge)
    # Frequencies beyond one cycle a larger pixel are left out: the blur has left a thousandth of them.
    assert np.abs(drawn[inner, inner] - summed.pixels).max() < 1e-4 * summed.pixels.max()


def test_an_unusable_pixel_spoils_its_sum_and_noises_add_up(star: MaskedStar) -> None:
    cutout = made(star, state(0.0, 1e5), 1)
    usable = np.ones_like(cutout.usable)
    usable[11, 20] = False
    summed = halved_cutout(replace(cutout, usable=usable))
    assert not summed.usable[5, 10] and summed.usable.sum() == summed.usable.size - 1
    assert summed.read_noise_electrons == 2.0 * cutout.read_noise_electrons


@pytest.mark.parametrize("side_px", [160, 158])
def test_a_state_comes_back_from_half_the_sampling_as_it_went(star: MaskedStar, side_px: int) -> None:
    cutout = cropped(made(star, state(0.0, 1e5), 2), side_px)
    at = state(12.0, 3e4)
    there = doubled_state(halved_state(at, cutout), cutout)
    assert (there.x_px, there.y_px, there.blur_px) == pytest.approx((at.x_px, at.y_px, at.blur_px))


def test_sharp_stars_and_pixels_with_gaps_are_searched_as_they_are(star: MaskedStar) -> None:
    assert can_halve(star, 3.0) and not can_halve(star, 1.0)
    assert not can_halve(MaskedStar(star.templates, pixel_share=0.5), 3.0)


@pytest.mark.parametrize("defocus_um", [-150.0, -20.0, 95.0])
@pytest.mark.parametrize("electrons", [8e3, 1e6])
def test_a_search_at_half_the_sampling_ends_where_the_whole_one_ends(
    star: MaskedStar, defocus_um: float, electrons: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    cutout = made(star, state(defocus_um, electrons, blur_px=3.0), 3)
    halved = capture.capture(star, cutout, None, 24.0)
    monkeypatch.setattr("routines.measure.halved.can_halve", lambda star, blur_px: False)
    whole = capture.capture(star, cutout, None, 24.0)
    assert halved.rival == whole.rival
    assert abs(halved.fit.state.defocus_um - whole.fit.state.defocus_um) < 0.1 * whole.fit.defocus_u_um


def test_trials_that_lead_into_one_valley_are_climbed_from_once(
    star: MaskedStar, monkeypatch: pytest.MonkeyPatch
) -> None:
    climbs = []

    def noted(*arguments: Any) -> StarFit:
        climbs.append(fit_star(*arguments))
        return climbs[-1]

    monkeypatch.setattr(capture, "fit_star", noted)
    seen = capture.capture(star, made(star, state(-60.0, 3e5, blur_px=3.0), 4), None, 12.0)
    assert len(climbs) == 1 and seen.fit is climbs[0]


def test_a_place_that_was_not_reached_is_no_valley_known(star: MaskedStar) -> None:
    fit = capture.capture(star, made(star, state(30.0, 1e5), 5), None, 24.0).fit
    near = replace(fit, state=replace(fit.state, defocus_um=fit.state.defocus_um + 0.3 * fit.defocus_u_um))
    far = replace(fit, state=replace(fit.state, defocus_um=fit.state.defocus_um + 3.0 * fit.defocus_u_um))
    under_way = replace(near, converged=False)
    assert capture._distinct([fit, near, far, under_way]) == [fit, far, under_way]
