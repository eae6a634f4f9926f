"""A set in which every star is faint: no frame shows its spikes by itself, all together show the mask."""

from __future__ import annotations

import numpy as np
import poppy_frames
import pytest
from masked_star import Bahtinov, Light, Sensor, Telescope, recorded

from routines.measure.cutout import Cutout, Detector, cut
from routines.measure.learning import MaskHint
from routines.measure.meter import MaskMeter
from routines.optics import Band, Optics

TELESCOPE = Telescope(724.0, 81.0, 0.0, 5.4)
MASK = Bahtinov(5.2, 20.0, 0.5, 131.0, -1)
LIGHT = Light(656.3, 7.0, 7e3)
DEFOCI_UM = (-130.0, -70.0, -10.0, 60.0, 140.0)
SIZE_PX = 128
OPTICS = Optics(TELESCOPE.focal_length_mm, TELESCOPE.aperture_mm, 0.0, TELESCOPE.pixel_um)
BANDS = {"Ha": Band("Ha", LIGHT.centre_nm, LIGHT.width_nm)}


def cutouts(mask: Bahtinov | None = MASK) -> list[Cutout]:
    found = []
    for number, defocus_um in enumerate(DEFOCI_UM):
        electrons = poppy_frames.masked_star(
            TELESCOPE, mask, LIGHT, defocus_um, size_px=SIZE_PX, blur_fwhm_px=2.2, seed=number
        )
        frame = recorded(electrons, Sensor(sky_electrons=40.0, read_noise_electrons=3.4), number)
        detector = Detector(1.0, 3.4, 65_535.0, 500.0)
        found.append(cut(frame, SIZE_PX / 2, SIZE_PX / 2, SIZE_PX, detector, "Ha", 4.0))
    return found


@pytest.mark.parametrize("hint", [MaskHint(5.2, 20.0), MaskHint()], ids=["told", "untold"])
def test_frames_of_a_few_thousand_electrons_give_numbers_as_a_set(hint: MaskHint) -> None:
    meter, frames = MaskMeter(OPTICS, hint, BANDS), cutouts()
    meter.learn(frames)
    readings = [meter.measure(frame) for frame in frames]
    found = np.array([reading.defocus_um for reading in readings], dtype=float)
    u = np.array([reading.defocus_u_um for reading in readings], dtype=float)
    sign = np.sign(found @ np.array(DEFOCI_UM))
    assert np.isfinite(found).all()
    assert (np.abs(sign * found - DEFOCI_UM) < 4.0 * u).all()
    assert meter.learnt is not None
    turned = meter.learnt.geometry.mask.orientation_deg - MASK.orientation_deg
    assert abs((turned + 90.0) % 180.0 - 90.0) < 2.0


def test_a_single_faint_frame_shows_its_mask() -> None:
    meter, frame = MaskMeter(OPTICS, MaskHint(5.2, 20.0), BANDS), cutouts()[1]
    meter.learn([frame])
    reading = meter.measure(frame)
    assert reading.defocus_um is not None and reading.defocus_u_um is not None
    assert abs(abs(reading.defocus_um) - 70.0) < 4.0 * reading.defocus_u_um


def test_faint_stars_without_a_mask_teach_none() -> None:
    meter, frames = MaskMeter(OPTICS, MaskHint(5.2, 20.0), BANDS), cutouts(mask=None)
    meter.learn(frames)
    assert meter.learnt is None or all("no_mask_pattern" in meter.measure(frame).flags for frame in frames)
