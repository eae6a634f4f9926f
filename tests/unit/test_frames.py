"""Frames in and out: what is read, what is refused and why, and that nothing is believed unchecked."""

from __future__ import annotations

import gzip
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from drivers.frames import FrameUnreadable, Plane, read_frame, read_header, write_frame
from drivers.header import Keywords, facts_from, parse_time

PIXELS = np.random.default_rng(5).poisson(900.0, (60, 80)).astype(np.uint16)
PIXELS[3, 4] = 65535


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    header = {
        "FILTER": "L",
        "EXPTIME": 4.0,
        "DATE-OBS": "2026-01-05T22:00:00.500",
        "FOCPOS": (1234, "counts"),
    }
    return write_frame(tmp_path / "frame.fits", PIXELS, header)


def reason(path: Path, **options: object) -> str:
    with pytest.raises(FrameUnreadable) as caught:
        read_frame(path, **options)  # type: ignore[arg-type]  # any option
    assert str(caught.value).startswith(f"{path}: ")
    assert caught.value.path == str(path)
    return caught.value.reason


def raw_header(*cards: tuple[str, object]) -> bytes:
    """A header written by hand from the FITS Standard 4.0, section 4: 80-byte cards in 2880-byte blocks."""
    text = "".join(f"{key:8}= {'T' if value is True else value!s:>20}".ljust(80) for key, value in cards)
    text += "END".ljust(80)
    return text.ljust(-(-len(text) // 2880) * 2880).encode()


def image_header(*lengths: int, bitpix: int = 16) -> bytes:
    axes = [(f"NAXIS{number}", length) for number, length in enumerate(lengths, start=1)]
    return raw_header(("SIMPLE", True), ("BITPIX", bitpix), ("NAXIS", len(lengths)), *axes)


def test_frame_comes_back_as_written(frame: Path) -> None:
    read = read_frame(frame, Keywords(position="FOCPOS"))
    assert read.pixels.dtype == np.uint16
    assert np.array_equal(read.pixels, PIXELS)
    assert (read.facts.filter, read.facts.exposure_s, read.facts.position_steps) == ("L", 4.0, 1234.0)
    assert read.facts.middle == datetime(2026, 1, 5, 22, 0, 2, 500000, tzinfo=UTC)
    assert read_header(frame)["FOCPOS"] == 1234


def test_frame_is_standard_fits_for_others(frame: Path) -> None:
    """Outside check: astropy, and the standard's own bytes (big-endian, BZERO 32768 for unsigned)."""
    with fits.open(frame, do_not_scale_image_data=True) as hdus:
        assert hdus[0].header["BZERO"] == 32768
        assert hdus[0].data[3, 4] == 32767
    content = frame.read_bytes()
    assert len(content) % 2880 == 0
    assert content.startswith(b"SIMPLE  =                    T")


def test_writing_is_whole_or_not_at_all(frame: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = frame.read_bytes()
    monkeypatch.setattr("os.fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(OSError, match="No space left"):
        write_frame(frame, PIXELS[:10], {})
    assert frame.read_bytes() == before
    assert [item.name for item in frame.parent.iterdir()] == ["frame.fits"]


def test_only_frames_are_written() -> None:
    with pytest.raises(ValueError, match="2-D and uint16"):
        write_frame("never.fits", np.zeros((4, 4)), {})  # type: ignore[arg-type]  # wrong on purpose


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32", "float32", "float64"])
def test_every_usual_kind_of_pixel_is_read(tmp_path: Path, dtype: str) -> None:
    pixels = (PIXELS // 300).astype(dtype)
    fits.PrimaryHDU(pixels).writeto(tmp_path / "f.fits")
    read = read_frame(tmp_path / "f.fits").pixels
    assert read.dtype.isnative
    assert np.array_equal(read, pixels)


def test_nan_pixels_are_kept_for_the_measurement_to_judge(tmp_path: Path) -> None:
    pixels = np.full((20, 30), np.nan, np.float32)
    fits.PrimaryHDU(pixels).writeto(tmp_path / "f.fits")
    assert np.isnan(read_frame(tmp_path / "f.fits").pixels).all()


def test_image_in_the_first_extension_keeps_the_primary_facts(tmp_path: Path) -> None:
    primary = fits.PrimaryHDU()
    primary.header["FILTER"] = "R"
    fits.HDUList([primary, fits.ImageHDU(PIXELS)]).writeto(tmp_path / "f.fits")
    read = read_frame(tmp_path / "f.fits")
    assert np.array_equal(read.pixels, PIXELS)
    assert read.facts.filter == "R"


@pytest.mark.parametrize("kind", ["RICE_1", "GZIP_1", "HCOMPRESS_1"])
def test_tile_compressed_image_is_read(tmp_path: Path, kind: str) -> None:
    packed = fits.CompImageHDU(PIXELS, compression_type=kind)
    packed.header["FILTER"] = "G"
    fits.HDUList([fits.PrimaryHDU(), packed]).writeto(tmp_path / "f.fits.fz")
    read = read_frame(tmp_path / "f.fits.fz")
    assert np.array_equal(read.pixels, PIXELS)
    assert read.facts.filter == "G"


def test_gzipped_frame_is_read(frame: Path, tmp_path: Path) -> None:
    packed = tmp_path / "f.fits.gz"
    packed.write_bytes(gzip.compress(frame.read_bytes()))
    assert np.array_equal(read_frame(packed).pixels, PIXELS)


def test_what_is_no_frame_is_refused_with_its_reason(tmp_path: Path, frame: Path) -> None:
    content = frame.read_bytes()
    cases = {
        b"": "is empty (0 bytes)",
        b"time,filter\n1,2\n": "is not a FITS file",
        content[:240]: "header has no END",
        content[:1000]: "it ends within its header",
        content[:5000]: "is truncated: its header claims 12480 bytes, the file has 5000",
        gzip.compress(content)[:-2000]: "damaged or truncated gzip",
        b"PK\x03\x04" + bytes(100): "is packed with zip; unpack it first",
        raw_header(("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 0)): "holds no image",
        image_header(0, 10): "holds no pixels (0 x 10)",
        image_header(500) + bytes(2880): "is 1-D (500)",
        image_header(-10, 10): "its header claims NAXIS1 = -10",
        raw_header(("SIMPLE", True), ("BITPIX", 13), ("NAXIS", 2), ("NAXIS1", 4), ("NAXIS2", 4)): "",
    }
    for number, (bad, expected) in enumerate(cases.items()):
        path = tmp_path / f"case{number}.fits"
        path.write_bytes(bad)
        assert expected in reason(path)
    assert "No such file" in reason(tmp_path / "absent.fits")
    assert "is not a regular file" in reason(tmp_path)


def test_cube_is_refused_with_its_shape(tmp_path: Path) -> None:
    fits.PrimaryHDU(np.zeros((3, 8, 9), np.uint16)).writeto(tmp_path / "cube.fits")
    assert "is 3-D (9 x 8 x 3)" in reason(tmp_path / "cube.fits")


@pytest.mark.parametrize(
    "content",
    [
        image_header(100_000, 50_000),
        image_header(10**18, 10**18),
        gzip.compress(image_header(20_000, 20_000) + bytes(60_000_000)),
        raw_header(("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 0))
        + b"XTENSION= 'IMAGE   '".ljust(80)
        + b" " * 3_000_000,
    ],
    ids=["ten gigabytes", "beyond any address", "gzip bomb", "endless header"],
)
def test_no_memory_is_taken_on_the_word_of_a_header(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "claim.fits"
    path.write_bytes(content)
    read_header_failure = reason(path)  # once, so that imports are not counted
    tracemalloc.start()
    try:
        assert reason(path) == read_header_failure
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 60_000_000


def test_sparse_file_of_the_claimed_size_is_still_too_large(tmp_path: Path) -> None:
    path = tmp_path / "sparse.fits"
    with path.open("wb") as stream:
        stream.write(image_header(100_000, 50_000))
        stream.truncate(2880 + 2 * 100_000 * 50_000 + 2880)
    assert "the limit is 200000000" in reason(path)


def test_tile_compressed_bomb_is_refused(tmp_path: Path) -> None:
    zeros = fits.CompImageHDU(
        np.zeros((4000, 4000), np.int16), compression_type="GZIP_1", tile_shape=(4000, 4000)
    )
    fits.HDUList([fits.PrimaryHDU(), zeros]).writeto(tmp_path / "f.fits")
    assert "times its size" in reason(tmp_path / "f.fits")


def test_binned_pixels_are_placed_on_the_unbinned_sensor(tmp_path: Path) -> None:
    write_frame(tmp_path / "f.fits", PIXELS, {"XBINNING": 2, "YBINNING": 2})
    sampling = read_frame(tmp_path / "f.fits").sampling
    assert (sampling.pitch_px, sampling.size_px, sampling.x0_px, sampling.y0_px) == (2, 2, 0.5, 0.5)


@pytest.mark.parametrize(("plane", "row", "column"), [("R", 0, 0), ("G1", 0, 1), ("G2", 1, 0), ("B", 1, 1)])
def test_mosaic_is_read_through_its_declared_plane(tmp_path: Path, plane: str, row: int, column: int) -> None:
    write_frame(tmp_path / "f.fits", PIXELS, {"BAYERPAT": "RGGB"})
    read = read_frame(tmp_path / "f.fits", plane=Plane.of("RGGB", plane))
    assert np.array_equal(read.pixels, PIXELS[row::2, column::2])
    assert (read.sampling.pitch_px, read.sampling.size_px) == (2, 1)
    assert (read.sampling.x0_px, read.sampling.y0_px) == (column, row)


def test_undeclared_or_binned_mosaic_is_refused(tmp_path: Path) -> None:
    write_frame(tmp_path / "f.fits", PIXELS, {"BAYERPAT": "GBRG"})
    assert 'mosaic = "GBRG" and plane = "G1"' in reason(tmp_path / "f.fits")
    write_frame(tmp_path / "g.fits", PIXELS, {"BAYERPAT": "RGGB", "XBINNING": 2})
    assert "is binned 2 x 2" in reason(tmp_path / "g.fits", plane=Plane(0, 0))
    with pytest.raises(ValueError, match="no plane"):
        Plane.of("RGGB", "G3")


def test_damaged_card_leaves_the_other_facts_readable(frame: Path) -> None:
    content = frame.read_bytes().replace(b"FILTER  = 'L       '", b"FILTER  = 'L        ")
    frame.write_bytes(content)
    facts = read_frame(frame, Keywords(position="FOCPOS")).facts
    assert facts.position_steps == 1234.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-01-05T22:00:01.25", datetime(2026, 1, 5, 22, 0, 1, 250000, tzinfo=UTC)),
        ("2026-01-05 22:00:01", datetime(2026, 1, 5, 22, 0, 1, tzinfo=UTC)),
        ("2026-01-05T22:00:01Z", datetime(2026, 1, 5, 22, 0, 1, tzinfo=UTC)),
        ("2026-01-06T00:30:00+02:30", datetime(2026, 1, 5, 22, 0, tzinfo=UTC)),
        ("2026-01-05T22:00:01.123456789", datetime(2026, 1, 5, 22, 0, 1, 123456, tzinfo=UTC)),
        ("2026-01-05", None),
        ("05/01/26", None),
        ("2026-13-05T22:00:01", None),
        ("0001-01-01T00:00:00+23:00", None),
        ("", None),
    ],
)
def test_times_are_utc_or_nothing(text: str, expected: datetime | None) -> None:
    assert parse_time(text) == expected


def test_standard_time_keywords_mean_what_the_standard_says() -> None:
    """FITS Standard 4.0, section 9.5: DATE-AVG is mid-exposure and DATE-END the end."""
    middle = datetime(2026, 1, 5, 22, 0, 0, tzinfo=UTC)
    stamps = {
        "DATE-OBS": "2026-01-05T21:59:55",
        "DATE-AVG": "2026-01-05T22:00:00",
        "DATE-END": "2026-01-05T22:00:05",
    }
    for keyword in stamps:
        header = {**stamps, "EXPTIME": 10.0}
        assert facts_from(header, Keywords(time=keyword)).middle == middle
    split = {"DATE-OBS": "2026-01-05", "TIME-OBS": "21:59:55", "EXPTIME": 10.0}
    assert facts_from(split, Keywords()).middle == middle


def test_facts_are_never_guessed() -> None:
    header = {
        "CCD-TEMP": -10.0,
        "FOCPOS": "n/a",
        "EXPTIME": -3.0,
        "FILTER": "  ",
        "XBINNING": 1.5,
        "BAYERPAT": "NONE",
    }
    facts = facts_from(header, Keywords(position="FOCPOS"))
    assert (facts.temperature_c, facts.position_steps, facts.exposure_s, facts.filter) == (
        None,
        None,
        None,
        None,
    )
    assert (facts.binning, facts.mosaic, facts.middle) == (1, None, None)


def test_own_keywords_are_understood_and_named_ones_come_first() -> None:
    header = {
        "DT-POS": 100,
        "DT-TEMP": 3.5,
        "DT-SIDE": -1,
        "DT-TRAV": 40.0,
        "DT-PASS": 2,
        "DT-SIM": True,
        "P": "250",
    }
    facts = facts_from(header, Keywords(position="P"))
    assert facts.position_steps == 250.0
    assert facts_from(header, Keywords(position="MISSING")).position_steps == 100.0
    assert (facts.temperature_c, facts.side, facts.travel_since_reversal_steps, facts.pass_id) == (
        3.5,
        -1,
        40.0,
        2,
    )
    assert facts.simulated
