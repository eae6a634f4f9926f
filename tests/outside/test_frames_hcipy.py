"""The hcipy frames themselves: the sides of focus, agreement with poppy's, and the turbulence's strength."""

from __future__ import annotations

import math

import air_exposures
import hcipy_frames
import numpy as np
import poppy_frames
import pytest
from masked_star import Bahtinov, Light, Telescope, blocked_half, summed_over_pixels

TELESCOPE = Telescope()


@pytest.mark.parametrize("defocus_um", [300.0, -300.0])
def test_light_from_a_half_lands_on_the_far_side_beyond_focus(defocus_um: float) -> None:
    # Similar triangles, and the centroid of a half disc at 4R/(3 pi) (plane geometry).
    half = blocked_half(TELESCOPE, 240, 40.0)
    image = summed_over_pixels(hcipy_frames.pupil_image(TELESCOPE, half, 550.0, defocus_um), 3, 0.0)
    rows, columns = np.indices(image.shape)
    reach = 4.0 / (3.0 * math.pi) * TELESCOPE.aperture_mm / 2.0
    shift = -reach * defocus_um / TELESCOPE.focal_length_mm / TELESCOPE.pixel_um
    x, y = (columns * image).sum() / image.sum() - 63.5, (rows * image).sum() / image.sum() - 63.5
    assert x == pytest.approx(shift * math.cos(math.radians(40.0)), abs=0.02)
    assert y == pytest.approx(shift * math.sin(math.radians(40.0)), abs=0.02)


@pytest.mark.parametrize(("lean", "defocus_um"), [(1, 100.0), (-1, -220.0)])
def test_both_libraries_draw_the_same_frame(lean: int, defocus_um: float) -> None:
    telescope = Telescope(1750.0, 190.0, 0.38, 3.9, (45.0, 135.0, 225.0, 315.0), 1.5)
    mask = Bahtinov(8.0, 20.0, 0.45, 64.0, lean, 0.3)
    light, place = Light(600.0, 20.0, 1e6), (66.3, 60.8)
    ours = hcipy_frames.masked_star(telescope, mask, light, defocus_um, star_px=place)
    theirs = poppy_frames.masked_star(telescope, mask, light, defocus_um, star_px=place, size_px=128)
    assert ours == pytest.approx(theirs, abs=0.01 * theirs.max())
    assert ours.sum() == pytest.approx(theirs.sum(), rel=0.005)


def test_the_same_seed_gives_the_same_air() -> None:
    air = hcipy_frames.Air(80.0)
    first = hcipy_frames.Turbulence(air, TELESCOPE, 5).path_difference_m(0.3, 96)
    again = hcipy_frames.Turbulence(air, TELESCOPE, 5).path_difference_m(0.3, 96)
    other = hcipy_frames.Turbulence(air, TELESCOPE, 6).path_difference_m(0.3, 96)
    assert (first == again).all()
    assert not np.allclose(first, other)


def test_the_air_has_kolmogorovs_structure_at_short_reach() -> None:
    # D(r) = 6.88 (r / r0)^(5/3) at 500 nm (Fried 1966); with an outer scale L0 it is lower by the factor
    # 1 - 1.485 (r / L0)^(1/3) to first order (Conan 2000; coefficient from memory), 24 % at r = 0.1 m.
    telescope = Telescope(focal_length_mm=1000.0, aperture_mm=400.0)
    turbulence = hcipy_frames.Turbulence(hcipy_frames.Air(100.0, (11.0, 7.0), 25.0), telescope, 3)
    lag = 24
    reach_m = lag * 0.4 / 96
    seen = []
    for number in range(60):
        phase = turbulence.path_difference_m(0.7 * number, 96) * 2.0 * math.pi / 500e-9
        seen.append(0.5 * ((phase[:, lag:] - phase[:, :-lag]) ** 2).mean())
        seen.append(0.5 * ((phase[lag:, :] - phase[:-lag, :]) ** 2).mean())
    expected = 6.88 * (reach_m / 0.1) ** (5.0 / 3.0) * (1.0 - 1.485 * (reach_m / 25.0) ** (1.0 / 3.0))
    assert 2.0 * np.mean(seen) == pytest.approx(expected, rel=0.12)


def test_an_exposure_through_air_is_wider_and_keeps_its_light() -> None:
    light = Light(550.0, 10.0, 1.0)
    calm = hcipy_frames.masked_star(TELESCOPE, Bahtinov(), light, 0.0)
    turbulence = hcipy_frames.Turbulence(hcipy_frames.Air(25.0), TELESCOPE, 2)
    blurred = hcipy_frames.masked_star(TELESCOPE, Bahtinov(), light, 0.0, turbulence=turbulence)
    assert blurred.max() < 0.6 * calm.max()
    assert blurred.sum() == pytest.approx(calm.sum(), rel=0.02)


def test_the_fast_exposures_are_hcipys_propagation() -> None:
    telescope, mask = Telescope(784.0, 112.0, 0.2), Bahtinov(5.2, 20.0, 0.5, 33.0, -1)
    scene = air_exposures.Scene(telescope, mask, 90.0, size_px=128)
    light, place = Light(scene.wavelength_nm, 0.0, 1.0), (scene.star_px, scene.star_px)
    slow = hcipy_frames.masked_star(telescope, mask, light, 90.0, star_px=place)
    assert air_exposures.calm(scene) == pytest.approx(slow, abs=0.003 * slow.max())
    air = hcipy_frames.Air(100.0, (3.0, 2.0))
    turbulence = hcipy_frames.Turbulence(air, telescope, 4)
    slow = hcipy_frames.masked_star(
        telescope, mask, light, 90.0, star_px=place, turbulence=turbulence, exposure_s=0.03, instants=4
    )
    fast = air_exposures.Exposures(scene, air, 4).take(0.03)
    assert fast == pytest.approx(slow, abs=0.01 * slow.max())
