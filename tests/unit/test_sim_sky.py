"""The simulated sky against optics that was published long before it, and the simulated sensor."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import kv

from drivers.simulated.detector import Detector, background
from drivers.simulated.mask_shift import mask_crossing_um
from drivers.simulated.parameters import Glass
from drivers.simulated.pupil import Aberrations, Spider, Telescope, draw_pupil
from drivers.simulated.sky import WAVEFRONTS, Light, Sky, Star, refractivity
from drivers.simulated.turbulence import Air, ScreenMaker
from routines.optics import (
    Band,
    Mask,
    Optics,
    airy_first_zero_um,
    grating_order_um,
    kolmogorov_fwhm_rad,
)

OPTICS = Optics(500.0, 60.0, 0.0, 3.0)
MASK = Mask(3.0, 20.0, orientation_deg=90.0)
STILL = Air(fried_mm=1e6)
NARROW = Band("narrow", 550.0, 1.0)
SHAPE = (301, 301)
MIDDLE = 150.0
Frame = NDArray[np.float64]


def light(**changes: object) -> Light:
    usual = Light(NARROW, 10.0, 0.0, STILL, jitter_px=0.0, altitude_deg=89.9)
    return replace(usual, **changes)  # type: ignore[arg-type]  # any field


def masked(telescope: Telescope, what: Light, electrons: float = 1e6) -> Frame:
    star = Star(MIDDLE, MIDDLE, electrons)
    return np.asarray(Sky(telescope).masked_stars(SHAPE, [star], what, np.random.default_rng(1)), float)


def centroid(frame: Frame, x_px: float, y_px: float, reach: int = 7) -> tuple[float, float]:
    y, x = np.mgrid[0 : frame.shape[0], 0 : frame.shape[1]]
    near = np.hypot(x - x_px, y - y_px) <= reach
    total = frame[near].sum()
    return float((x[near] * frame[near]).sum() / total), float((y[near] * frame[near]).sum() / total)


def test_all_light_that_the_open_pupil_lets_in_lands_on_the_frame() -> None:
    star = Star(MIDDLE, MIDDLE, 1e5)
    frame = Sky(Telescope(OPTICS, MASK)).open_stars(SHAPE, [star], light(), np.random.default_rng(1))
    assert float(frame.sum()) == pytest.approx(1e5, rel=0.015)  # the far wings of the Airy pattern are cut


def test_half_open_slits_share_their_light_between_the_orders_as_a_square_grating_does() -> None:
    """Of what passes, order 0 has 1/2 and each first order 2/pi^2 (Fourier series; Goodman 2005, 4.4)."""
    frame = masked(Telescope(OPTICS, replace(MASK, slit_duty=0.5)), light())
    assert frame.sum() == pytest.approx(0.5e6, rel=0.1)  # all but the orders beyond the third
    order_px = grating_order_um(1.0, 0.55, OPTICS, MASK) / OPTICS.pixel_um
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    radius = np.hypot(x - MIDDLE, y - MIDDLE)
    inner = frame[radius < 0.5 * order_px].sum()
    first = frame[(radius > 0.5 * order_px) & (radius < 1.5 * order_px)].sum()
    assert inner / 0.5e6 == pytest.approx(0.5, abs=0.02)
    assert first / 0.5e6 == pytest.approx(4.0 / math.pi**2, abs=0.02)


@pytest.mark.parametrize("wavelength_nm", [450.0, 660.0])
@pytest.mark.parametrize("order", [1.0, 3.0])
def test_orders_of_the_straight_slits_fall_at_m_lambda_f_over_the_period(
    wavelength_nm: float, order: float
) -> None:
    frame = masked(Telescope(OPTICS, MASK), light(band=Band("one", wavelength_nm, 0.1)))
    # Turned by 90 degrees the mask's v axis, along which the straight set diffracts, is -x.
    expected = grating_order_um(order, wavelength_nm * 1e-3, OPTICS, MASK) / OPTICS.pixel_um
    x, y = centroid(frame, MIDDLE - expected, MIDDLE, reach=5)
    assert MIDDLE - x == pytest.approx(expected, abs=0.1)
    assert y == pytest.approx(MIDDLE, abs=0.1)


def test_what_the_slits_throw_out_of_the_image_does_not_come_back_from_the_other_side(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pupil drawn twice as finely reaches twice as far: inside, nothing may have been folded in."""
    near = (slice(55, 246), slice(55, 246))
    usual = masked(Telescope(OPTICS, MASK), light())[near]
    monkeypatch.setattr("drivers.simulated.sky.CELLS_PER_PERIOD", 15.2)
    finer = masked(Telescope(OPTICS, MASK), light())[near]
    assert np.abs(usual - finer).max() < 2e-3 * finer.max()
    faint = finer < 1e-4 * finer.max()
    assert np.abs(usual - finer)[faint].max() < 1e-4 * finer.max()


def test_a_defocused_star_through_the_straight_half_moves_by_its_centroid_times_dz_over_f() -> None:
    """Similar triangles. The orders of each set carry its own displacement; the first ones stand alone."""
    defocus = 60.0
    telescope = Telescope(OPTICS, replace(MASK, arm_angle_deg=60.0))
    order = grating_order_um(1.0, 0.55, OPTICS, MASK) / OPTICS.pixel_um
    moved = []
    for side in (-1.0, 1.0):
        at_focus = centroid(masked(telescope, light()), MIDDLE + side * order, MIDDLE, 12)
        off_focus = centroid(masked(telescope, light(defocus_um=defocus)), MIDDLE + side * order, MIDDLE, 12)
        moved.append(off_focus[1] - at_focus[1])
    # The straight half lies at -u; u is +y here; a ray from r meets the sensor at -r dz / f.
    expected = OPTICS.radius_centroid_mm() * defocus / OPTICS.focal_length_mm / OPTICS.pixel_um
    assert np.mean(moved) == pytest.approx(expected, rel=0.05)


def test_opposite_defocus_gives_the_point_reflected_pattern() -> None:
    telescope = Telescope(OPTICS, MASK)
    outside, inside = (masked(telescope, light(defocus_um=z)) for z in (50.0, -50.0))
    assert np.abs(outside - inside[::-1, ::-1]).max() < 2e-3 * outside.max()


def test_airy_pattern_has_its_first_dark_ring_where_airy_put_it() -> None:
    """Airy 1835: 1.22 lambda N; seen with pixels a tenth of it."""
    optics = replace(OPTICS, pixel_um=0.5)
    star = Star(MIDDLE, MIDDLE, 1e6)
    frame = Sky(Telescope(optics, MASK)).open_stars(SHAPE, [star], light(), np.random.default_rng(1))
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    radius_um = np.hypot(x - MIDDLE, y - MIDDLE) * optics.pixel_um
    rings = np.arange(3.0, 8.0, 0.25)
    level = [frame[np.abs(radius_um - ring) < 0.25].mean() for ring in rings]
    assert rings[int(np.argmin(level))] == pytest.approx(
        airy_first_zero_um(0.55, optics.focal_ratio), abs=0.26
    )


def test_long_exposure_has_the_seeing_that_fried_gave() -> None:
    """0.98 lambda / r0 for an infinite outer scale (Fried 1966), on a pupil of many r0."""
    optics = Optics(2000.0, 600.0, 0.0, 1.0)
    air = Air(fried_mm=60.0, outer_scale_mm=1e7)
    frame = np.zeros((121, 121))
    for seed in range(6):
        what = light(air=air, exposure_s=1e6)
        star = Star(60.0, 60.0, 1e6)
        frame += Sky(Telescope(optics, MASK)).open_stars(
            (121, 121), [star], what, np.random.default_rng(seed)
        )
    y, x = np.mgrid[0:121, 0:121]
    radius = np.hypot(x - 60.0, y - 60.0)
    rings = np.arange(0.0, 30.0, 1.0)
    level = np.array([frame[np.abs(radius - ring) < 0.75].mean() for ring in rings])
    half_px = float(np.interp(-0.5 * level[0], -level, rings))
    # Only 36 wavefronts: speckle leaves some percent.
    assert 2.0 * half_px * 1e-3 / 2000.0 == pytest.approx(
        kolmogorov_fwhm_rad(0.55, 60.0 * 1.1**1.2), rel=0.12
    )


def structure(separation_mm: float, air: Air) -> float:
    """Return von Karman's structure function (Conan 2000, thesis, equation 2.29; 6.88 (r/r0)^(5/3) near)."""
    scale = math.gamma(11 / 6) / (2 ** (5 / 6) * math.pi ** (8 / 3)) * (24 / 5 * math.gamma(6 / 5)) ** (5 / 6)
    scale *= (air.outer_scale_mm / air.fried_mm) ** (5 / 3)
    argument = 2.0 * math.pi * separation_mm / air.outer_scale_mm
    at_zero = 2 ** (-1 / 6) * math.gamma(5 / 6)
    return 2.0 * scale * (at_zero - argument ** (5 / 6) * float(kv(5 / 6, argument)))


def test_structure_function_is_frieds_where_the_outer_scale_is_far() -> None:
    """6.88 (r / r0)^(5/3) (Fried 1965)."""
    assert structure(100.0, Air(80.0, outer_scale_mm=1e9)) == pytest.approx(6.88 * 1.25 ** (5 / 3), rel=0.01)


def test_screens_have_the_structure_function_of_their_air() -> None:
    aperture, separations = 200.0, (6, 24, 60)
    places = np.asarray((np.arange(96) - 47.5) * aperture / 96.0)
    maker = ScreenMaker(aperture, places)
    air = Air(fried_mm=80.0, wind_mm_per_s=0.0)  # no wind: all of it is slow
    rng = np.random.default_rng(5)
    differences = []
    for _ in range(200):
        _, screen = maker.draw(air, 0, 1.0, rng)
        differences.append([np.mean((screen[:, cells:] - screen[:, :-cells]) ** 2) for cells in separations])
    for cells, found in zip(separations, np.mean(differences, axis=0), strict=True):
        assert float(found) == pytest.approx(structure(cells * aperture / 96.0, air), rel=0.1)


def test_what_an_exposure_leaves_of_the_air_falls_as_its_square_root() -> None:
    maker = ScreenMaker(112.0, np.linspace(-56.0, 56.0, 40))
    strength = []
    for exposure_s in (16.0, 256.0):
        rng = np.random.default_rng(2)
        screens = [maker.draw(Air(fried_mm=60.0), 2, exposure_s, rng)[1] for _ in range(60)]
        strength.append(float(np.sqrt(np.mean([np.var(screen) for screen in screens]))))
    assert strength[0] / strength[1] == pytest.approx(4.0, rel=0.15)


def test_fast_screens_come_without_tilt() -> None:
    places = np.linspace(-56.0, 56.0, 64)
    fast, _ = ScreenMaker(112.0, places).draw(Air(fried_mm=60.0), 4, 5.0, np.random.default_rng(3))
    inside = np.hypot(places[:, None], places[None, :]) < 56.0
    for screen in fast:
        slope = np.sum(screen * inside * places[None, :]) / np.sum(inside * places[None, :] ** 2)
        assert abs(slope) * 112.0 < 0.15 * float(np.std(screen[inside]))


def test_air_bends_blue_more_than_red_by_the_published_amount() -> None:
    """n = 1.000293 at 589 nm, 0 C and one atmosphere (Hecht, Optics, table 4.1), thinned to 15 C."""
    assert refractivity(0.5893) == pytest.approx(2.93e-4 * 273.15 / 288.15, rel=0.004)
    lifted = light(band=Band("wide", 550.0, 300.0), altitude_deg=20.0, zenith_deg=90.0)
    star = Star(MIDDLE, MIDDLE, 1e6)
    rendered = Sky(Telescope(OPTICS, MASK)).open_stars(SHAPE, [star], lifted, np.random.default_rng(1))
    assert _width(rendered.sum(axis=1)) > 1.05 * _width(rendered.sum(axis=0))


def _width(profile: Frame) -> float:
    places = np.arange(profile.size)
    near = np.abs(places - MIDDLE) < 8
    weights = profile[near] / profile[near].sum()
    mean = float((weights * places[near]).sum())
    return math.sqrt(float((weights * (places[near] - mean) ** 2).sum()))


def test_drift_and_moving_focus_smear_the_star() -> None:
    star, rng = Star(MIDDLE, MIDDLE, 1e5), np.random.default_rng
    sky = Sky(Telescope(OPTICS, MASK))
    still = sky.open_stars(SHAPE, [star], light(), rng(1))
    drifted = sky.open_stars(SHAPE, [star], light(drift_px=(5.0, 0.0)), rng(1))
    assert _width(drifted.sum(axis=0)) > _width(still.sum(axis=0)) + 0.4
    moving = sky.open_stars(SHAPE, [star], light(defocus_um=list(np.linspace(-300, 300, WAVEFRONTS))), rng(1))
    assert moving.max() < 0.6 * still.max()


def test_same_seed_same_light_and_another_seed_another() -> None:
    telescope = Telescope(OPTICS, MASK, aberrations=Aberrations(coma_x_um=0.05))
    what, star = light(air=Air(fried_mm=60.0)), [Star(MIDDLE, MIDDLE, 1e6)]
    frames = [Sky(telescope).masked_stars(SHAPE, star, what, np.random.default_rng(n)) for n in (4, 4, 5)]
    assert np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[0], frames[2])


def test_pattern_is_cut_at_the_frames_edge_and_not_wrapped() -> None:
    star = [Star(10.0, 140.0, 1e6)]
    frame = Sky(Telescope(OPTICS, MASK)).masked_stars(SHAPE, star, light(), np.random.default_rng(1))
    assert frame[:, 200:].max() == 0.0
    assert frame[140, 10] == frame.max()


@pytest.mark.parametrize("is_masked", [True, False])
def test_a_still_pattern_cut_close_is_the_middle_of_a_wide_one(is_masked: bool) -> None:
    """Of a close one most of the image is never computed."""
    sky = Sky(Telescope(OPTICS, MASK))
    close, wide = (sky.still_pattern(0.656, 60.0, reach, masked=is_masked) for reach in (24, 110))
    assert close == pytest.approx(wide[86:-86, 86:-86], rel=1e-5, abs=1e-9)


def test_pupil_passes_its_open_area() -> None:
    optics = replace(OPTICS, obstruction_ratio=0.3)
    telescope = Telescope(optics, MASK, Spider(4, 1.0, 20.0))
    drawn = draw_pupil(telescope, 120, masked=False)
    cell = optics.aperture_mm / 120
    annulus = math.pi / 4.0 * optics.aperture_mm**2 * (1.0 - 0.3**2)
    vanes = 4 * 1.0 * optics.aperture_mm / 2.0 * 0.7
    assert float(drawn.sum()) * cell**2 == pytest.approx(annulus - vanes, rel=0.003)


def test_mask_lets_its_duty_through() -> None:
    sky = Sky(Telescope(OPTICS, replace(MASK, slit_duty=0.42)))
    assert sky.mask_share() == pytest.approx(0.42, abs=0.01)


def test_sensor_tells_its_gain_and_read_noise_by_photon_transfer() -> None:
    """Variance against mean of flat fields: slope 1 / gain, offset read noise (Janesick 2001)."""
    sensor = Detector(rows=300, columns=300, response_spread=0.0, hot_fraction=0.0, dark_electrons_per_s=0.0)
    rng = np.random.default_rng(8)
    means, variances = [], []
    for level in (0.0, 2000.0, 8000.0, 20_000.0):
        counts = sensor.read(np.full(sensor.shape, level, np.float32), 1.0, rng).astype(float)
        means.append(counts.mean() - sensor.pedestal_adu)
        variances.append(counts.var())
    slope, offset = np.polyfit(means, variances, 1)
    assert 1.0 / slope == pytest.approx(sensor.electrons_per_adu, rel=0.03)
    read = (sensor.read_noise_electrons / sensor.electrons_per_adu) ** 2 + 1.0 / 12.0
    assert variances[0] == pytest.approx(read, rel=0.03)
    assert means[0] == pytest.approx(0.0, abs=0.05)
    assert offset == pytest.approx(read, abs=60.0)


def test_sensor_saturates_and_keeps_its_hot_pixels_where_they_are() -> None:
    sensor = Detector(pattern_seed=4)
    full = sensor.read(np.full(sensor.shape, 1e6, np.float32), 1.0, np.random.default_rng(1))
    assert full.dtype == np.uint16
    assert full.min() >= math.floor(sensor.saturation_adu) - 30
    dark = np.zeros(sensor.shape, np.float32)
    frames = [sensor.read(dark, 60.0, np.random.default_rng(seed)) for seed in (1, 2)]
    hot = [frame > sensor.pedestal_adu + 500 for frame in frames]
    assert 20 < hot[0].sum() < 200
    assert (hot[0] & hot[1]).sum() > 0.95 * hot[0].sum()


def test_sky_rises_across_the_frame_by_its_gradient() -> None:
    glow = background((100, 200), 50.0, 0.2, 0.0)
    assert float(glow.mean()) == pytest.approx(50.0, rel=0.01)
    assert float(glow[0, -1] - glow[0, 0]) == pytest.approx(10.0, rel=0.02)


def test_mask_sees_focus_off_its_mean_by_the_aberrations_alone() -> None:
    green = Glass(Band("green", 550.0, 1.0), 1.0, 0.0)
    assert mask_crossing_um(Telescope(OPTICS, MASK), green) == pytest.approx(0.0, abs=0.05)
    bent = Telescope(OPTICS, MASK, aberrations=Aberrations(astigmatism_um=0.01))
    other = Telescope(OPTICS, MASK, aberrations=Aberrations(astigmatism_um=-0.01))
    assert abs(mask_crossing_um(bent, green)) > 1.0
    assert mask_crossing_um(bent, green) == pytest.approx(-mask_crossing_um(other, green), rel=0.2)
