"""Files that are there whole or not at all: temporary neighbour, flush, fsync, rename."""

from __future__ import annotations

from pathlib import Path

from drivers.safe_write import sync_folder, write_safely

__all__ = ["sync_folder", "write_bytes", "write_text"]


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file so that a crash at any moment leaves the old one or the new one; OSError as from open."""
    write_safely(path, data)


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8, whole or not at all."""
    write_safely(path, text)
