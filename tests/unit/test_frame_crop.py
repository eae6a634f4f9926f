"""A frame cut down on disk: the pixels around the star, unchanged, and the header kept."""

import numpy as np
import pytest
from astropy.io import fits

from drivers.frame_crop import crop_frame


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


def test_what_is_no_plain_image_is_left_alone(tmp_path):
    path = tmp_path / "cube.fits"
    fits.PrimaryHDU(np.zeros((3, 40, 40), np.float32)).writeto(path)
    before = path.read_bytes()
    assert not crop_frame(path, 20.0, 20.0, 16)
    assert path.read_bytes() == before
