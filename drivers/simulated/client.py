"""How the daemon uses a simulated rig: its clock, its camera, and the process that holds both.

Nothing here knows a number of the rig; the focuser and the wheel are reached by their serial lines like any
others.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from drivers.roles import NeverStop, StopSignal

_SLICE_S = 0.02


class RigError(Exception):
    """The simulated rig did not start, went away, or refused a request."""


class ExposureAborted(RigError):
    """An exposure was stopped before its end."""


class ControlLine:
    """One connection to the rig's control socket: a request and its reply at a time, from any thread."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._connection = _connected(self.path)
        self._heard = b""
        self._mutex = threading.Lock()

    def ask(self, stop: StopSignal | None = None, **request: Any) -> dict[str, Any]:
        """Return the reply; raises RigError. A ``stop`` that comes meanwhile aborts the exposure."""
        with self._mutex:
            try:
                self._connection.sendall(json.dumps(request).encode() + b"\n")
                answer: dict[str, Any] = json.loads(self._line(stop))
            except OSError as error:
                raise RigError(f"the simulated rig at {self.path} went away: {error}") from error
        if answer.get("ok"):
            return answer
        if answer.get("error") == "aborted":
            raise ExposureAborted("the exposure was stopped before its end")
        raise RigError(f"the simulated rig refused {request.get('op')!r}: {answer.get('error')}")

    def close(self) -> None:
        """Hang up."""
        self._connection.close()

    def _line(self, stop: StopSignal | None) -> bytes:
        aborted = False
        while b"\n" not in self._heard:
            if stop is not None:
                ready, _, _ = select.select([self._connection], [], [], _SLICE_S)
                if not ready:
                    if stop.is_set() and not aborted:
                        aborted = True
                        _abort(self.path)
                    continue
            data = self._connection.recv(65_536)
            if not data:
                raise OSError("it closed the connection")
            self._heard += data
        line, self._heard = self._heard.split(b"\n", 1)
        return line


class SimulatedClock:
    """The rig's virtual time; it moves on only while somebody sleeps or exposes."""

    def __init__(self, control: str | Path) -> None:
        self.path = Path(control)
        self._lines = threading.local()
        self._opened: list[ControlLine] = []
        self._mutex = threading.Lock()

    def now(self) -> datetime:
        """Return the virtual time of day in UTC."""
        return datetime.fromtimestamp(float(self._line().ask(op="now")["unix_s"]), UTC)

    def monotonic(self) -> float:
        """Return virtual seconds since the rig's night began."""
        return float(self._line().ask(op="now")["time_s"])

    def sleep(self, seconds: float) -> None:
        """Let virtual time pass."""
        if seconds > 0.0:
            self._line().ask(op="sleep", seconds=seconds)

    def close(self) -> None:
        """Hang up every thread's connection."""
        with self._mutex:
            for line in self._opened:
                line.close()
            self._opened.clear()
        self._lines = threading.local()

    def _line(self) -> ControlLine:
        """Return this thread's own connection: a sleeper must not keep others from asking the time."""
        line: ControlLine | None = getattr(self._lines, "line", None)
        if line is None:
            line = self._lines.line = ControlLine(self.path)
            with self._mutex:
                self._opened.append(line)
        return line


class SimulatedCamera:
    """The rig's camera; frames go to ``folder``, numbered by observation.

    ``drawing_s`` is how much real time has gone into drawing looks, which no camera needs.
    """

    def __init__(self, control: str | Path, folder: str | Path) -> None:
        self.folder = Path(folder)
        self.drawing_s = 0.0
        self._line = ControlLine(control)
        self._next = 1

    def expose(
        self,
        exposure_s: float,
        filter_name: str,
        stop: StopSignal = NeverStop(),
        *,
        number: int | None = None,
        words: Mapping[str, float | bool] | None = None,
    ) -> Path:
        """Take one frame; ``number`` draws its noise (the next one when None). Raises RigError.

        ``words`` go into its header as they are.
        """
        number = self._numbered(number)
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / f"look-{number:05d}.fits"
        answer = self._line.ask(
            stop,
            op="expose",
            exposure_s=exposure_s,
            filter=filter_name,
            number=number,
            path=str(path.resolve()),
            words=dict(words or {}),
        )
        self.drawing_s += float(answer.get("drawing_s", 0.0))
        return path

    def look(
        self,
        exposure_s: float,
        filter_name: str,
        stop: StopSignal = NeverStop(),
        *,
        number: int | None = None,
    ) -> dict[str, Any]:
        """Return a drawn spike error instead of a frame: value_px, u_px, flags, signal_electrons."""
        number = self._numbered(number)
        drawn = self._line.ask(
            stop, op="expose", exposure_s=exposure_s, filter=filter_name, number=number, surrogate=True
        )
        self.drawing_s += float(drawn.get("drawing_s", 0.0))
        return drawn

    def close(self) -> None:
        """Hang up."""
        self._line.close()

    def _numbered(self, number: int | None) -> int:
        number = self._next if number is None else number
        self._next = number + 1
        return number


class Pipe(Protocol):
    """The rig's stdin: it ends when this is closed."""

    def close(self) -> None:
        """Close it."""


class RigProcess(Protocol):
    """What is used of a rig's process, as a `subprocess.Popen` has it."""

    pid: int

    @property
    def stdin(self) -> Pipe | None:
        """Return the pipe whose end ends the rig."""

    def poll(self) -> int | None:
        """Return the exit code, or None while it runs."""

    def wait(self, timeout: float | None = None) -> int:
        """Return the exit code; raises subprocess.TimeoutExpired."""

    def terminate(self) -> None:
        """Ask it to end."""

    def kill(self) -> None:
        """End it by force."""


@dataclass(slots=True)
class RunningRig:
    """A rig that is up: where its lines are, its clock and camera, and ways to disturb it."""

    folder: Path
    focuser_port: str
    wheel_port: str
    control: Path
    filters: tuple[str, ...]
    first_slot: int
    clock: SimulatedClock
    camera: SimulatedCamera
    line: ControlLine
    process: RigProcess | None = None

    def put_mask(self, *, on: bool, turned_deg: float = 0.0) -> None:
        """Put the mask on, turned from its first fitting, or take it off."""
        self.line.ask(op="mask", on=on, turned_deg=turned_deg)

    def fault(self, kind: str, **facts: Any) -> None:
        """Break something, by name; raises RigError with the names there are."""
        self.line.ask(op="fault", kind=kind, **facts)

    def peek(self) -> dict[str, Any]:
        """Return the drawtube's true place, on a rig started with that allowed."""
        return self.line.ask(op="peek")

    def close(self) -> None:
        """Hang up, and end the rig when it was started here."""
        self.clock.close()
        self.camera.close()
        self.line.close()
        if self.process is not None:
            _end(self.process)


def connect_rig(folder: str | Path, frames: str | Path | None = None) -> RunningRig:
    """Return a rig that already runs in ``folder``; raises RigError when none does."""
    folder = Path(folder)
    try:
        ready = json.loads((folder / "ready.json").read_text())
    except (OSError, ValueError) as error:
        raise RigError(f"no simulated rig is up in {folder}: {error}") from error
    control = Path(ready["control"])
    return RunningRig(
        folder=folder,
        focuser_port=ready["focuser"],
        wheel_port=ready["wheel"],
        control=control,
        filters=tuple(ready["filters"]),
        first_slot=int(ready["first_slot"]),
        clock=SimulatedClock(control),
        camera=SimulatedCamera(control, folder / "frames" if frames is None else frames),
        line=ControlLine(control),
    )


def begin_anew(words: Sequence[str], log: Path) -> RigProcess:
    """Begin the rig's command with such words in a process of its own; what it says goes to ``log``."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    with log.open("wb") as output:
        return subprocess.Popen(
            [sys.executable, "-m", "drivers.simulated", *words],
            stdin=subprocess.PIPE,
            stdout=output,
            stderr=output,
            env=environment,
            start_new_session=True,
        )


begin: Callable[[Sequence[str], Path], RigProcess] = begin_anew
"""How rigs are begun; tests that begin hundreds have their imports done beforehand."""


@contextlib.contextmanager
def start_rig(
    folder: str | Path,
    *,
    rig: str = "built-in",
    seed: int = 1,
    speed: float = 0.0,
    protocol: str = "words",
    keep: bool = False,
    peek: bool = False,
    frames: str | Path | None = None,
    deadline_s: float = 30.0,
) -> Iterator[RunningRig]:
    """Start a rig in a process of its own and end it afterwards; raises RigError when it does not come up."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "ready.json").unlink(missing_ok=True)
    words = ["--rig", rig, "--dir", str(folder), "--seed", str(seed)]
    words += ["--speed", str(speed), "--protocol", protocol]
    words += ["--keep"] * keep + ["--peek"] * peek
    log = folder / "rig.log"
    process = begin(words, log)
    try:
        _await_ready(process, folder, log, deadline_s)
        running = connect_rig(folder, frames)
        running.process = process
    except BaseException:
        _end(process)
        raise
    try:
        yield running
    finally:
        running.close()


def _await_ready(process: RigProcess, folder: Path, log: Path, deadline_s: float) -> None:
    until = time.monotonic() + deadline_s
    while not (folder / "ready.json").exists():
        if process.poll() is not None:
            raise RigError(
                f"the simulated rig did not start: {log.read_text(errors='replace').strip()[-500:]}"
            )
        if time.monotonic() > until:
            raise RigError(f"the simulated rig was not up within {deadline_s:g} s")
        time.sleep(0.01)


def _end(process: RigProcess) -> None:
    """End the rig: closing its stdin is enough, unless it hangs."""
    if process.stdin is not None:
        with contextlib.suppress(OSError):
            process.stdin.close()
    try:
        process.wait(2.0)
    except subprocess.TimeoutExpired:
        process.terminate()
        try:
            process.wait(5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _connected(path: Path) -> socket.socket:
    """Return a connection; a socket's path is short by the system's rule, so a descriptor stands for it."""
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            connection.connect(f"/proc/self/fd/{folder}/{path.name}")
        finally:
            os.close(folder)
    except OSError as error:
        connection.close()
        raise RigError(f"no simulated rig answers at {path}: {error}") from error
    return connection


def _abort(path: Path) -> None:
    line = ControlLine(path)
    try:
        line.ask(op="abort")
    finally:
        line.close()
