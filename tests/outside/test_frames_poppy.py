"""The poppy frames themselves: where light lands, how much, and that the two propagations agree."""

from __future__ import annotations

import math

import numpy as np
import poppy_frames
import pytest
from masked_star import (
    Bahtinov,
    Light,
    Telescope,
    blocked_half,
    expected_spike_error_px,
    summed_over_pixels,
)
from photutils.centroids import centroid_2dg

TELESCOPE = Telescope()


def centroid(image: np.ndarray) -> tuple[float, float]:
    rows, columns = np.indices(image.shape)
    return float((columns * image).sum() / image.sum()), float((rows * image).sum() / image.sum())


@pytest.mark.parametrize("towards_deg", [0.0, 40.0, 115.0, 250.0])
@pytest.mark.parametrize("defocus_um", [300.0, -300.0])
def test_light_from_a_half_lands_on_the_far_side_beyond_focus(towards_deg: float, defocus_um: float) -> None:
    # Similar triangles: a ray from pupil point r meets a sensor z beyond the focus at -r z / f, and the
    # centroid of a half disc is 4R/(3 pi) from its diameter (plane geometry).
    half = blocked_half(TELESCOPE, 240, towards_deg)
    image = summed_over_pixels(poppy_frames.pupil_image(TELESCOPE, half, 550.0, defocus_um), 3, 0.0)
    reach = 4.0 / (3.0 * math.pi) * TELESCOPE.aperture_mm / 2.0
    shift = -reach * defocus_um / TELESCOPE.focal_length_mm / TELESCOPE.pixel_um
    x, y = centroid(image)
    assert x - 95.5 == pytest.approx(shift * math.cos(math.radians(towards_deg)), abs=0.02)
    assert y - 95.5 == pytest.approx(shift * math.sin(math.radians(towards_deg)), abs=0.02)


@pytest.mark.parametrize("defocus_um", [1500.0, -1500.0])
def test_a_plane_moved_by_fresnel_propagation_shows_the_same_side(defocus_um: float) -> None:
    half = blocked_half(TELESCOPE, 360, 0.0)
    image, step_um = poppy_frames.fresnel_image(TELESCOPE, half, 550.0, defocus_um)
    x, _ = centroid(image)
    shift_um = (x - image.shape[1] // 2) * step_um
    reach_mm = 4.0 / (3.0 * math.pi) * TELESCOPE.aperture_mm / 2.0
    assert shift_um == pytest.approx(-reach_mm * defocus_um / TELESCOPE.focal_length_mm, rel=0.02)


def test_a_star_stands_where_it_was_asked_to() -> None:
    light = Light(550.0, 0.0, 1.0)
    image = poppy_frames.masked_star(TELESCOPE, None, light, 0.0, star_px=(100.3, 80.6), blur_fwhm_px=2.0)
    x, y = centroid_2dg(image[70:91, 90:111])
    assert (90.0 + x, 70.0 + y) == pytest.approx((100.3, 80.6), abs=0.01)


def test_the_light_of_an_open_pupil_is_all_there() -> None:
    # Energy of an Airy pattern beyond radius r: J0^2 + J1^2 ~ 2 / (pi v), v = pi r / (lambda N)
    # (Rayleigh 1881; asymptotic form of the Bessel functions).
    image = poppy_frames.masked_star(TELESCOPE, None, Light(550.0, 0.0, 1.0), 0.0)
    v = math.pi * 96.0 * TELESCOPE.pixel_um / (0.550 * TELESCOPE.focal_ratio)
    assert 1.0 - 2.0 / (math.pi * v) < image.sum() < 1.0


@pytest.mark.parametrize("lean", [1, -1])
@pytest.mark.parametrize("orientation_deg", [0.0, 73.0])
def test_turning_the_mask_turns_the_image(lean: int, orientation_deg: float) -> None:
    mask = Bahtinov(orientation_deg=orientation_deg, lean=lean)
    half_turn = Bahtinov(orientation_deg=orientation_deg + 180.0, lean=lean)
    light = Light(550.0, 0.0, 1.0)
    image = poppy_frames.masked_star(TELESCOPE, mask, light, 120.0, size_px=96)
    turned = poppy_frames.masked_star(TELESCOPE, half_turn, light, 120.0, size_px=96)
    opposite = poppy_frames.masked_star(TELESCOPE, mask, light, -120.0, size_px=96)
    assert turned[::-1, ::-1] == pytest.approx(image, abs=2e-4 * image.max())
    assert opposite[::-1, ::-1] == pytest.approx(image, abs=2e-4 * image.max())


@pytest.mark.parametrize("lean", [1, -1])
def test_expected_spike_error_matches_the_published_geometry(lean: int) -> None:
    # By hand: (2 -+ tan a) of the half's displacement between the middle spike and the crossing.
    mask = Bahtinov(lean=lean)
    shift_px = 4.0 * 56.0 / (3.0 * math.pi) * 100.0 / 588.0 / 3.9
    factor = 2.0 - lean * math.tan(math.radians(20.0))
    assert expected_spike_error_px(TELESCOPE, mask, 100.0) == pytest.approx(factor * shift_px)
