"""One service for one state folder: an advisory lock that dies with its process."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import IO


class AlreadyRunning(Exception):
    """Another service uses this state folder; the message says which process."""


def hold(state: Path) -> IO[str]:
    """Return the open lock of a state folder; keep it as long as the service runs."""
    path = state / "service.lock"
    stream = path.open("a+", encoding="utf-8")
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        stream.seek(0)
        owner = stream.read(40).strip() or "unknown"
        stream.close()
        raise AlreadyRunning(
            f"another drawtube serve (process {owner}) uses {state}: talk to that one, stop it first, or "
            "give another --state folder"
        ) from error
    stream.truncate(0)
    stream.write(str(os.getpid()))
    stream.flush()
    return stream
