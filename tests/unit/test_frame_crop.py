"""A frame cut down on disk: the pixels around the star, unchanged, and the header kept."""

import numpy as np
import pytest
from astropy.io import fits

from drivers.frame_crop import crop_frame
from drivers.frames import read_header
from drivers.header import Keywords, facts_from


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_pixels_stay_what_they_were_and_the_header_says_where_they_lay(tmp_path, kind):
    path = tmp_path / "frame.fits"
    whole = np.arange(600 * 800).reshape(600, 800).astype(kind)
    header = fits.Header()
    header["FILTER"], header["DT-POS"] = "Ha", 5120
    fits.PrimaryHDU(whole, header).writeto(path)
    assert crop_frame(path, 401.0, 97.0, 256)
    with fits.open(path) as opened:
        x0, y0 = opened[0].header["DT-X0"], opened[0].header["DT-Y0"]
        assert (x0 % 2, y0, opened[0].header["FILTER"], opened[0].header["DT-POS"]) == (0, 0, "Ha", 5120)
        assert opened[0].data.shape == (256, 256)
        assert np.array_equal(opened[0].data, whole[y0 : y0 + 256, x0 : x0 + 256])
        assert opened[0].data.dtype.kind == np.dtype(kind).kind
    assert path.stat().st_size < 600 * 800 * np.dtype(kind).itemsize


@pytest.mark.parametrize("size_px", [64, 512])
def test_words_go_into_the_header_also_of_a_frame_that_needs_no_cutting(tmp_path, size_px):
    path = tmp_path / "frame.fits"
    fits.PrimaryHDU(np.arange(200 * 200, dtype=np.uint16).reshape(200, 200)).writeto(path)
    assert crop_frame(path, 100.0, 100.0, size_px, {"DT-SIDE": -1, "DT-TRAV": 212.0, "DT-MARK": True})
    facts = facts_from(read_header(path), Keywords())
    assert (facts.side, facts.travel_since_reversal_steps, facts.marker) == (-1, 212.0, True)
    with fits.open(path) as opened:
        assert opened[0].data.shape == (min(200, size_px),) * 2
        x0, y0 = opened[0].header["DT-X0"], opened[0].header["DT-Y0"]
        assert opened[0].data[0, 0] == 200 * y0 + x0


def test_what_is_no_plain_image_is_left_alone(tmp_path):
    path = tmp_path / "cube.fits"
    fits.PrimaryHDU(np.zeros((3, 40, 40), np.float32)).writeto(path)
    before = path.read_bytes()
    assert not crop_frame(path, 20.0, 20.0, 16)
    assert path.read_bytes() == before
