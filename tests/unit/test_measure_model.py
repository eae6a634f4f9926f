"""The forward model: its derivatives, its interpolation, its symmetry, and the fold onto pixels."""

from __future__ import annotations

import numpy as np
import pytest
from measure_cases import BANDS, MASK, OPTICS, SIZE_PX, star_model, state
from scipy import fft

from routines.measure.frequencies import SeeingProfile, cells_needed, inner, to_pixels
from routines.measure.geometry import Geometry, searching_star
from routines.measure.model import MaskedStar, moved
from routines.measure.templates import Window, make_local_templates, transfer_functions


@pytest.fixture(scope="module")
def model() -> MaskedStar:
    return star_model()


@pytest.mark.parametrize(("term", "step"), [(0, 0.1), (1, 0.01), (2, 0.01), (3, 0.01)])
def test_derivatives_are_those_of_the_image(model: MaskedStar, term: int, step: float) -> None:
    at = state(70.0, 1.0)
    change = np.zeros(4)
    change[term] = step
    numeric = (model.image(moved(at, change)) - model.image(moved(at, -change))) / (2.0 * step)
    _, slopes = model.image_and_slopes(at)
    # Single precision leaves about 1e-7 of the peak over the step.
    assert np.abs(numeric - slopes[term]).max() < 2e-3 * np.abs(slopes[term]).max()


def test_a_blur_that_is_held_has_no_slope_and_the_others_are_the_same(model: MaskedStar) -> None:
    free, held = model.slopes(state(70.0, 1.0)), model.slopes(state(70.0, 1.0), free_blur=False)
    assert np.array_equal(held[:3], free[:3])
    assert free[3].any() and not held[3].any()


@pytest.mark.parametrize("defocus_um", [0.0, 7.0, -93.0, 255.0])
def test_between_rungs_it_agrees_with_diffraction_itself(model: MaskedStar, defocus_um: float) -> None:
    window = model.templates.window
    exact = transfer_functions(OPTICS, MASK, BANDS["Ha"], window, np.array([0.0, defocus_um]))[1]
    at = state(defocus_um, 1.0)
    assert np.abs(model.image(at) - model.image_of(exact, at)).max() < 2e-4 * model.image(at).max()


@pytest.mark.parametrize("defocus_um", [242.0, -279.0])
def test_a_search_is_good_to_two_hundredths_out_to_its_ends(defocus_um: float) -> None:
    """Its ladder ends soon after the reach, and light far out folds over: enough to start from, no more."""
    window, band = Window.around(SIZE_PX), BANDS["G"]
    star = searching_star(Geometry(OPTICS, MASK), band, window, 280.0)
    exact = transfer_functions(OPTICS, MASK, band, window, np.array([0.0, defocus_um]))[1]
    at = state(defocus_um, 1.0, blur_px=3.0)
    assert np.abs(star.image(at) - star.image_of(exact, at)).max() < 0.02 * star.image(at).max()


def test_opposite_defocus_is_the_point_reflected_image(model: MaskedStar) -> None:
    centred = state(80.0, 1.0)
    middle = SIZE_PX // 2
    here = model.image(moved(centred, np.array([0.0, middle - centred.x_px, middle - centred.y_px, 0.0])))
    there = model.image(moved(centred, np.array([-160.0, middle - centred.x_px, middle - centred.y_px, 0.0])))
    assert here[1:, 1:] == pytest.approx(there[:0:-1, :0:-1], abs=1e-6)


def test_all_light_is_in_the_window_or_beyond_it(model: MaskedStar) -> None:
    total = float(model.image(state(0.0, 1.0)).sum())
    # Beyond +/- 80 px lie the fifth and higher orders: 5 % of a half-open grating's light (grating theory).
    assert 0.93 < total <= 1.0001


def test_folding_keeps_the_samples_of_the_finer_image() -> None:
    rng = np.random.default_rng(5)
    window = Window(cutout_px=30, grid_px=54)
    fine = rng.normal(size=(108, 108))
    spectrum = fft.rfft2(fine).astype(np.complex64)
    spectrum[:, 54] = 0.0
    spectrum[54, :] = 0.0
    expected = fft.fftshift(fft.irfft2(spectrum, s=(108, 108)))[::2, ::2] * 4.0
    assert to_pixels(spectrum, window) == pytest.approx(expected[12:42, 12:42], abs=1e-4)


def test_local_templates_agree_with_the_ladder_nearby(model: MaskedStar) -> None:
    local = MaskedStar(make_local_templates(OPTICS, MASK, BANDS["Ha"], model.templates.window, -60.0))
    for defocus_um in (-72.0, -60.0, -45.0):
        at = state(defocus_um, 1.0)
        assert np.abs(local.image(at) - model.image(at)).max() < 0.01 * model.image(at).max()


@pytest.mark.parametrize("profile", ["gaussian", "kolmogorov"])
@pytest.mark.parametrize("blur_px", [0.5, 1.5, 3.0, 8.0])
def test_frequencies_that_a_blur_takes_are_not_missed(blur_px: float, profile: SeeingProfile) -> None:
    base = star_model()
    star = MaskedStar(base.templates, profile)
    window, at = base.templates.window, state(25.0, 1.0, blur_px=blur_px)
    k_y, k_x = np.meshgrid(
        fft.fftfreq(2 * window.grid_px) * 2.0, np.arange(window.grid_px + 1) / window.grid_px
    )
    radius = np.hypot(k_y, k_x).T
    if profile == "gaussian":  # the Fourier transform of a Gaussian; FWHM is 2.3548 sigma
        blur = np.exp(-2.0 * (np.pi * blur_px / 2.354820 * radius) ** 2)
    else:  # long exposure: exp(-3.44 (f lambda / r0)^(5/3)), FWHM 0.98 lambda / r0 (Fried 1966; Roddier 1981)
        blur = np.exp(-3.44 * (blur_px * radius / 0.98) ** (5.0 / 3.0))
    middle = window.cutout_px // 2
    shift = np.exp(-2j * np.pi * (k_x * (at.x_px - middle) + k_y * (at.y_px - middle))).T
    pixel = (np.sinc(k_x) * np.sinc(k_y)).T
    whole = base.templates.at(25.0, window.grid_px) * blur * pixel * shift
    expected = to_pixels(whole.astype(np.complex64), window)
    assert np.abs(star.unit_image(at) - expected).max() < 1e-4 * expected.max()


def test_a_wider_blur_needs_fewer_frequencies() -> None:
    cells = [cells_needed(200, "gaussian", 1.0, blur_px) for blur_px in (0.4, 1.5, 2.5, 4.0, 8.0)]
    assert cells == sorted(cells, reverse=True)
    assert cells[0] == 200 and cells[2] < 150 and cells[-1] < 60


def test_the_inner_part_of_a_spectrum_keeps_both_signs() -> None:
    spectrum = np.arange(8 * 5, dtype=np.complex64).reshape(8, 5)
    assert np.array_equal(inner(spectrum, 2), spectrum[[0, 1, 6, 7], :3])
    assert inner(spectrum, 4) is spectrum
