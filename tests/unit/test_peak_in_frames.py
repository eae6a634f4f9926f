"""How near a frame came to saturation before a mask is learnt: a width's star, a mask's first orders."""

import numpy as np
import pytest

from daemon.desk import Desk
from daemon.rehearse import default_config
from drivers.frames import write_frame

PEAK_ADU = 40_000.0


@pytest.fixture(scope="module")
def frame(tmp_path_factory):
    """Return a frame with one round star whose peak is known, without a mask."""
    config, rng = default_config(), np.random.default_rng(8)
    y, x = np.indices((400, 400))
    star = PEAK_ADU * np.exp(-((x - 201.0) ** 2 + (y - 190.0) ** 2) / (2.0 * 6.0**2))
    pixels = config.camera.pedestal_adu + star + 20.0 + 4.0 * rng.standard_normal(star.shape)
    path = tmp_path_factory.mktemp("frame") / "star.fits"
    facts = {"FILTER": "L", "EXPTIME": 2.0, "DATE-OBS": "2026-01-14T19:00:00", "DT-POS": 5000}
    return write_frame(path, pixels.astype(np.uint16), facts)


def test_a_width_counts_the_star_itself_also_before_a_mask_is_learnt(frame):
    config = default_config()
    told = Desk(config).measure(str(frame), (), "width")
    assert told["method"] == "width"
    wanted = (PEAK_ADU + 20.0) / (config.camera.saturation_adu - config.camera.pedestal_adu)
    assert told["peak_share"] == pytest.approx(wanted, rel=0.05)


def test_for_a_mask_the_ring_of_its_first_orders_counts_and_not_the_core(frame):
    told = Desk(default_config()).measure(str(frame), (), "mask")
    assert told["spike_error_px"] is None
    assert told["peak_share"] is not None
    assert told["peak_share"] < 0.05
