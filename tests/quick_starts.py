"""Processes that begin with their imports behind them, for tests and campaigns that start hundreds.

Half of what such a test costs is the same libraries loaded again. Here a fork server of the standard library
loads them once, and the measuring process, a simulated rig or the whole command is forked from it. Nothing
else differs: each is a process of its own, with its own descriptors, environment and signals. What a user
starts is started anew; so do the tests of starting itself (`ANEW`).
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import runpy
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

import daemon.worker
from drivers.simulated import client

LOADED = (
    "astropy.io.fits",
    "daemon.desk",
    "daemon.measurement",
    "daemon.planning",
    "daemon.service.life",
    "drivers.simulated.rig",
    "drivers.simulated.surrogate",
    "routines.estimate.errands",
    "routines.estimate.joint",
    "routines.estimate.width_join",
    "routines.measure.width",
)
CONTEXT = multiprocessing.get_context("forkserver")


def install() -> None:
    """Have workers and simulated rigs of this process, and of those it starts, begin from the fork server."""
    multiprocessing.set_forkserver_preload([*LOADED])
    daemon.worker.CONTEXT = CONTEXT
    client.begin = begin_rig


@contextlib.contextmanager
def anew() -> Iterator[None]:
    """Have them started as a user's are, for as long as this lasts."""
    before = daemon.worker.CONTEXT, client.begin
    daemon.worker.CONTEXT, client.begin = multiprocessing.get_context("spawn"), client.begin_anew
    try:
        yield
    finally:
        daemon.worker.CONTEXT, client.begin = before


def pipes_of_the_server() -> set[int]:
    """Return the descriptors that the fork server keeps open in this process for as long as it lives."""
    kept = forkserver._forkserver._forkserver_alive_fd
    return set() if kept is None else {kept}


class Begun:
    """A process begun from the fork server, with what is used of a `subprocess.Popen`."""

    def __init__(self, process: BaseProcess, stdin: Connection | None) -> None:
        assert process.pid is not None
        self.pid, self.stdin = process.pid, stdin
        self.returncode: int | None = None
        self._process = process
        self._asking = threading.Lock()

    def poll(self) -> int | None:
        """Return the exit code, or None while it runs."""
        return self._joined(0.0)

    def wait(self, timeout: float | None = None) -> int:
        """Return the exit code; raises subprocess.TimeoutExpired."""
        code = self._joined(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(f"process {self.pid}", timeout or 0.0)
        return code

    def _joined(self, timeout: float | None) -> int | None:
        with self._asking:
            if self.returncode is None:
                self._process.join(timeout)
                self.returncode = self._process.exitcode
                if self.returncode is not None:
                    self._process.close()
            return self.returncode

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it by force."""
        self.send_signal(signal.SIGKILL)


def begin_rig(words: Sequence[str], log: Path) -> Begun:
    """Begin the simulated rig's command, as `client.begin_anew` does."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return begin("drivers.simulated", words, log, environment=environment, piped=True)


def begin(
    module: str,
    words: Sequence[str],
    output: Path,
    errors: Path | None = None,
    *,
    environment: Mapping[str, str],
    piped: bool = False,
) -> Begun:
    """Begin ``python -m module words``; it appends to ``output`` and ``errors`` (the same file when None).

    Where ``piped``, it leads a session and reads a pipe that ends with this process.
    """
    reader, writer = CONTEXT.Pipe(duplex=False) if piped else (None, None)
    told = (module, words, output, errors or output, dict(environment), reader)
    process = CONTEXT.Process(target=_conduct, args=told, daemon=True)
    process.start()
    if reader is not None:
        reader.close()
    return Begun(process, writer)


def begin_anew(
    module: str, words: Sequence[str], output: Path, *, environment: Mapping[str, str]
) -> subprocess.Popen[bytes]:
    """Begin the same as a user does, with nothing imported."""
    with output.open("ab") as log:
        return subprocess.Popen(
            [sys.executable, "-m", module, *words], stdout=log, stderr=log, env=dict(environment)
        )


def run(
    module: str, words: Sequence[str], folder: Path, *, environment: Mapping[str, str], timeout: float
) -> subprocess.CompletedProcess[str]:
    """Run ``python -m module words`` to its end, its words passing through files in ``folder``."""
    with tempfile.TemporaryDirectory(dir=folder) as said:
        output, errors = Path(said) / "output", Path(said) / "errors"
        process = begin(module, words, output, errors, environment=environment)
        try:
            code = process.wait(timeout)
        finally:
            process.kill()
        return subprocess.CompletedProcess([module, *words], code, output.read_text(), errors.read_text())


def _conduct(
    module: str,
    words: Sequence[str],
    output: Path,
    errors: Path,
    environment: dict[str, str],
    reader: Connection | None,
) -> None:
    """Become the command: its descriptors, environment and words, and a process that may have children."""
    multiprocessing.current_process()._config.pop("daemon")  # type: ignore[attr-defined]  # no public way
    # The library would begin another server here, where its documentation says that this one is used again.
    forkserver._forkserver.ensure_running = lambda: None  # type: ignore[method-assign]
    install()
    os.environ.clear()
    os.environ.update(environment)
    for path, descriptor in ((output, 1), (errors, 2)):
        opened = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        os.dup2(opened, descriptor)
        os.close(opened)
    if reader is not None:
        os.setsid()
        os.dup2(reader.fileno(), 0)
        reader.close()
        sys.stdin = open(0, closefd=False)  # noqa: SIM115  # for the life of the process
    sys.argv = [module, *words]
    runpy.run_module(module, run_name="__main__", alter_sys=True)
