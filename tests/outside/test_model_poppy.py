"""The measurement's forward model, pixel by pixel, against frames made by poppy."""

from __future__ import annotations

import numpy as np
import poppy_frames
import pytest
from masked_star import Bahtinov, Light, Sensor, Telescope, recorded

from routines.measure.cutout import Detector, cut
from routines.measure.fit import fit_star
from routines.measure.model import MaskedStar, StarState
from routines.measure.templates import Window, make_templates
from routines.optics import Band, Mask, Optics

PLAIN = Telescope()
OBSTRUCTED = Telescope(1750.0, 190.0, 0.38, 3.9)
SIZE = 128
STAR = (64.3, 63.1)


def model(telescope: Telescope, mask: Bahtinov, light: Light, reach_um: float) -> MaskedStar:
    optics = Optics(
        telescope.focal_length_mm, telescope.aperture_mm, telescope.obstruction_ratio, telescope.pixel_um
    )
    project_mask = Mask(mask.period_mm, mask.arm_angle_deg, mask.duty, mask.orientation_deg, mask.lean)
    band = Band("x", light.centre_nm, light.width_nm)
    return MaskedStar(make_templates(optics, project_mask, band, Window.around(SIZE), reach_um), "gaussian")


@pytest.mark.parametrize("defocus_um", [0.0, 70.0, -140.0])
@pytest.mark.parametrize(
    ("telescope", "mask", "light"),
    [
        (PLAIN, Bahtinov(3.6, 20.0, 0.5, 30.0, 1), Light(550.0, 60.0, 1.0)),
        (PLAIN, Bahtinov(3.6, 20.0, 0.42, 141.0, -1), Light(500.0, 120.0, 1.0)),
        (OBSTRUCTED, Bahtinov(8.0, 22.0, 0.5, 255.0, -1), Light(656.0, 40.0, 1.0)),
    ],
)
def test_the_image_is_poppys(telescope: Telescope, mask: Bahtinov, light: Light, defocus_um: float) -> None:
    z = defocus_um * (telescope.focal_ratio / PLAIN.focal_ratio) ** 2
    theirs = poppy_frames.masked_star(telescope, mask, light, z, size_px=SIZE, star_px=STAR, blur_fwhm_px=2.0)
    ours = model(telescope, mask, light, abs(z) + 30.0).image(StarState(z, *STAR, blur_px=2.0))
    # The model counts the light of the orders it keeps, poppy's all that passes: a common factor.
    factor = float((ours * theirs).sum() / (ours * ours).sum())
    assert 0.85 < factor < 1.0
    assert np.sqrt(((theirs - factor * ours) ** 2).sum() / (theirs**2).sum()) < 0.01


@pytest.mark.parametrize("defocus_um", [-140.0, -30.0, 8.0, 95.0])
@pytest.mark.parametrize("lean", [1, -1])
def test_a_bright_frame_gives_its_defocus_back(lean: int, defocus_um: float) -> None:
    mask, light = Bahtinov(orientation_deg=30.0, lean=lean), Light(550.0, 60.0, 3e6)
    image = poppy_frames.masked_star(
        PLAIN, mask, light, defocus_um, size_px=SIZE, star_px=STAR, blur_fwhm_px=2.0
    )
    frame = recorded(image, Sensor(), seed=3)
    detector = Detector(1.0, 1.6, 65535.0, 500.0)
    piece = cut(frame, SIZE / 2, SIZE / 2, SIZE, detector, "x", 4.0)
    star = model(PLAIN, mask, light, 200.0)
    fit = fit_star(star, piece, StarState(defocus_um * 0.8 + 5.0, 63.5, 64.0, 2.5))
    assert fit.converged
    assert fit.state.defocus_um == pytest.approx(defocus_um, abs=max(0.3, 4.0 * fit.defocus_u_um))
    assert (fit.state.x_px, fit.state.y_px) == pytest.approx(STAR, abs=0.006)
    assert fit.state.blur_px == pytest.approx(2.0, rel=0.02)
