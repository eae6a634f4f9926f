"""Files that are there whole or not at all: temporary neighbour, flush, fsync, rename."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file so that a crash at any moment leaves the old one or the new one; OSError as from open."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes files for the owner alone; a result is as readable as the user's other files.
        part.chmod(0o666 & ~_umask())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8, whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def sync_folder(folder: Path) -> None:
    """Make a rename in ``folder`` outlive a power loss, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def _umask() -> int:
    """Return the process's umask from /proc where it can be read without changing it, else a usual one."""
    try:
        for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
            if line.startswith("Umask:"):
                return int(line.split()[1], 8)
    except (OSError, ValueError, IndexError):
        pass
    return 0o022
