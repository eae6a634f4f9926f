"""Write a file so that a crash or a full disk leaves either the old one or the new one, never a piece.

To a temporary neighbour first, flushed and fsynced, then renamed over the target, then the folder is fsynced
so that the rename itself is on the disk.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def write_safely(path: str | Path, content: bytes | str) -> Path:
    """Replace the file at ``path`` by ``content`` (text as UTF-8); raises OSError and then leaves the old."""
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    data = content.encode("utf-8") if isinstance(content, str) else content
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            # mkstemp makes the file private; a result is an ordinary file.
            os.fchmod(stream.fileno(), 0o666 & ~_umask())
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)
    return target


def _umask() -> int:
    """Return the process's umask, which can only be read by setting it where /proc does not tell."""
    try:
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("Umask:"):
                return int(line.split()[1], 8)
    except (OSError, ValueError):
        pass
    return 0o022


def sync_folder(folder: Path) -> None:
    """Make a rename in ``folder`` outlive a power loss, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
