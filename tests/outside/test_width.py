"""Star widths against published profiles and independent libraries, on the same pixels."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import sep
from photutils.profiles import CurveOfGrowth, RadialProfile

from routines.measure.cutout import Detector
from routines.measure.width import combined, measure_width, star_widths

DETECTOR = Detector(1.0, 1.6, 60_000.0, 100.0)
FINE = 7
STAMP_PX = 100
Profile = Callable[[np.ndarray], np.ndarray]


def field(
    profile: Profile, seed: int = 1, count: int = 30, size: int = 700, noise_seed: int | None = None
) -> np.ndarray:
    """Return a frame (ADU) of stars of one profile, summed over each pixel from a finer grid."""
    rng = np.random.default_rng(seed)
    frame = np.zeros((size, size))
    cells = [(i, j) for i in range(6) for j in range(6)]
    for row, column in [cells[k] for k in rng.permutation(36)[:count]]:
        y0, x0 = 60 + 115 * row + rng.uniform(-5, 5), 60 + 115 * column + rng.uniform(-5, 5)
        top, left = int(y0) - STAMP_PX // 2, int(x0) - STAMP_PX // 2
        places = (np.arange(STAMP_PX * FINE) + 0.5) / FINE - 0.5
        radius = np.hypot(places[None, :] + left - x0, places[:, None] + top - y0)
        light = profile(radius).reshape(STAMP_PX, FINE, STAMP_PX, FINE).sum(axis=(1, 3))
        light *= 10 ** rng.uniform(4.3, 5.3) / light.sum()
        rows, columns = slice(max(top, 0), top + STAMP_PX), slice(max(left, 0), left + STAMP_PX)
        piece = light[rows.start - top :, columns.start - left :]
        frame[rows, columns] += piece[: size - rows.start, : size - columns.start]
    noise = rng if noise_seed is None else np.random.default_rng(noise_seed)
    return (noise.poisson(frame + 50.0) + 100).astype(np.uint16)


def gaussian(fwhm_px: float) -> Profile:
    return lambda radius: np.exp(-4.0 * np.log(2.0) * (radius / fwhm_px) ** 2)


def moffat(fwhm_px: float, beta: float) -> Profile:
    scale = fwhm_px / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
    return lambda radius: (1.0 + (radius / scale) ** 2) ** -beta


def test_half_flux_diameter_of_a_gaussian_is_its_fwhm() -> None:
    """Integral of a Gaussian: half its flux lies within FWHM / 2. Pixels add a twelfth of a px^2 an axis."""
    reading = measure_width(field(gaussian(6.0)), DETECTOR)
    with_pixels = np.sqrt(6.0**2 + 8.0 * np.log(2.0) / 12.0)
    assert reading.width_px == pytest.approx(with_pixels, rel=0.01)
    assert reading.fwhm_px == pytest.approx(with_pixels, rel=0.03)


@pytest.mark.parametrize(("beta", "ratio"), [(4.765, 1.14), (2.5, 1.36)])
def test_half_flux_diameter_of_a_moffat(beta: float, ratio: float) -> None:
    """Closed form of Moffat (1969): half the flux within scale * sqrt(2^(1/(beta-1)) - 1).

    The aperture ends at four half-flux radii, beyond which a beta of 2.5 still holds 3 % of the light.
    """
    reading = measure_width(field(moffat(6.0, beta)), DETECTOR)
    assert reading.width_px is not None
    assert reading.width_px / 6.0 == pytest.approx(ratio, rel=0.04)


def test_half_flux_radius_of_a_uniform_disc() -> None:
    """Plane geometry: half of a disc's area lies within R / sqrt(2) = 0.707 R."""
    reading = measure_width(field(lambda radius: (radius < 10.0) * 1.0), DETECTOR)
    assert reading.width_px == pytest.approx(2.0 * 0.7071 * 10.0, rel=0.01)


def test_each_star_agrees_with_sep_and_with_curves_of_growth_by_photutils() -> None:
    frame = field(moffat(5.0, 4.765), seed=3)
    mine = star_widths(frame, DETECTOR)
    clean = frame.astype(np.float32) - 150.0
    theirs, _ = sep.flux_radius(clean, mine.x_px, mine.y_px, np.full(len(mine.x_px), 20.0), 0.5, subpix=5)
    assert mine.diameter_px == pytest.approx(2.0 * theirs, rel=0.02)
    bright = int(np.argmax(mine.flux_electrons))
    place = (mine.x_px[bright], mine.y_px[bright])
    growth = CurveOfGrowth(clean, place, np.arange(1.0, 20.0, 0.5))
    half = np.interp(0.5 * growth.profile[-1], growth.profile, growth.radii[-len(growth.profile) :])
    assert mine.diameter_px[bright] == pytest.approx(2.0 * half, rel=0.03)


def test_fwhm_agrees_with_photutils() -> None:
    frame = field(gaussian(5.0), seed=4)
    mine = star_widths(frame, DETECTOR)
    bright = int(np.argmax(mine.flux_electrons))
    clean = frame.astype(np.float32) - 150.0
    profile = RadialProfile(clean, (mine.x_px[bright], mine.y_px[bright]), np.arange(0.0, 16.0, 1.0))
    assert mine.fwhm_px[bright] == pytest.approx(float(profile.gaussian_fwhm), rel=0.04)


def test_saturated_stars_are_left_out() -> None:
    """Half of the stars are clipped to a flat top, which would widen them; the others decide alone."""
    frame = field(gaussian(5.0), seed=5)
    whole = measure_width(frame, DETECTOR)
    level = float(np.median([frame[round(y), round(x)] for x, y in _places(frame)]))
    clipped = np.minimum(frame, level).astype(np.uint16)
    reading = measure_width(clipped, Detector(1.0, 1.6, level, 100.0))
    assert whole.width_px is not None and reading.width_px is not None
    assert reading.width_px == pytest.approx(whole.width_px, rel=0.02)
    assert 8 <= reading.stars <= 0.7 * whole.stars
    everything = np.minimum(frame, np.min([frame[round(y), round(x)] for x, y in _places(frame)]))
    none = measure_width(everything.astype(np.uint16), Detector(1.0, 1.6, float(everything.max()), 100.0))
    assert none.width_px is None and none.flags == ("saturated", "no_star")


def _places(frame: np.ndarray) -> list[tuple[float, float]]:
    found = star_widths(frame, DETECTOR)
    return list(zip(found.x_px, found.y_px, strict=True))


def test_blended_stars_do_not_widen_the_field() -> None:
    """Every third star gets a neighbour of half its light, 9 px away; FWHM is 5 px."""
    frame = field(gaussian(5.0), seed=6).astype(float) - 150.0
    plain = measure_width((frame + 150.0).astype(np.uint16), DETECTOR)
    mixed = frame.copy()
    for x, y in _places((frame + 150.0).astype(np.uint16))[::3]:
        rows, columns = slice(round(y) - 15, round(y) + 16), slice(round(x) - 15, round(x) + 16)
        mixed[rows, slice(columns.start + 9, columns.stop + 9)] += 0.5 * frame[rows, columns]
    reading = measure_width(np.maximum(mixed + 150.0, 0.0).astype(np.uint16), DETECTOR)
    assert plain.width_px is not None and reading.width_px is not None
    assert reading.width_px == pytest.approx(plain.width_px, rel=0.02)


def test_one_star_is_the_brightest_and_the_field_is_surer() -> None:
    frame = field(gaussian(5.0), seed=7)
    found = star_widths(frame, DETECTOR)
    bright = int(np.argmax(found.flux_electrons))
    one, every = (measure_width(frame, DETECTOR, stars) for stars in ("one", "field"))
    assert one.stars == 1 and every.stars == len(found.x_px)
    assert one.width_px == pytest.approx(found.diameter_px[bright])
    assert (one.star_x_px, one.star_y_px) == (found.x_px[bright], found.y_px[bright])
    assert one.width_u_px is not None and every.width_u_px is not None
    assert every.width_u_px < one.width_u_px


def test_the_stated_uncertainty_is_that_of_repeats() -> None:
    repeats = [
        star_widths(field(gaussian(4.0), seed=7, count=8, noise_seed=seed), DETECTOR) for seed in range(40)
    ]
    assert {len(found.x_px) for found in repeats} == {8}
    scatter = np.std([found.diameter_px for found in repeats], axis=0, ddof=1)
    told = np.mean([found.diameter_u_px for found in repeats], axis=0)
    # Eight stars of 40 repeats each: the mean of eight variances is known to 8 %.
    assert 0.8 < float(np.sqrt(np.mean((scatter / told) ** 2))) < 1.2


def test_a_star_far_off_does_not_pull_the_field() -> None:
    diameters = np.array([4.0, 4.1, 3.9, 4.05, 3.95, 4.0, 9.0])
    mean, u = combined(diameters, np.full(7, 0.05))
    assert mean == pytest.approx(4.0, abs=0.05)
    assert u < 0.06


def test_a_hot_pixel_or_a_cosmic_ray_of_two_pixels_is_no_star() -> None:
    rng = np.random.default_rng(5)
    frame = rng.poisson(40.0, (300, 300)).astype(float) + 100.0
    for row, column, width in ((50, 60, 1), (120, 200, 1), (220, 90, 2), (260, 260, 1)):
        frame[row, column : column + width] += 15_000.0
    reading = measure_width(frame.astype(np.uint16), DETECTOR)
    assert reading.width_px is None and "no_star" in reading.flags


def test_a_star_as_sharp_as_a_pixel_is_still_one() -> None:
    frame = field(gaussian(1.2)) // 2  # halved, so that the brightest is not saturated
    assert len(star_widths(frame, DETECTOR).x_px) == 30
