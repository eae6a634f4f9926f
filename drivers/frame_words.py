"""Write into a FITS frame on disk how its place was reached: cards of its header, and no other byte."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path

from drivers.safe_write import write_safely

_MAGIC = b"SIMPLE  ="
Words = Mapping[str, float | bool]


def write_words(path: Path, words: Words) -> bool:
    """Add what a frame's first header does not tell yet; False where nothing was written.

    That is a frame that tells it all, a packed file, or a header that cannot be written anew. A CHECKSUM of
    the header goes, since it would no longer hold (FITS Standard 4.0, appendix J); a DATASUM stays. Raises
    OSError.
    """
    content = path.read_bytes()
    told = _with_words(content, words) if content.startswith(_MAGIC) else None
    if told is None:
        return False
    write_safely(path, told)
    return True


def _with_words(content: bytes, words: Words) -> bytes | None:
    """Return a file's bytes with what its first header lacks of the words; None where that is nothing."""
    from astropy.io import fits

    try:
        with fits.open(io.BytesIO(content), memmap=False, disable_image_compression=True) as opened:
            header, data_begins = opened[0].header.copy(), int(opened[0].fileinfo()["datLoc"])
        missing = {name: value for name, value in words.items() if name not in header}
        header.update(missing)
        header.remove("CHECKSUM", ignore_missing=True)
        return header.tostring().encode("ascii") + content[data_begins:] if missing else None
    except Exception:  # whatever a parser makes of a header from outside
        return None
