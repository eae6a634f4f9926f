"""Where the worker keeps what frames are compared with: twenty megabytes a filter, under the science's key.

A worker that takes up a run again, or replaces a lost one, would otherwise draw all of it anew. It is a mere
convenience: what is damaged or missing is drawn again, and it makes room for the journal before all else.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

FOLDER = "preparations"
MOST_BYTES = 512 * 1024**2
"""All that is kept; what was used longest ago goes first.

A filter takes 20 megabytes, and a run of seven filters makes some twenty of them: each lesson needs its own.
With less room than a whole run takes, taking it up again would find the oldest gone, one after the other.
"""

LEAST_FREE_BYTES = 1024**3
"""With less room on the disk nothing is kept: what is written without fail there is the journal."""

_UNREADABLE = (
    OSError, ValueError, KeyError, EOFError, MemoryError, zipfile.BadZipFile, NotImplementedError,
    AttributeError, TypeError,
)  # fmt: skip
"""All that `numpy.load` and what it gives raise at a file that is none of ours, or no longer whole."""


class PreparationShelf:
    """A folder of preparations, one file each, named by its key."""

    def __init__(self, state: Path) -> None:
        self._folder = state / FOLDER

    def find(self, key: str) -> dict[str, NDArray[Any]] | None:
        """Return what is kept under a key; None where nothing is, or it cannot be read whole."""
        path = self._path(key)
        try:
            with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
                found = {name: kept[name] for name in kept.files}
        except FileNotFoundError:
            return None
        except _UNREADABLE:
            self._drop(path)
            return None
        with contextlib.suppress(OSError):
            os.utime(path)
        return found

    def keep(self, key: str, arrays: Mapping[str, NDArray[Any]]) -> None:
        """Keep arrays under a key where there is room for them, and the newest of all before others.

        Not waited for until they are on the disk: a power loss costs them, and their check sums tell.
        """
        path = self._path(key)
        part = path.with_suffix(f".{os.getpid()}.part")
        named: Any = dict(arrays)
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            size = sum(array.nbytes for array in arrays.values())
            if shutil.disk_usage(self._folder).free < LEAST_FREE_BYTES + size:
                return
            with part.open("wb") as stream:
                np.savez(stream, **named)
            part.replace(path)
            self._make_room()
        except OSError:
            self._drop(part)

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}.npz"

    def _make_room(self) -> None:
        """Drop what was used longest ago, and what a killed process left half written, beyond the limit."""
        files = sorted(self._folder.iterdir(), key=lambda path: path.stat().st_mtime, reverse=True)
        total = 0
        for path in files:
            total += path.stat().st_size
            if total > MOST_BYTES:
                self._drop(path)

    @staticmethod
    def _drop(path: Path) -> None:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
