"""The project's optics against published values, plane geometry and poppy's images."""

from __future__ import annotations

import math

import numpy as np
import poppy_frames
import pytest
import sep
from masked_star import Bahtinov, Telescope, blocked_half, drawn_pupil, expected_spike_error_px
from scipy.integrate import quad
from scipy.ndimage import maximum_filter
from scipy.optimize import brentq
from scipy.special import j0, jn_zeros

from routines import optics

REFRACTOR = optics.Optics(focal_length_mm=588.0, aperture_mm=112.0, obstruction_ratio=0.0, pixel_um=3.9)
TELESCOPE = Telescope()


def project_pupil(setup: optics.Optics, mask: optics.Mask | None, points: int) -> np.ndarray:
    cell = setup.aperture_mm / points
    places = (np.arange(points) + 0.5 - points / 2.0) * cell
    x, y = np.meshgrid(places, places)
    pupil = optics.clear_aperture(x, y, cell, setup)
    return pupil if mask is None else pupil * optics.mask_amplitude(x, y, cell, mask)


def as_project(mask: Bahtinov) -> optics.Mask:
    return optics.Mask(
        slit_period_mm=mask.period_mm,
        arm_angle_deg=mask.arm_angle_deg,
        slit_duty=mask.duty,
        orientation_deg=mask.orientation_deg,
        tilt=mask.lean,
        slit_phases=(mask.shift_periods,) * 3,
    )


def test_the_first_dark_ring_is_where_the_bessel_function_vanishes() -> None:
    # First zero of J1 is 3.8317 (Abramowitz & Stegun, table 9.5), so the ring is at 3.8317 / pi lambda N.
    assert optics.airy_first_zero_um(0.550, 5.25) == pytest.approx(jn_zeros(1, 1)[0] / math.pi * 0.550 * 5.25)


def test_the_first_dark_ring_is_where_poppy_has_it() -> None:
    image = poppy_frames.pupil_image(
        TELESCOPE, drawn_pupil(TELESCOPE, None, 360), 550.0, 0.0, size_px=9, finer=31
    )
    row = image[image.shape[0] // 2, image.shape[1] // 2 :]
    darkest = np.flatnonzero((row[1:-1] < row[:-2]) & (row[1:-1] < row[2:]))[0] + 1
    expected = optics.airy_first_zero_um(0.550, TELESCOPE.focal_ratio)
    assert darkest * 3.9 / 31 == pytest.approx(expected, abs=3.9 / 31)


@pytest.mark.parametrize("orientation_deg", [0.0, 90.0])
@pytest.mark.parametrize("wavelength_nm", [486.1, 656.3])
def test_the_orders_stand_where_the_grating_equation_puts_them(
    orientation_deg: float, wavelength_nm: float
) -> None:
    # d sin(theta) = m lambda, small angles. The straight half's orders in poppy's image of the mask alone.
    mask = Bahtinov(orientation_deg=orientation_deg)
    straight = drawn_pupil(TELESCOPE, mask, 480) * blocked_half(TELESCOPE, 480, orientation_deg + 180.0)
    finer = 9
    image = poppy_frames.pupil_image(TELESCOPE, straight, wavelength_nm, 0.0, size_px=61, finer=finer)
    along = image.sum(axis=1 if orientation_deg == 0.0 else 0)
    peaks = np.flatnonzero((along == maximum_filter(along, 60)) & (along > 0.05 * along.max()))
    expected = [
        optics.grating_order_um(order, wavelength_nm * 1e-3, REFRACTOR, as_project(mask)) / 3.9
        for order in (-1, 0, 1)
    ]
    assert (peaks + 0.5) / finer - 30.5 == pytest.approx(expected, abs=1.0 / finer)


@pytest.mark.parametrize("obstruction", [0.0, 0.4])
def test_a_half_pupil_is_displaced_by_its_centroid_times_defocus_over_focal_length(
    obstruction: float,
) -> None:
    # Centroid of a half annulus: 4/(3 pi) (R^3 - r^3)/(R^2 - r^2) (plane geometry), by similar triangles.
    telescope = Telescope(588.0, 112.0, obstruction)
    setup = optics.Optics(588.0, 112.0, obstruction, 3.9)
    image = poppy_frames.pupil_image(telescope, blocked_half(telescope, 240, 0.0), 550.0, 250.0)
    columns = (np.arange(image.shape[1]) + 0.5) / poppy_frames.FINER - 96.0
    seen_um = float((image.sum(axis=0) * columns).sum() / image.sum()) * 3.9
    assert -setup.radius_centroid_mm() * 250.0 / 588.0 == pytest.approx(seen_um, rel=0.01)


def test_the_centroid_of_a_full_half_disc_is_four_thirds_of_r_over_pi() -> None:
    assert REFRACTOR.radius_centroid_mm() == pytest.approx(4.0 * 56.0 / (3.0 * math.pi))


@pytest.mark.parametrize("lean", [1, -1])
@pytest.mark.parametrize("arm_angle_deg", [15.0, 20.0, 25.0])
def test_the_spike_error_is_what_intersecting_the_lines_gives(lean: int, arm_angle_deg: float) -> None:
    mask = Bahtinov(arm_angle_deg=arm_angle_deg, lean=lean)
    for defocus_um in (-200.0, 70.0):
        ours = optics.spike_error_um(REFRACTOR, as_project(mask), defocus_um) / 3.9
        assert ours == pytest.approx(expected_spike_error_px(TELESCOPE, mask, defocus_um))
        assert ours == pytest.approx(defocus_um * optics.spike_error_px_per_um(REFRACTOR, as_project(mask)))


@pytest.mark.parametrize("lean", [1, -1])
@pytest.mark.parametrize("orientation_deg", [0.0, 90.0, 180.0, 270.0, 33.0, 211.0])
def test_the_mask_is_the_one_drawn_from_its_description(lean: int, orientation_deg: float) -> None:
    mask = Bahtinov(6.0, 20.0, 0.4, orientation_deg, lean, 0.2)
    drawn = drawn_pupil(TELESCOPE, mask, 240)
    ours = project_pupil(REFRACTOR, as_project(mask), 240)
    assert ours.mean() == pytest.approx(drawn.mean(), rel=0.01)
    assert np.sqrt(((ours - drawn) ** 2).mean()) < 0.07  # cells cut aslant differ; a wrong layout gives 0.4


@pytest.mark.parametrize("lean", [1, -1])
def test_each_openings_spike_runs_where_the_mask_says(lean: int) -> None:
    mask = Bahtinov(orientation_deg=25.0, lean=lean)
    pupil = drawn_pupil(TELESCOPE, mask, 240)
    quarters = blocked_half(TELESCOPE, 240, 25.0)
    openings = (
        pupil * blocked_half(TELESCOPE, 240, 205.0),
        pupil * quarters * blocked_half(TELESCOPE, 240, 115.0),
        pupil * quarters * blocked_half(TELESCOPE, 240, 295.0),
    )
    for opening, stated_deg in zip(openings, as_project(mask).spike_directions_deg(), strict=True):
        image = poppy_frames.pupil_image(TELESCOPE, opening, 550.0, 0.0, size_px=64)
        rows, columns = np.indices(image.shape) - (image.shape[0] - 1) / 2.0
        rr, cc, rc = ((image * a * b).sum() for a, b in ((rows, rows), (columns, columns), (rows, columns)))
        axis_deg = math.degrees(0.5 * math.atan2(2.0 * rc, cc - rr))
        assert (axis_deg - stated_deg + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=0.5)


def test_the_defocus_phase_is_poppys_fresnel_defocus() -> None:
    # The same half pupil on a plane moved by poppy's Fresnel propagation, and by the project's phase through
    # a plain Fourier transform: the light's centroid moves to the same side by the same amount.
    points, defocus_um = 256, 1500.0
    half = blocked_half(TELESCOPE, points, 0.0)
    cell = TELESCOPE.aperture_mm / points
    places = (np.arange(points) + 0.5 - points / 2.0) * cell
    radius2 = places[:, None] ** 2 + places[None, :] ** 2
    field = half * np.exp(1j * optics.defocus_phase_rad(radius2, defocus_um, 0.55, REFRACTOR))
    image = np.abs(np.fft.fftshift(np.fft.fft2(field, (1024, 1024)))) ** 2
    step_um = 0.55 * TELESCOPE.focal_length_mm / (1024 * cell)
    ours = float((image.sum(axis=0) * (np.arange(1024) - 512)).sum() / image.sum()) * step_um
    fresnel, fresnel_step_um = poppy_frames.fresnel_image(TELESCOPE, half, 550.0, defocus_um)
    columns = np.arange(fresnel.shape[1]) - fresnel.shape[1] // 2
    theirs = float((fresnel.sum(axis=0) * columns).sum() / fresnel.sum()) * fresnel_step_um
    assert ours == pytest.approx(theirs, rel=0.02)


def test_no_light_is_made_or_lost_between_pupil_and_image() -> None:
    # Parseval: the whole transform of the project's pupil holds the pupil's own energy, in focus and out.
    pupil = project_pupil(REFRACTOR, as_project(Bahtinov(orientation_deg=37.0)), 256)
    radius2 = np.add.outer(np.linspace(-56, 56, 256) ** 2, np.linspace(-56, 56, 256) ** 2)
    for defocus_um in (0.0, 200.0):
        field = pupil * np.exp(1j * optics.defocus_phase_rad(radius2, defocus_um, 0.55, REFRACTOR))
        image = np.abs(np.fft.fft2(field, (512, 512), norm="ortho")) ** 2
        assert image.sum() == pytest.approx((pupil**2).sum(), rel=1e-9)


@pytest.mark.parametrize(
    ("focal_ratio", "wavelength_um", "total_um"),
    # 4 lambda N^2 worked by hand: 4 x 0.550 x 25 and 4 x 0.656 x 100 (Rayleigh's quarter wave).
    [(5.0, 0.550, 55.0), (10.0, 0.656, 262.4)],
)
def test_the_critical_focus_zone_is_the_quarter_wave_depth(
    focal_ratio: float, wavelength_um: float, total_um: float
) -> None:
    setup = optics.Optics(100.0 * focal_ratio, 100.0, 0.0, 3.8)
    assert optics.critical_focus_zone_um(wavelength_um, setup) == pytest.approx(total_um)
    # At its edge the sphere's sagitta differs by a quarter wave at the rim: z / (8 N^2) = lambda / 4.
    edge_um = total_um / 2.0
    phase = optics.defocus_phase_rad(np.array([50.0**2]), edge_um, wavelength_um, setup)
    assert abs(phase[0]) == pytest.approx(math.pi / 2.0)


def test_the_zone_of_an_obstructed_pupil_is_as_wide_as_its_strehl_says() -> None:
    # Defocus spreads over an annulus in (1 - eps^2) less phase, so the same Strehl ratio is kept that much
    # further out. Found here from the on-axis integral itself, by quadrature.
    def strehl(defocus_um: float, eps: float) -> float:
        scale = math.pi * defocus_um * 56.0**2 / (0.55 * 588.0**2)
        real = quad(lambda s: math.cos(scale * s), eps**2, 1.0)[0]
        imaginary = quad(lambda s: math.sin(scale * s), eps**2, 1.0)[0]
        return (real**2 + imaginary**2) / (1.0 - eps**2) ** 2

    half = optics.critical_focus_zone_um(0.55, REFRACTOR) / 2.0
    kept = strehl(half, 0.0)
    assert kept == pytest.approx(0.81, abs=0.005)  # 8 / pi^2 (Born & Wolf, section 8.8)
    edge = brentq(lambda z: strehl(z, 0.4) - kept, half, 2.0 * half)
    obstructed = optics.Optics(588.0, 112.0, 0.4, 3.9)
    assert optics.critical_focus_zone_um(0.55, obstructed) / 2.0 == pytest.approx(edge, rel=1e-6)


def _gaussian_star(fwhm_px: float, size: int = 201) -> np.ndarray:
    radius2 = np.add.outer((np.arange(size) - size // 2) ** 2.0, (np.arange(size) - size // 2) ** 2.0)
    return np.exp(-4.0 * math.log(2.0) * radius2 / fwhm_px**2)


def test_the_half_flux_diameter_of_a_gaussian_is_its_fwhm() -> None:
    # 1 - exp(-r^2 / 2 sigma^2) = 1/2 at r = sigma sqrt(2 ln 2) = FWHM / 2. sep's curve of growth agrees.
    star = _gaussian_star(20.0)
    radius, flag = sep.flux_radius(star, [100.0], [100.0], [90.0], 0.5, subpix=5)
    assert flag[0] == 0
    assert 2.0 * radius[0] == pytest.approx(20.0, rel=2e-3)
    assert math.sqrt(2.0 * math.log(2.0)) * 2.0 == pytest.approx(optics.GAUSSIAN_FWHM_PER_SIGMA)


def test_twice_the_flux_weighted_mean_radius_is_not_the_half_flux_diameter() -> None:
    # Mean radius sigma sqrt(pi/2): twice that over the FWHM is 1.0645.
    star = _gaussian_star(20.0)
    radius = np.hypot(*(np.indices(star.shape) - 100.0))
    assert 2.0 * (star * radius).sum() / star.sum() / 20.0 == pytest.approx(1.0645, abs=1e-3)


def _image_fwhm_um(transfer: np.ndarray, frequency: np.ndarray) -> float:
    """Return the full width at half maximum of a round image from its transfer (Hankel transform)."""

    def brightness(radius_um: float) -> float:
        kernel = transfer * j0(2.0 * math.pi * frequency * radius_um) * frequency
        return float(np.trapezoid(kernel, frequency))

    half = brightness(0.0) / 2.0
    return 2.0 * brentq(lambda radius: brightness(radius) - half, 1e-3, 30.0)


def test_the_seeing_transfer_has_the_width_that_it_is_named_by() -> None:
    # exp(-3.44 (lambda f / r0)^(5/3)) (Fried 1966, J. Opt. Soc. Am. 56, 1372): its image is 0.98 lambda / r0
    # wide; 0.976 to three figures (from memory, e.g. Roddier 1981).
    frequency = np.linspace(0.0, 1.5, 60_001)
    transfer = optics.kolmogorov_transfer(frequency, 10.0)
    assert _image_fwhm_um(transfer, frequency) == pytest.approx(10.0, rel=0.005)


def test_the_seeing_transfer_is_frieds() -> None:
    # With lambda f / r0 = FWHM / 0.98, at nu = r0 / (lambda f) the transfer is exp(-3.44).
    assert optics.kolmogorov_transfer(np.array([0.098]), 10.0)[0] == pytest.approx(math.exp(-3.44))


def test_ten_centimetres_of_r0_is_one_arcsecond_of_seeing() -> None:
    # r0 = 10.1 cm at 500 nm for 1.0 arcsec (common practice; from memory).
    seeing = math.degrees(optics.kolmogorov_fwhm_rad(0.5, 101.0)) * 3600.0
    assert seeing == pytest.approx(1.0, abs=0.005)


def test_a_gaussian_transfer_has_its_gaussians_width() -> None:
    frequency = np.linspace(0.0, 0.5, 20_001)
    assert _image_fwhm_um(optics.gaussian_transfer(frequency, 12.0), frequency) == pytest.approx(
        12.0, rel=1e-3
    )


@pytest.mark.parametrize("obstruction", [0.0, 0.4])
def test_the_seeing_zone_is_where_defocus_adds_a_tenth(obstruction: float) -> None:
    # Defocus makes a uniform annulus of outer radius z / 2N; its variance an axis is R^2 (1 + eps^2) / 4.
    setup = optics.Optics(588.0, 112.0, obstruction, 3.9)
    edge_um = optics.seeing_focus_zone_um(8.0, setup) / 2.0
    rim_um = edge_um / (2.0 * setup.focal_ratio)
    points = np.random.default_rng(1).uniform(-1.0, 1.0, (400_000, 2))
    radius = np.hypot(points[:, 0], points[:, 1])
    ring = points[(radius < 1.0) & (radius > obstruction)] * rim_um
    widened = math.sqrt((8.0 / 2.354820) ** 2 + ring.var()) * 2.354820
    assert widened == pytest.approx(1.1 * 8.0, rel=0.002)


def test_a_band_is_flat_over_its_full_width() -> None:
    waves, weights = optics.Band("L", 550.0, 300.0).quadrature(1000)
    assert weights.sum() == pytest.approx(1.0)
    assert waves.min() == pytest.approx(0.400, abs=2e-4)
    assert waves.max() == pytest.approx(0.700, abs=2e-4)
    # Variance of a uniform spread of full width w: w^2 / 12.
    assert waves.var() == pytest.approx(0.3**2 / 12.0, rel=1e-3)
