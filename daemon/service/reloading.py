"""Another config for a service that is up: by SIGHUP or over HTTP, refused while a run needs the old one.

The file is read and judged in full before anything changes; a mistake in it leaves the service as it was.
Only with a good one does this life of the service end, and the next begin with it.
"""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import structlog

from daemon.service.engine import EngineError, NotNow

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.service.engine import Engine

log = structlog.get_logger(__name__)


class Unfit(EngineError):
    """Nobody could serve with the config file as it is now; the message names every mistake."""


class Reloading:
    """What to serve with next, once somebody has asked.

    ``read`` returns a file's config or raises `Unfit`; ``then`` is called once there is one to go over to.
    """

    def __init__(self, config: Config, engine: Engine, read: Callable[[Path], Config]) -> None:
        self.following: Config | None = None
        self.then: Callable[[], None] = lambda: None
        self._config, self._engine, self._read = config, engine, read
        self._one = threading.Lock()

    def reload(self) -> Path:
        """Read the config file again and go over to it; returns its path.

        Raises `NotNow` while a run is on or waits, or without a file, and `Unfit`; both change nothing.
        """
        with self._one:
            file = self._config.file
            if file is None:
                raise NotNow("this service has no config file to read again")
            following = self._read(file)
            needed_by = self._engine.halt_if_idle()
            if needed_by is not None:
                raise NotNow(
                    f"the config is not read again while run {needed_by} needs the one it began with: "
                    "wait for its end, or stop it"
                )
            self.following = following
            log.info("config_reloaded", file=str(file), sha256=following.fingerprint())
            self.then()
            return file

    def from_signal(self) -> None:
        """Do it on a thread of its own, with the refusal in the log: nobody waits for an answer."""
        threading.Thread(target=self._told_in_the_log, name="reload", daemon=True).start()

    def ending_words(self) -> tuple[str, ...]:
        """Return what to tell the service manager at the end of this life."""
        if self.following is None:
            return ("STOPPING=1",)
        return ("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def _told_in_the_log(self) -> None:
        try:
            self.reload()
        except EngineError as error:
            log.error("config_not_reloaded", why=str(error))


@contextlib.contextmanager
def at_hang_up(act: Callable[[], None]) -> Iterator[None]:
    """Call ``act`` at SIGHUP, also sent by a terminal that is closed; unheeded it would end the process."""

    def heard(number: int, frame: FrameType | None) -> None:
        act()

    before = signal.signal(signal.SIGHUP, heard)
    try:
        yield
    finally:
        signal.signal(signal.SIGHUP, before)


__all__ = ["Reloading", "Unfit", "at_hang_up"]
