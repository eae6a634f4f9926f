"""Tell whether a FITS file is finished, from its own header: never read what is still being written.

FITS Standard 4.0, sections 3.3 and 4.4.1: blocks of 2,880 bytes, header cards of 80, data of
``|BITPIX| / 8 * GCOUNT * (PCOUNT + NAXIS1 * ... * NAXISm)`` bytes padded to a whole block.
"""

from __future__ import annotations

from math import prod
from pathlib import Path

BLOCK = 2880
CARD = 80
MOST_HEADER_BLOCKS = 400
FITS_SUFFIXES = (".fits", ".fit", ".fts")


class NotFits(ValueError):
    """The file is no FITS file, or its header cannot be understood."""


def is_complete(path: Path) -> bool:
    """Tell whether a file holds all the bytes that its primary header announces.

    Raises NotFits when a whole first card is there and it is not a FITS one; OSError when unreadable.
    """
    size = path.stat().st_size
    expected = _announced_bytes(path)
    return expected is not None and size >= expected


def _announced_bytes(path: Path) -> int | None:
    """Return the size that the primary header and its data need, None while the header is unfinished."""
    cards: dict[str, int] = {}
    with path.open("rb") as file:
        for number in range(1, MOST_HEADER_BLOCKS + 1):
            block = file.read(BLOCK)
            if number == 1 and len(block) >= CARD and not block.startswith(b"SIMPLE  ="):
                raise NotFits(f"{path}: does not begin as a FITS file does")
            if len(block) < BLOCK:
                return None
            if _gather(block, cards):
                return number * BLOCK + _data_bytes(path, cards)
    raise NotFits(f"{path}: no END within {MOST_HEADER_BLOCKS} header blocks")


def _gather(block: bytes, cards: dict[str, int]) -> bool:
    """Add the size keywords of a block to ``cards``; True when it holds the END card."""
    for start in range(0, BLOCK, CARD):
        card = block[start : start + CARD]
        keyword = card[:8].decode("ascii", "replace").rstrip()
        if keyword == "END":
            return True
        if keyword in ("BITPIX", "GCOUNT", "PCOUNT") or keyword.startswith("NAXIS"):
            text = card[10:].split(b"/")[0].strip()
            if text.lstrip(b"+-").isdigit() and len(text) < 20:
                cards[keyword] = int(text)
    return False


def _data_bytes(path: Path, cards: dict[str, int]) -> int:
    axes = cards.get("NAXIS", 0)
    if "BITPIX" not in cards or not 0 <= axes <= 999:
        raise NotFits(f"{path}: header without BITPIX or with NAXIS = {axes}")
    lengths = [cards.get(f"NAXIS{number}", 0) for number in range(1, axes + 1)]
    if not lengths:
        return 0
    data = abs(cards["BITPIX"]) // 8 * cards.get("GCOUNT", 1) * (cards.get("PCOUNT", 0) + prod(lengths))
    return -(-data // BLOCK) * BLOCK
