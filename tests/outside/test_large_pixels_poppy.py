"""Pixels too large for the focal ratio: the pattern is sampled coarsely, the scale must not suffer."""

from __future__ import annotations

import numpy as np
import poppy_frames
import pytest
from masked_star import Bahtinov, Light, Sensor, Telescope, recorded

from routines.measure.cutout import Detector, cut
from routines.measure.learning import MaskHint
from routines.measure.meter import MaskMeter
from routines.optics import Band, Optics

pytestmark = pytest.mark.timeout(300)

TELESCOPE = Telescope(871.0, 130.0, 0.0, 9.0)
MASK = Bahtinov(5.35, 22.4, 0.534, 44.6, -1, 0.01)
LIGHT = Light(656.3, 7.0, 2.4e5)
DEFOCI_UM = (-200.0, -70.0, 60.0, 210.0)
SIZE_PX, BLUR_PX = 112, 1.5


def test_the_scale_is_right_where_the_first_order_is_a_dozen_pixels_away() -> None:
    # Diffraction reaches to 2.05 cycles a pixel here: light that folds over would pass for a star of another
    # width, and the fitted clear diameter, with it the scale, would go off by some per cent.
    optics = Optics(TELESCOPE.focal_length_mm, TELESCOPE.aperture_mm, 0.0, TELESCOPE.pixel_um)
    meter = MaskMeter(optics, MaskHint(5.35, 22.4), {"H": Band("H", 656.3, 7.0)}, through_air=False)
    sensor, detector = Sensor(), Detector(1.0, 1.6, 65535.0, 500.0)
    cutouts = []
    for number, defocus_um in enumerate(DEFOCI_UM):
        place = (SIZE_PX / 2 - 0.3 * number, SIZE_PX / 2 - 0.2)
        image = poppy_frames.masked_star(
            TELESCOPE, MASK, LIGHT, defocus_um, size_px=SIZE_PX, star_px=place, blur_fwhm_px=BLUR_PX, seed=2
        )
        frame = recorded(image, sensor, 40 + number)
        cutouts.append(cut(frame, SIZE_PX / 2, SIZE_PX / 2, SIZE_PX, detector, "H", 4.0))
    meter.learn(cutouts)
    readings = [meter.measure(cutout) for cutout in cutouts]
    read_um = np.array([reading.defocus_um for reading in readings], dtype=float)
    u_um = np.array([reading.defocus_u_um for reading in readings], dtype=float)
    scale = np.polyfit(DEFOCI_UM, read_um, 1)[0]
    assert abs(scale) == pytest.approx(1.0, abs=0.009)
    off = np.sign(scale) * read_um - np.array(DEFOCI_UM)
    assert np.sqrt(np.mean((off / u_um) ** 2)) < 2.0
