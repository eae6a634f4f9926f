"""Words put into the header of a frame on disk: nothing else in it changes."""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from drivers.frame_words import write_words
from drivers.frames import read_frame, read_header
from drivers.header import Keywords, facts_from

WORDS = {"DT-POS": 5120, "DT-SIDE": -1, "DT-TRAV": 212.0, "DT-PASS": 3, "DT-MARK": True}


def data_of(path: Path) -> bytes:
    with fits.open(path, memmap=False) as opened:
        return path.read_bytes()[opened[0].fileinfo()["datLoc"] :]


@pytest.mark.parametrize("kind", [np.uint16, np.int16, np.float32])
def test_a_header_tells_the_words_and_keeps_all_else(tmp_path, kind):
    path = tmp_path / "frame.fits"
    header = fits.Header()
    header["FILTER"], header["DT-PASS"] = ("Ha", "the filter's name"), 7
    fits.PrimaryHDU(np.arange(60 * 80).reshape(60, 80).astype(kind), header).writeto(path, checksum=True)
    before, pixels = data_of(path), read_frame(path).pixels
    assert write_words(path, WORDS)
    assert data_of(path) == before
    assert np.array_equal(read_frame(path).pixels, pixels)
    facts = facts_from(read_header(path), Keywords())
    assert (facts.position_steps, facts.side, facts.travel_since_reversal_steps) == (5120.0, -1, 212.0)
    assert facts.marker and facts.filter == "Ha"
    assert facts.pass_id == 7  # what a frame tells already is the camera's
    with fits.open(path, checksum=True) as opened:  # astropy warns of a sum that does not hold
        assert opened[0].header.comments["FILTER"] == "the filter's name"
    assert not write_words(path, WORDS)


def test_words_of_an_image_in_an_extension_stand_in_the_first_header(tmp_path):
    path = tmp_path / "packed.fits"
    image = fits.CompImageHDU(np.arange(60 * 80, dtype=np.int16).reshape(60, 80))
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    pixels = read_frame(path).pixels
    assert write_words(path, WORDS)
    assert np.array_equal(read_frame(path).pixels, pixels)
    assert facts_from(read_header(path), Keywords()).side == -1


@pytest.mark.parametrize("content", [b"\x1f\x8b a packed file", b"", b"SIMPLE  = nonsense" * 300])
def test_what_is_no_plain_frame_is_left_alone(tmp_path, content):
    path = tmp_path / "frame.fits"
    path.write_bytes(content)
    assert not write_words(path, WORDS)
    assert path.read_bytes() == content
