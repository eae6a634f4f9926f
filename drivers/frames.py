"""FITS frames in and out: the pixels, the header's facts, and limits on what is accepted.

A frame comes from another program or another person, so nothing is allocated on the word of a header: every
claim is checked against the size of the file first. Nothing here measures.
"""

from __future__ import annotations

import gzip
import io
import math
import re
import stat
import warnings
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from drivers.header import FrameFacts, Header, Keywords, Value, facts_from
from drivers.safe_write import write_safely

LARGEST_PIXELS = 200_000_000
_LARGEST_HEADER_BYTES = 700 * 2880
_MOST_EXTENSIONS = 50
_BLOCK = 2880
_CARD = 80
_COUNT = re.compile(rb"(Z?NAXIS[0-9]*|TFIELDS|PCOUNT|GCOUNT) *= *([-+]?[0-9]+)")
_COUNTS_OF_AXES = {"NAXIS", "ZNAXIS", "TFIELDS"}
_MOST_AXES = 999
_LONGEST_AXIS = 10**9
# A real frame holds noise and does not shrink further than this; more is a decompression bomb.
_LARGEST_SHRINKAGE = 250
_ALLOWANCE_BYTES = 4_000_000
_OTHER_PACKINGS = {b"BZh": "bzip2", b"PK\x03\x04": "zip", b"\xfd7zXZ": "xz", b"\x28\xb5\x2f\xfd": "zstd"}


class FrameUnreadable(Exception):
    """A file is not a frame that can be used: do not retry; ``path`` and ``reason`` say which and why."""

    def __init__(self, path: str | Path, reason: str) -> None:
        super().__init__(f"{path}: {reason}")
        self.path = str(path)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Plane:
    """One plane of a 2 x 2 colour mosaic: its row and column (0 or 1) in the cell, as stored in the file."""

    row: int
    column: int

    @classmethod
    def of(cls, mosaic: str, plane: str) -> Plane:
        """Return where a plane lies: ``mosaic`` is the cell row by row ("RGGB"), ``plane`` e.g. "G2"."""
        places = [index for index, colour in enumerate(mosaic) if colour == plane[0]]
        which = int(plane[1:]) - 1 if len(plane) > 1 else 0
        if not 0 <= which < len(places):
            raise ValueError(f"a mosaic {mosaic!r} has no plane {plane!r}")
        return cls(*divmod(places[which], 2))


@dataclass(frozen=True, slots=True)
class Sampling:
    """How array samples lie on the sensor, in its unbinned pixels, the same along both axes.

    Sample (row i, column j) is centred at ``x0_px + pitch_px * j``, ``y0_px + pitch_px * i`` and sums the
    light over a square of ``size_px``: equal to the pitch when binned, 1 for a plane of a mosaic.
    """

    pitch_px: int = 1
    size_px: int = 1
    x0_px: float = 0.0
    y0_px: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class RawFrame:
    """A frame as read: ``pixels`` 2-D in ADU (native byte order), facts, the whole header, sampling."""

    path: Path
    pixels: NDArray[Any]
    facts: FrameFacts
    header: Header
    sampling: Sampling


def read_frame(
    path: str | Path,
    keywords: Keywords = Keywords(),
    *,
    plane: Plane | None = None,
    largest_pixels: int = LARGEST_PIXELS,
) -> RawFrame:
    """Read one frame; raises `FrameUnreadable` with the reason for everything that is not one.

    The image is the first HDU that holds one. With ``plane`` only that plane of a colour mosaic is returned.
    """
    with _opened(Path(path)) as (stream, size):
        image = _find_image(stream, size, path)
        _check_claims(image, path, largest_pixels)
        pixels = _pixels(image, stream, path)
    facts = facts_from(image.header, keywords)
    pixels, sampling = _sampled(pixels, facts, plane, path)
    return RawFrame(Path(path), pixels, facts, image.header, sampling)


def read_header(path: str | Path, *, largest_pixels: int = LARGEST_PIXELS) -> Header:
    """Read only the header of the image that `read_frame` would return; raises `FrameUnreadable`."""
    with _opened(Path(path)) as (stream, size):
        image = _find_image(stream, size, path)
        _check_claims(image, path, largest_pixels)
        return image.header


def write_frame(
    path: str | Path, pixels: NDArray[np.uint16], header: Mapping[str, Value | tuple[Value, str]]
) -> Path:
    """Write a 16-bit unsigned frame, whole or not at all; header values may carry a comment."""
    from astropy.io import fits

    if pixels.ndim != 2 or pixels.dtype != np.uint16:
        raise ValueError(f"a frame is 2-D and uint16, not {pixels.ndim}-D {pixels.dtype}")
    hdu = fits.PrimaryHDU(np.ascontiguousarray(pixels))
    for keyword, entry in header.items():
        hdu.header[keyword] = _ascii(entry)
    buffer = io.BytesIO()
    hdu.writeto(buffer)
    return write_safely(path, buffer.getvalue())


def _ascii(entry: Value | tuple[Value, str]) -> Any:
    """Return a card's value with any text in ASCII, which is all that a FITS header may hold."""
    if isinstance(entry, tuple):
        return _ascii(entry[0]), _ascii(entry[1])
    return entry.encode("ascii", "replace").decode() if isinstance(entry, str) else entry


@contextmanager
def _opened(path: Path) -> Iterator[tuple[BinaryIO, int]]:
    """Open a file, unpack it when gzipped, and turn what the outside can do wrong into one error."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise FrameUnreadable(path, "is not a regular file")
        with path.open("rb") as stream, warnings.catch_warnings():
            # astropy warns of every oddity in a header; what matters here is checked by itself.
            warnings.simplefilter("ignore")
            yield _unpacked(stream, status.st_size, path)
    except OSError as error:
        raise FrameUnreadable(path, f"cannot be read: {error.strerror or error}") from error


def _unpacked(stream: BinaryIO, size: int, path: Path) -> tuple[BinaryIO, int]:
    if size == 0:
        raise FrameUnreadable(path, "is empty (0 bytes)")
    start = stream.read(8)
    stream.seek(0)
    for magic, name in _OTHER_PACKINGS.items():
        if start.startswith(magic):
            raise FrameUnreadable(path, f"is packed with {name}; unpack it first")
    if not start.startswith(b"\x1f\x8b"):
        return stream, size
    limit = _ALLOWANCE_BYTES + _LARGEST_SHRINKAGE * size
    try:
        with gzip.GzipFile(fileobj=stream) as packed:
            content = packed.read(min(limit, LARGEST_PIXELS * 8) + 1)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise FrameUnreadable(path, f"is a damaged or truncated gzip file: {error}") from error
    if len(content) > limit:
        raise FrameUnreadable(path, f"unpacks to more than {_LARGEST_SHRINKAGE} times its size: not a frame")
    return io.BytesIO(content), len(content)


@dataclass(frozen=True, slots=True)
class _Image:
    """An HDU that holds an image, by its header alone; a packed one is still the table that carries it."""

    index: int
    hdu: Any
    header: Header
    packed: bool
    shape: tuple[int, ...]  # in the header's order, columns first, as FITS users write it
    unpacked_bytes: int

    @classmethod
    def of(cls, index: int, hdu: Any, header: Header, *, packed: bool) -> _Image:
        """Read the claims of a header; KeyError, TypeError or ValueError when they are not there."""
        stored, prefix = hdu.header, "Z" if packed else ""
        count = int(stored[f"{prefix}NAXIS"])
        shape = tuple(int(stored[f"{prefix}NAXIS{axis}"]) for axis in range(1, count + 1))
        size = math.prod(shape) * abs(int(stored[f"{prefix}BITPIX"])) // 8
        return cls(index, hdu, header, packed, shape, size)


def _find_image(stream: BinaryIO, size: int, path: str | Path) -> _Image:
    """Return the first HDU with an image, its header over the primary's, and check that it is all there."""
    from astropy.io import fits

    if stream.read(9) != b"SIMPLE  =":
        raise FrameUnreadable(path, "is not a FITS file (it does not begin with SIMPLE)")
    _check_header(stream, 0, path)
    stream.seek(0)
    header: dict[str, Value] = {}
    try:
        # A packed image is seen as its table here, so that every size is the stored one.
        hdus = fits.open(stream, mode="readonly", memmap=False, disable_image_compression=True)
        for index in range(_MOST_EXTENSIONS):
            hdu = hdus[index]
            header = {**header, **_cards(hdu.header)}
            end = _end_of(hdu, size, path)
            packed = isinstance(hdu, fits.BinTableHDU) and hdu.header.get("ZIMAGE") is True
            if packed or (hdu.is_image and hdu.header.get("NAXIS", 0) > 0):
                return _Image.of(index, hdu, header, packed=packed)
            _check_header(stream, end, path)
    except FrameUnreadable:
        raise
    except IndexError:
        pass
    except Exception as error:  # whatever a parser makes of bytes from outside
        raise FrameUnreadable(path, f"is not valid FITS: {_one_line(error)}") from error
    raise FrameUnreadable(path, "holds no image")


def _check_header(stream: BinaryIO, start: int, path: str | Path) -> None:
    """Refuse a header without an END card within reason (astropy would read the whole file for it).

    Counts that no frame has are refused here too, since astropy computes with them at once.
    """
    stream.seek(start)
    content = stream.read(_LARGEST_HEADER_BYTES)
    if not content:
        return
    for place in range(0, len(content), _CARD):
        card = content[place : place + _CARD]
        if card[:8].rstrip() == b"END":
            if len(content) < (place // _BLOCK + 1) * _BLOCK:
                raise FrameUnreadable(path, "is truncated: it ends within its header")
            return
        _check_count(card, path)
    raise FrameUnreadable(path, "is truncated or not FITS: its header has no END")


def _check_count(card: bytes, path: str | Path) -> None:
    """Refuse counts that no frame has before astropy loops over them."""
    found = _COUNT.match(card)
    if found is None:
        return
    name, count = found[1].decode(), int(found[2])
    most = _MOST_AXES if name in _COUNTS_OF_AXES else _LONGEST_AXIS
    if not 0 <= count <= most:
        raise FrameUnreadable(path, f"its header claims {name} = {count}; 0 to {most} can be")


def _end_of(hdu: Any, size: int, path: str | Path) -> int:
    """Return where an HDU ends; raises `FrameUnreadable` when the file is shorter than it claims."""
    place = hdu.fileinfo()
    needed = int(place["datLoc"]) + int(hdu.size)
    if needed > size:
        raise FrameUnreadable(path, f"is truncated: its header claims {needed} bytes, the file has {size}")
    return int(place["datLoc"]) + int(place["datSpan"])


def _check_claims(image: _Image, path: str | Path, largest_pixels: int) -> None:
    """Refuse by the header alone what is no 2-D frame, or too large."""
    shape = image.shape
    told = " x ".join(str(length) for length in shape)
    if len(shape) != 2:
        raise FrameUnreadable(
            path, f"is {len(shape)}-D ({told}); a frame is 2-D: save one plane, or one exposure, by itself"
        )
    if 0 in shape:
        raise FrameUnreadable(path, f"holds no pixels ({told})")
    if math.prod(shape) > largest_pixels:
        raise FrameUnreadable(path, f"claims {told} pixels; the limit is {largest_pixels} in all")
    if image.packed and image.unpacked_bytes > _ALLOWANCE_BYTES + _LARGEST_SHRINKAGE * image.hdu.size:
        raise FrameUnreadable(path, f"unpacks to more than {_LARGEST_SHRINKAGE} times its size: not a frame")


def _pixels(image: _Image, stream: BinaryIO, path: str | Path) -> NDArray[Any]:
    from astropy.io import fits

    try:
        if image.packed:
            stream.seek(0)
            data = fits.open(stream, mode="readonly", memmap=False)[image.index].data
        else:
            data = image.hdu.data
    except MemoryError:
        raise FrameUnreadable(path, "does not fit into memory") from None
    except Exception as error:  # whatever a decoder makes of bytes from outside
        raise FrameUnreadable(path, f"its pixels cannot be read: {_one_line(error)}") from error
    if data is None or data.ndim != 2 or data.dtype.kind not in "uif":
        raise FrameUnreadable(path, "its pixels are not a 2-D array of numbers")
    return np.ascontiguousarray(data, dtype=data.dtype.newbyteorder("="))


def _sampled(
    pixels: NDArray[Any], facts: FrameFacts, plane: Plane | None, path: str | Path
) -> tuple[NDArray[Any], Sampling]:
    binning = facts.binning
    if plane is None:
        if facts.mosaic is not None and binning == 1:
            raise FrameUnreadable(
                path,
                f"is a colour mosaic ({facts.mosaic}); say in the config through which plane to measure: "
                f'[fits] mosaic = "{facts.mosaic}" and plane = "G1"',
            )
        centre = (binning - 1) / 2.0
        return pixels, Sampling(binning, binning, centre, centre)
    if binning > 1:
        raise FrameUnreadable(
            path, f"is binned {binning} x {binning}: a colour mosaic's planes are mixed then"
        )
    chosen = np.ascontiguousarray(pixels[plane.row :: 2, plane.column :: 2])
    if chosen.size == 0:
        raise FrameUnreadable(path, "is too small for a colour mosaic")
    return chosen, Sampling(2, 1, float(plane.column), float(plane.row))


def _cards(header: Any) -> dict[str, Value]:
    """Return the readable cards of a header; one that cannot be parsed is left out, not fatal."""
    values: dict[str, Value] = {}
    for card in header.cards:
        try:
            keyword, value = card.keyword, card.value
        except Exception:  # a damaged card says nothing; the rest of the header still does
            continue
        if isinstance(value, bool | int | float | str) and keyword not in values:
            values[keyword] = value
    return values


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 160 else text[:157] + "..."
