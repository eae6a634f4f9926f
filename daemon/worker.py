"""One process of its own for what is heavy or may crash: measuring frames and fitting.

Started by spawn, given paths and plain data. A job past its deadline, or a process that died, is replaced and
the job tried once more; a job that raises is not, since it would raise again. Idle, the process leaves.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import threading
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext, SpawnContext
from multiprocessing.process import BaseProcess
from typing import Any

CONTEXT: SpawnContext | ForkServerContext = multiprocessing.get_context("spawn")
"""How the process is begun; tests that begin hundreds have its imports done beforehand."""

_SLICE_S = 0.02
_ENTER_S = 60.0


class WorkerError(Exception):
    """A job gave no result; the message says why."""

    code = "worker"


class JobRaised(WorkerError):
    """The job itself raised: the same input would raise again."""


class WorkerLost(WorkerError):
    """Two processes in turn died or ran past the deadline on this job."""


class JobAbandoned(WorkerError):
    """The stop signal came while the job ran."""


class _Gone(Exception):
    """This process is of no more use; the message says what happened to it."""


class Worker:
    """Runs the methods of a desk, an object made inside the process by ``make_desk(*arguments)``."""

    def __init__(
        self, make_desk: Callable[..., object], arguments: tuple[Any, ...] = (), idle_s: float = 120.0
    ) -> None:
        self._make_desk = make_desk
        self._arguments = arguments
        self._idle_s = idle_s
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._abandoned: list[BaseProcess] = []
        self._entered = False
        # A word may be put in while another thread waits for a job's result.
        self._sending = threading.Lock()

    @property
    def pid(self) -> int | None:
        """Return the process id while there is one."""
        return self._process.pid if self._process is not None else None

    def warm_up(self) -> None:
        """Start the process now, so that its imports overlap with other waiting."""
        if self._process is None or not self._process.is_alive():
            self._start()

    def call(self, job: str, *arguments: Any, deadline_s: float, stop: threading.Event | None = None) -> Any:
        """Run a job and return its result; raises one of the `WorkerError`s."""
        causes = []
        for _ in range(2):
            try:
                return self._attempt(job, arguments, deadline_s, stop)
            except _Gone as gone:
                causes.append(str(gone))
                self.close()
        raise WorkerLost(f"{job} failed twice: {'; then '.join(causes)}. The job was given up.")

    def mention(self, job: str, *arguments: Any) -> None:
        """Have a job done before the next one, and hear nothing of it; without a process, not at all."""
        with self._sending, contextlib.suppress(OSError):
            if self._pipe is not None and self._entered:
                self._pipe.send((job, arguments, False))

    def close(self) -> None:
        """End the process, by force where it does not go by itself."""
        process, pipe = self._process, self._pipe
        self._process = self._pipe = None
        if pipe is not None:
            pipe.close()
        if process is not None:
            process.join(0.2)
            self._abandoned.append(process)
        for one in self._abandoned:
            one.kill()
            one.join(5.0)
            one.close()
        self._abandoned.clear()

    def _abandon(self) -> None:
        """Kill the process and wait for nothing: whoever stopped the job has a motor to halt first."""
        process, pipe = self._process, self._pipe
        self._process = self._pipe = None
        if process is not None:
            process.kill()
            self._abandoned.append(process)
        if pipe is not None:
            pipe.close()

    def _start(self) -> None:
        self.close()
        ours, theirs = CONTEXT.Pipe()
        process = CONTEXT.Process(
            target=_serve, args=(theirs, self._make_desk, self._arguments, self._idle_s), daemon=True
        )
        process.start()
        theirs.close()
        self._process, self._pipe, self._entered = process, ours, False

    def _attempt(
        self, job: str, arguments: tuple[Any, ...], deadline_s: float, stop: threading.Event | None
    ) -> Any:
        self.warm_up()
        pipe = self._pipe
        assert pipe is not None
        try:
            if not self._entered:
                # Imports come first, and a busy single-board computer takes its time over them.
                self._reply(pipe, _ENTER_S, stop)
                self._entered = True
            with self._sending:
                pipe.send((job, arguments, True))
            return self._reply(pipe, deadline_s, stop)
        except (EOFError, OSError) as error:
            raise _Gone(f"the measuring process died ({type(error).__name__})") from error

    def _reply(self, pipe: Connection, deadline_s: float, stop: threading.Event | None) -> Any:
        ends = time.monotonic() + deadline_s
        while not pipe.poll(_SLICE_S):
            if stop is not None and stop.is_set():
                self._abandon()
                raise JobAbandoned("stopped while measuring")
            if time.monotonic() > ends:
                raise _Gone(f"no result within {deadline_s:.0f} s")
        kind, value = pipe.recv()
        if kind == "raised":
            raise JobRaised(value)
        return value


def _serve(
    pipe: Connection, make_desk: Callable[..., object], arguments: tuple[Any, ...], idle_s: float
) -> None:
    """Do jobs until the pipe closes or nothing has come for a while."""
    import signal

    # A terminal sends Ctrl-C, and its own closing, to the whole group; who ends this process is its parent.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    # Its matrices are small: threads of the linear algebra would only fight over the cores.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        desk = _entered(pipe, make_desk, arguments)
        while desk is not None and _job_comes(pipe, desk, idle_s):
            job, values, wanted = pipe.recv()
            outcome = _outcome(desk, job, values)
            if wanted:
                pipe.send(outcome)
    except (EOFError, OSError):
        pass
    finally:
        pipe.close()


def _entered(pipe: Connection, make_desk: Callable[..., object], arguments: tuple[Any, ...]) -> object | None:
    try:
        desk = make_desk(*arguments)
    except Exception as error:
        pipe.send(("raised", f"{type(error).__name__}: {error}"))
        return None
    pipe.send(("entered", None))
    return desk


def _job_comes(pipe: Connection, desk: object, idle_s: float) -> bool:
    """Wait for a job, and do what the desk has left to do meanwhile; False when none comes for long.

    A desk's ``spare`` does a little and tells whether there is more; what it raises, a job would raise again.
    """
    spare = getattr(desk, "spare", None)
    with contextlib.suppress(Exception):
        while spare is not None and not pipe.poll(0.0) and spare():
            pass
    return pipe.poll(idle_s)


def _outcome(desk: object, job: str, values: tuple[Any, ...]) -> tuple[str, Any]:
    try:
        return "done", getattr(desk, job)(*values)
    except Exception as error:
        return "raised", f"{type(error).__name__}: {error}"
