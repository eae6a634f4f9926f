"""Cameras without a driver of our own: a command that exposes, or a folder that another program fills.

A frame counts only when it is new since the exposure was asked for, belongs to it by its time, and is
finished. These wait on real processes and files, so they use the machine's own clock.
"""

from __future__ import annotations

import os
import signal
import string
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import structlog

from drivers.errors import ExposureFailed, Stopped
from drivers.frame_files import FITS_SUFFIXES, NotFits, is_complete
from drivers.roles import NeverStop, StopSignal

SLICE_S = 0.02
POLL_S = 0.1
QUIET_S = 0.3
# File times may be whole seconds, and come from a clock that ticks more coarsely than ours.
CLOCK_GRAIN_S = 1.0
ARGUMENTS = ("exposure_s", "filter", "path", "folder")
log = structlog.get_logger(__name__)


def check_template(argv: Sequence[str]) -> None:
    """Raise ValueError when a command template names an unknown field or is empty."""
    if not argv:
        raise ValueError('the camera command is empty; for example: ["expose", "{exposure_s}", "{path}"]')
    for word in argv:
        for _, name, _, _ in string.Formatter().parse(word):
            if name is not None and name not in ARGUMENTS:
                raise ValueError(f"{word!r}: unknown field {{{name}}}; there are {', '.join(ARGUMENTS)}")


@dataclass(frozen=True, slots=True)
class _Seen:
    """What tells one state of a file from another; a rename keeps it, a rewrite does not."""

    device: int
    inode: int
    size: int
    modified_ns: int

    @classmethod
    def of(cls, path: Path) -> _Seen | None:
        try:
            status = path.stat()
        except OSError:
            return None
        return cls(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


class FolderWatch:
    """Finds the frame that appears in a folder after a moment, finished and not seen before."""

    def __init__(self, folder: Path, pattern: str = "*") -> None:
        self.folder = folder
        self.pattern = pattern
        self.too_old: list[Path] = []
        self._known: set[tuple[int, int, int]] = set()
        self._last: dict[Path, tuple[_Seen, float]] = {}

    def remember(self) -> None:
        """Take every frame that is there now as seen."""
        self.too_old.clear()
        for path in self._frames():
            seen = _Seen.of(path)
            if seen:
                self._known.add((seen.device, seen.inode, seen.modified_ns))

    def find(self, since_s: float) -> Path | None:
        """Return a finished new frame last written after ``since_s`` (POSIX seconds), oldest first.

        New files written before that (moved in late, or dated by another clock) gather in ``too_old``.
        """
        fresh = []
        for path in self._frames():
            seen = _Seen.of(path)
            if seen is None or (seen.device, seen.inode, seen.modified_ns) in self._known:
                continue
            if seen.modified_ns < (since_s - CLOCK_GRAIN_S) * 1e9:
                log.info("older_frame_left_alone", path=str(path))
                self.too_old.append(path)
                self._known.add((seen.device, seen.inode, seen.modified_ns))
            elif self._finished(path, seen):
                fresh.append((seen.modified_ns, path, seen))
        if not fresh:
            return None
        _, path, seen = min(fresh, key=lambda item: item[0])
        self._known.add((seen.device, seen.inode, seen.modified_ns))
        return path

    def _frames(self) -> list[Path]:
        try:
            found = sorted(self.folder.glob(self.pattern))
        except OSError as error:
            raise ExposureFailed(f"folder {self.folder} cannot be read: {error}") from None
        return [path for path in found if path.suffix.lower() in FITS_SUFFIXES and path.is_file()]

    def _finished(self, path: Path, seen: _Seen) -> bool:
        """Tell whether a file has not changed for a while and holds all that its header announces."""
        last = self._last.get(path)
        if last is None or last[0] != seen:
            self._last[path] = (seen, time.monotonic())
            return False
        if time.monotonic() - last[1] < QUIET_S:
            return False
        try:
            return is_complete(path)
        except (NotFits, OSError) as error:
            log.warning("not_a_frame", path=str(path), error=str(error))
            return False


class CommandCamera:
    """Exposes by running a command, without a shell; the frame is ``{path}``, or appears in ``folder``.

    ``argv`` may use ``{exposure_s}``, ``{filter}``, ``{path}`` (a fresh name of ours) and ``{folder}``. The
    command has the exposure and ``allowance_s`` to end with exit code 0 and leave a finished frame.
    """

    def __init__(self, argv: Sequence[str], folder: Path, *, allowance_s: float = 30.0) -> None:
        check_template(argv)
        self._argv = tuple(argv)
        self._folder = folder
        self._allowance_s = allowance_s
        self._names_path = any("{path}" in word for word in argv)
        self._watch = FolderWatch(folder)
        self._number = 0

    def expose(self, exposure_s: float, filter_name: str, stop: StopSignal | None = None) -> Path:
        """Run the command once and return its frame; ExposureFailed or Stopped otherwise."""
        self._folder.mkdir(parents=True, exist_ok=True)
        path, words = self._command(exposure_s, filter_name)
        self._watch.remember()
        began = time.time()
        deadline = time.monotonic() + exposure_s + self._allowance_s
        self._run(words, deadline, stop or NeverStop())
        return self._frame(path, began, deadline, stop or NeverStop(), words)

    def _command(self, exposure_s: float, filter_name: str) -> tuple[Path, list[str]]:
        self._number += 1
        stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime())
        path = self._folder / f"frame-{stamp}-{os.getpid()}-{self._number:04d}.fits"
        values = {"exposure_s": f"{exposure_s:g}", "filter": filter_name, "path": str(path),
                  "folder": str(self._folder)}  # fmt: skip
        return path, [word.format(**values) for word in self._argv]

    def _run(self, words: list[str], deadline_s: float, stop: StopSignal) -> None:
        """Run the command in a process group of its own, so that its children can be ended with it."""
        with tempfile.TemporaryFile() as output:
            try:
                process = subprocess.Popen(
                    words, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT,
                    start_new_session=True,
                )  # fmt: skip
            except OSError as error:
                raise ExposureFailed(f"camera command {words} does not start: {error}") from None
            try:
                code = _wait(process, deadline_s, stop, words)
            finally:
                _end(process)
            if code:
                output.seek(0)
                tail = output.read()[-2000:].decode("utf-8", "replace").strip()
                raise ExposureFailed(f"camera command {words} ended with exit code {code}:\n{tail}")

    def _frame(
        self, path: Path, began_s: float, deadline_s: float, stop: StopSignal, words: list[str]
    ) -> Path:
        while True:
            found = self._finished(path) if self._names_path else self._watch.find(began_s)
            if found is not None:
                return found
            if time.monotonic() > deadline_s:
                where = path if self._names_path else f"a new frame in {self._folder}"
                raise ExposureFailed(f"camera command {words} ended well but left no finished {where}")
            _pause(stop)

    def _finished(self, path: Path) -> Path | None:
        try:
            return path if path.exists() and is_complete(path) else None
        except NotFits as error:
            raise ExposureFailed(f"the camera command left a file that is no frame: {error}") from None


class WatchedFolderCamera:
    """Waits for a frame that another program takes; ``ask`` tells people or that program what is wanted."""

    def __init__(
        self, folder: Path, *, pattern: str = "*", allowance_s: float = 120.0,
        ask: Callable[[str], None] = lambda sentence: log.info("frame_wanted", please=sentence),
        began_s: Callable[[Path], float | None] = lambda path: None,
    ) -> None:  # fmt: skip
        self._watch = FolderWatch(folder, pattern)
        self._allowance_s = allowance_s
        self._ask = ask
        self._began_s = began_s

    def expose(self, exposure_s: float, filter_name: str, stop: StopSignal | None = None) -> Path:
        """Ask for one frame and return it once it is finished; ExposureFailed or Stopped otherwise.

        A frame whose exposure began before it was asked for shows an earlier position and is left alone:
        ``began_s`` tells when (POSIX seconds), or else the time of writing less the exposure does.
        """
        stop = stop or NeverStop()
        self._watch.remember()
        asked = time.time()
        self._ask(f"one frame of {exposure_s:g} s with filter {filter_name}, saved to {self._watch.folder}")
        deadline = time.monotonic() + exposure_s + self._allowance_s
        while time.monotonic() < deadline:
            found = self._watch.find(asked)
            if found is not None and self._is_ours(found, asked, exposure_s):
                return found
            _pause(stop)
        early = ", ".join(path.name for path in self._watch.too_old[-3:])
        raise ExposureFailed(
            f"no new frame in {self._watch.folder} within {exposure_s + self._allowance_s:g} s; is the other "
            "program exposing in a loop and saving there?"
            + (f" Frames dated before they were asked for: {early}; do the clocks agree?" if early else "")
        )

    def _is_ours(self, path: Path, asked_s: float, exposure_s: float) -> bool:
        began = self._began_s(path)
        if began is None:
            began = path.stat().st_mtime - exposure_s
        if began >= asked_s - CLOCK_GRAIN_S:
            return True
        log.info("frame_begun_too_early", path=str(path))
        self._watch.too_old.append(path)
        return False


def _wait(process: subprocess.Popen[bytes], deadline_s: float, stop: StopSignal, words: list[str]) -> int:
    while (code := process.poll()) is None:
        if stop.is_set():
            raise Stopped("the exposure was stopped")
        if time.monotonic() > deadline_s:
            raise ExposureFailed(f"camera command {words} did not end in time and was killed")
        time.sleep(SLICE_S)
    return code


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command's process group: politely first, and for good after a second."""
    for number, patience_s in ((signal.SIGTERM, 1.0), (signal.SIGKILL, 5.0)):
        if process.poll() is not None:
            return
        try:
            os.killpg(process.pid, number)
            process.wait(patience_s)
        except (ProcessLookupError, subprocess.TimeoutExpired):
            continue


def _pause(stop: StopSignal) -> None:
    until = time.monotonic() + POLL_S
    while time.monotonic() < until:
        if stop.is_set():
            raise Stopped("the exposure was stopped")
        time.sleep(SLICE_S)
