"""The one thread that carries runs out, one after the other, and what others may ask of it.

Everything public may be called from any thread; nothing of it waits for a device. A run is in the journal
from the moment it is asked for, so that a crash, a busy rig or a port in use never loses it silently.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import structlog

from daemon.conductor import new_run_id
from daemon.desk import Desk
from daemon.journal import Journal, RunRecord
from daemon.journal_file import JournalError, JournalUnwritable
from daemon.live import Live
from daemon.performer import RunStopped
from daemon.replay import JournalDisagrees
from daemon.service.bench import Bench
from daemon.service.carrying import Carrier, Job, may_be_seen_to, not_left_right
from daemon.service.conclusion import Concluder
from daemon.service.frames_kept import keep_frames
from daemon.service.people import HookFailed, People
from daemon.service.restart import left_behind
from daemon.worker import Worker, WorkerError
from drivers.errors import DeviceError
from routines.scripts.catalogue import ROUTINES

if TYPE_CHECKING:
    from daemon.config import Config

IfBusy = Literal["refuse", "queue"]
LARGEST_QUEUE = 20
_IDLE_BEAT_S = 20.0
log = structlog.get_logger(__name__)


class EngineError(Exception):
    """A request that cannot be granted; the message says why and what to do."""


class Busy(EngineError):
    """Another run is on, or was interrupted and waits for an answer."""


class NoSuchRun(EngineError):
    """No run has this id."""


class NotNow(EngineError):
    """The run is not in a state in which this can be done."""


class Engine:
    """Carries runs out one at a time; ``start`` it once, ``close`` it once."""

    def __init__(self, config: Config, state: Path, journal: Journal, bench: Bench, live: Live) -> None:
        self.config, self.state, self.journal, self.bench, self.live = config, state, journal, bench, live
        surrogate = config.simulated is not None and config.simulated.looks == "numbers"
        measures = config.camera.kind != "simulated" or not surrogate
        self._worker = Worker(Desk, (config, measures, state))
        self._concluder = Concluder(journal, self._worker, state, bench.source, simulated=bench.simulated)
        self._carrier = Carrier(config, state, journal, bench, live, self._worker, lambda: self._closing)
        self._mutex = threading.RLock()
        self._wake = threading.Event()
        self._queue: deque[str] = deque()
        self._waiting: deque[str] = deque()
        self._job: Job | None = None
        self._closing = False
        self._beat_s = time.monotonic()
        self._thread = threading.Thread(target=self._work, name="runs", daemon=True)

    def start(self) -> None:
        """Take up what an earlier life of the service left, as configured, and begin to work."""
        left = left_behind(self.journal, self.config.service, simulated=self.bench.simulated)
        self._queue.extend(left.go_on)
        self._waiting.extend(left.ask)
        self._thread.start()

    def close(self, within_s: float) -> bool:
        """Halt what moves, leave the run to be taken up again, and end; False when the thread hangs."""
        self.halt()
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def halt(self) -> None:
        """Halt at once and take nothing more up; only sets flags, so a signal handler may call it."""
        self._closing = True
        job = self._job
        if job is not None:
            conductor = job.conductor
            if conductor is not None:
                conductor.leave()
            job.stop.set()
        self._wake.set()

    def halt_if_idle(self) -> str | None:
        """Take nothing more up, unless a run is on, waits or was interrupted: then return its id."""
        with self._mutex:
            job = self._job
            concerned = [] if job is None else [job.run.id]
            concerned += [*self._queue, *self._waiting]
            if not concerned:
                self.halt()
        return concerned[0] if concerned else None

    @property
    def alive(self) -> bool:
        """Tell whether the thread lives and has shown it of late, as far as its work allows."""
        if not self._thread.is_alive():
            return False
        if self._job is None:
            return time.monotonic() - self._beat_s < 3.0 * _IDLE_BEAT_S
        return self.live.quiet_s < self._longest_quiet_s()

    @property
    def current_id(self) -> str | None:
        """Return the id of the run that is on, if any."""
        job = self._job
        return None if job is None else job.run.id

    @property
    def busy(self) -> bool:
        """Tell whether a request would have to wait."""
        with self._mutex:
            return self._job is not None or bool(self._queue) or self._asking()

    @property
    def queued(self) -> tuple[str, ...]:
        """Return the ids of the runs that wait for their turn."""
        with self._mutex:
            return tuple(self._queue)

    @property
    def interrupted(self) -> tuple[str, ...]:
        """Return the ids of interrupted runs that somebody may take up or end."""
        with self._mutex:
            return tuple(self._waiting)

    def remaining_s(self) -> float | None:
        """Return about how long the present run will still take (real seconds), None while too early."""
        job = self._job
        if job is None:
            return None
        fraction = self.live.snapshot().fraction
        if job.began_fraction is None:
            job.began_fraction = fraction
        gained = fraction - job.began_fraction
        if gained < 0.05:
            return None
        return (time.monotonic() - job.began_s) * (1.0 - fraction) / gained

    def request(self, routine: str, *, if_busy: IfBusy = "refuse", origin: str = "a person") -> str:
        """Ask for a run and return its id; `Busy` or `NoSuchRun` (no such routine) otherwise."""
        known = ROUTINES.get(routine)
        if known is None:
            raise NoSuchRun(f"there is no routine {routine!r}; there are {', '.join(ROUTINES)}")
        with self._mutex:
            self._require_room(if_busy)
            run = RunRecord(
                id=new_run_id(),
                routine=routine,
                script_version=known.version,
                parameters={},
                config_hash=self.config.fingerprint(),
                packages={},
                state="queued",
                created=datetime.now(UTC).isoformat(),
                origin=origin,
            )
            self.journal.begin_run(run)
            self._queue.append(run.id)
        log.info("run_requested", run=run.id, routine=routine, origin=origin)
        self.live.tell("requested", run=run.id, routine=routine, origin=origin)
        self._wake.set()
        return run.id

    def hold(self, run_id: str) -> None:
        """Keep a run from its next step."""
        job = self._job_of(run_id, "held")
        if job.conductor is not None:
            job.conductor.hold()
        else:
            job.held_early = True
        log.info("held", run=run_id)

    def resume(self, run_id: str) -> None:
        """Let a held run go on, say that what it asked for is done, or take an interrupted one up."""
        with self._mutex:
            if run_id in self._waiting:
                self._waiting.remove(run_id)
                self._queue.appendleft(run_id)
                self._wake.set()
                return
        job = self._job_of(run_id, "resumed")
        job.held_early = False
        answered = job.people.answer()
        if job.conductor is not None and not answered:
            job.conductor.resume()
        log.info("resumed", run=run_id)

    def stop(self, run_id: str) -> None:
        """End a run: what moves is halted at once; a waiting one never begins."""
        with self._mutex:
            for waiting in (self._queue, self._waiting):
                if run_id in waiting:
                    waiting.remove(run_id)
                    self._end(run_id, "stopped", "stopped", "stopped before it went on")
                    return
        job = self._job_of(run_id, "stopped")
        conductor = job.conductor
        job.stop.set()
        if conductor is not None:
            conductor.stop()
        log.info("stopping", run=run_id)

    def _asking(self) -> bool:
        return bool(self._waiting) and self.config.service.on_restart == "ask"

    def _require_room(self, if_busy: IfBusy) -> None:
        if self._closing:
            raise Busy("the service is stopping")
        if self._asking():
            raise Busy(
                f"run {self._waiting[0]} was interrupted: resume it or stop it first (drawtube resume, "
                "drawtube stop)"
            )
        job = self._job
        if if_busy == "refuse" and (job is not None or self._queue):
            name = f"run {job.run.id} ({job.run.routine})" if job is not None else f"run {self._queue[0]}"
            raise Busy(f"{name} is on; wait for it, stop it, or ask with if_busy = queue")
        if len(self._queue) >= LARGEST_QUEUE:
            raise Busy(f"{LARGEST_QUEUE} runs wait already")

    def _job_of(self, run_id: str, done: str) -> Job:
        job = self._job
        if job is not None and job.run.id == run_id:
            return job
        try:
            state = self.journal.run(run_id).state
        except KeyError:
            raise NoSuchRun(f"there is no run {run_id!r}") from None
        raise NotNow(f"run {run_id} is {state}; only a run that is on can be {done}")

    def _longest_quiet_s(self) -> float:
        longest = max(item.exposure_s for item in self.config.filters) + self.config.camera.allowance_s
        return longest + 3600.0

    def _work(self) -> None:
        """Take up one run after the other until the service closes."""
        self._concluder.finish_earlier()
        self._see_to_earlier()
        while not self._closing:
            self._beat_s = time.monotonic()
            run_id = self._next()
            if run_id is None:
                self._wake.wait(_IDLE_BEAT_S)
                self._wake.clear()
                continue
            with structlog.contextvars.bound_contextvars(run=run_id):
                self._carry(run_id)
        self._worker.close()
        self.bench.close()

    def _see_to_earlier(self) -> None:
        """Leave the rig right after a run whose end the service did not outlive, or tell people to."""
        run = not_left_right(self.journal)
        if run is None or self._closing:
            return
        if not may_be_seen_to(run, self.config.service, simulated=self.bench.simulated):
            self._carrier.tell_unseen(run)
            return
        job = Job(run, People(self.config, self.live), threading.Event(), time.monotonic())
        with self._mutex:
            self._job = job
        self._show(run, "Seeing to the mask and the focuser, after an earlier run")
        try:
            self._carrier.leave_right_late(job)
        except (DeviceError, WorkerError, JournalError, OSError) as error:
            log.error("not_left_right", run=run.id, error=str(error))
            self._carrier.tell_unseen(run)
        finally:
            self._put_away(job)

    def _show(self, run: RunRecord, sentence: str) -> None:
        self.live.update(
            state="running",
            run_id=run.id,
            routine=run.routine,
            step=0,
            observations=0,
            fraction=0.0,
            sentence=sentence,
            shut=(),
            gates=(),
            holds=(),
        )

    def _next(self) -> str | None:
        with self._mutex:
            if not self._queue:
                return None
            run = self.journal.run(self._queue.popleft())
            people = People(self.config, self.live)
            self._job = Job(run, people, threading.Event(), time.monotonic())
            fresh = run.state == "queued"
            self._show(run, "Opening the devices" if fresh else "Taking the run up again")
            return run.id

    def _carry(self, run_id: str) -> None:
        """Carry one run, whatever happens, and leave nothing moving and nothing open."""
        job = self._job
        assert job is not None
        log.info("run_begins", routine=job.run.routine, origin=job.run.origin)
        try:
            end = self._carrier.perform(job)
            self.live.update(state="running", sentence="Computing profile and report")
            self._concluder.conclude(end, job.run.routine, job.stop)
            keep_frames(self.config, self.state, run_id, end.ledger.observations, self._worker)
        except RunStopped as error:
            self._left_or_stopped(job, str(error))
        except (DeviceError, JournalDisagrees, WorkerError, HookFailed, JournalError, OSError) as error:
            self._failed_told(job, error)
        except Exception as error:
            log.exception("run_failed_unexpectedly")
            self._failed_told(job, error)
        finally:
            self._put_away(job)
            self._tell_over(run_id)

    def _put_away(self, job: Job) -> None:
        """Run the hook that ends every run, let go of the bench, and be idle."""
        self._carrier.see_to_after(job)
        self._rest()
        with self._mutex:
            self._job = None
        self.live.update(state="idle", shut=(), sentence="")

    def _rest(self) -> None:
        """Give the bench back to what uses it between runs, now that the results are written."""
        if self._closing:
            return
        try:
            self.bench.rested()
        except Exception:
            log.exception("bench_not_rested")

    def _tell_over(self, run_id: str) -> None:
        run = self.journal.run(run_id)
        if run.state in ("running", "holding", "queued"):
            log.info("run_left", why="it can be taken up again")
            return
        log.info("run_over", state=run.state, result=run.result)
        self.live.tell("over", run=run_id, state=run.state, result=run.result or {})

    def _left_or_stopped(self, job: Job, words: str) -> None:
        """After a stop that is no result: leave the run for the next life of the service, or end it."""
        if not self._closing:
            self._end(job.run.id, "stopped", "stopped", words)

    def _failed_told(self, job: Job, error: Exception) -> None:
        """Record a failure; where the disk does not take even that, the run waits to be taken up again."""
        try:
            self._failed(job, error)
        except JournalError as unwritten:
            log.error("run_interrupted", error=str(error), unwritten=str(unwritten))
            with self._mutex:
                if job.run.id not in self._waiting:
                    self._waiting.append(job.run.id)

    def _failed(self, job: Job, error: Exception) -> None:
        """A run that never began has failed; one that was under way can be taken up again."""
        run = self.journal.run(job.run.id)
        if self._closing:
            return
        if job.stop.is_set() and run.state in ("queued", "running", "holding"):
            self._end(run.id, "stopped", "stopped", str(error))
        elif run.state == "queued" or not isinstance(error, DeviceError | JournalUnwritable):
            code = getattr(error, "code", type(error).__name__)
            log.error("run_failed", code=code, error=str(error))
            if run.state in ("queued", "running", "holding"):
                self._end(run.id, "failed", code, str(error))
            else:
                self.journal.add_to_result(run.id, {"conclusion": str(error)})
        else:
            log.error("run_interrupted", error=str(error))
            self.journal.forgive_start(run.id)
            self.live.tell("interrupted", run=run.id, message=str(error))
            with self._mutex:
                self._waiting.append(run.id)

    def _end(self, run_id: str, state: Literal["stopped", "failed"], code: str, message: str) -> None:
        result: dict[str, Any] = {"outcome": state, "code": code, "message": message}
        self.journal.end_run(run_id, state, result, datetime.now(UTC))
