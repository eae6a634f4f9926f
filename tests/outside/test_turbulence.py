"""What the air adds to the spike error, against Noll's variances and against hcipy's phase screens."""

from __future__ import annotations

import math
from itertools import pairwise

import hcipy_frames
import numpy as np
import pytest
from masked_star import Telescope
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from routines.measure.turbulence import (
    _correlation,
    _tilt_weights,
    fried_parameter_mm,
    spike_error_weights,
    spike_turbulence,
)
from routines.optics import Mask, Optics

pytestmark = pytest.mark.timeout(600)

OPTICS, MASK = Optics(588.0, 112.0, 0.0, 3.9), Mask(3.6, 20.0)
WAVE_UM = 0.5
Values = NDArray[np.float64]


def test_tilt_of_a_whole_aperture_has_nolls_variance() -> None:
    # Noll 1976, table IV: residuals 1.0299 and 0.582 (D/r0)^(5/3) without and with one tilt removed, so one
    # tilt holds 0.448; with unit variance over the disc it is a gradient of 4 / D.
    diameter = 2.0
    axis = (np.arange(26) + 0.5) / 26 * diameter - diameter / 2.0
    u, v = (grid.ravel() for grid in np.meshgrid(axis, axis))
    inside = np.hypot(u, v) <= diameter / 2.0
    u, v = u[inside], v[inside]
    weights, _ = _tilt_weights(u, v, np.ones(len(u), bool))
    variance = _correlation(np.stack([u, v], axis=1), weights, np.array([0.0]), 0.0)[0]
    noll = (4.0 / diameter) ** 2 * (1.0299 - 0.582) * diameter ** (5.0 / 3.0)
    assert variance == pytest.approx(noll, rel=0.04)


def test_a_tilt_over_one_opening_moves_its_spike_alone() -> None:
    # By hand: the half's light moves by its own tilt; each outer spike runs through its quarter's displaced
    # light, and the crossing of two lines leaning by +-a moves by half of each displacement across them.
    places, weights = spike_error_weights(OPTICS, MASK)
    u, v = places.T
    half, upper, lower = u < 0.0, (u > 0.0) & (v > 0.0), (u > 0.0) & (v < 0.0)
    lean = 0.5 * math.tan(math.radians(20.0))
    for opening, along_u, along_v in ((half, 1.0, 0.0), (upper, -0.5, lean), (lower, -0.5, -lean)):
        assert weights @ np.where(opening, 7.0 + u, 0.0) == pytest.approx(along_u)
        assert weights @ np.where(opening, 7.0 + v, 0.0) == pytest.approx(along_v)


def test_scatter_falls_with_the_square_root_of_the_exposure_once_it_is_long() -> None:
    # Common practice, and the design's ruling: exposure^-1/2 once many apertures of air have passed.
    air = spike_turbulence(OPTICS, MASK)
    variances = [air.variance_rad2(WAVE_UM, 100.0, t, 10.0) for t in (1.0, 2.0, 4.0, 8.0, 16.0)]
    for shorter, longer in pairwise(variances):
        assert shorter / longer == pytest.approx(2.0, rel=0.1)


def test_scatter_has_the_structure_functions_power_of_the_fried_parameter() -> None:
    air = spike_turbulence(OPTICS, MASK)
    ratio = air.variance_rad2(WAVE_UM, 50.0, 2.0, 10.0) / air.variance_rad2(WAVE_UM, 100.0, 2.0, 10.0)
    assert ratio == pytest.approx(2.0 ** (5.0 / 3.0))


def test_a_seeing_width_gives_frieds_parameter_back() -> None:
    # Fried 1966: a long exposure is 0.98 lambda / r0 wide; 100 mm at 500 nm are 1.01 arcsec, from memory.
    arcsec_per_px = OPTICS.pixel_um / OPTICS.focal_length_mm * 206.265
    assert fried_parameter_mm(1.01 / arcsec_per_px, 0.5, OPTICS) == pytest.approx(100.0, rel=0.01)


def screened_errors_rad(
    telescope: Telescope, wind_m_s: tuple[float, float], step_s: float, count: int
) -> Values:
    """Return the spike error (rad on the sky) of so many instants of hcipy's air with r0 = 100 mm."""
    places, weights = spike_error_weights(optics_of(telescope), MASK)
    turbulence = hcipy_frames.Turbulence(hcipy_frames.Air(100.0, wind_m_s), telescope, seed=3)
    points = hcipy_frames.SCREEN_POINTS
    index = (places / (telescope.aperture_mm * 1.02) + 0.5) * points - 0.5
    errors = []
    for number in range(count):
        path_m = turbulence.path_difference_m((number + 1) * step_s, points)
        errors.append(weights @ map_coordinates(path_m, index.T[::-1], order=1, mode="nearest") * 1e3)
    return np.array(errors)


def optics_of(telescope: Telescope) -> Optics:
    return Optics(telescope.focal_length_mm, telescope.aperture_mm, telescope.obstruction_ratio, 3.9)


def scatter_over_stated(telescope: Telescope, exposure_apertures: float, exposures: int) -> float:
    """Return hcipy's scatter of the spike error over the stated one, exposures in apertures of air.

    Which way the wind blows over the mask matters and is not known: four directions, as the stated one has.
    """
    per_aperture, speed_m_s = 5, 10.0
    step_s = telescope.aperture_mm * 1e-3 / speed_m_s / per_aperture
    instants = max(round(exposure_apertures * per_aperture), 1)
    means = []
    for turn in (0.0, 45.0, 90.0, 135.0):
        wind = (speed_m_s * math.cos(math.radians(turn)), speed_m_s * math.sin(math.radians(turn)))
        errors = screened_errors_rad(telescope, wind, step_s, instants * exposures)
        means.append(errors.reshape(exposures, instants).mean(axis=1))
    stated = spike_turbulence(optics_of(telescope), MASK)
    variance = stated.variance_rad2(0.5, 100.0, instants * step_s, speed_m_s)
    return math.sqrt(float(np.mean(np.square(means))) / variance)


def test_hcipys_air_scatters_as_the_stated_u_says() -> None:
    # 72 exposures of 4 apertures of air each: their scatter is known to 1 / sqrt(144), eight per cent, and
    # worse as far as neighbours go together; hcipy's screens are sampled at 2.4 mm and linear between.
    assert scatter_over_stated(Telescope(), 4.0, 18) == pytest.approx(1.0, abs=0.28)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("aperture_mm", [80.0, 150.0, 280.0])
@pytest.mark.parametrize("exposure_s", [1.0, 5.0, 20.0])
def test_hcipys_air_over_apertures_and_exposures(aperture_mm: float, exposure_s: float) -> None:
    telescope = Telescope(aperture_mm * 5.25, aperture_mm)
    ratio = scatter_over_stated(telescope, exposure_s * 10e3 / aperture_mm, 10)
    print(f"aperture {aperture_mm:.0f} mm, {exposure_s:g} s: scatter over stated {ratio:.2f}")
    assert ratio == pytest.approx(1.0, abs=0.4)
