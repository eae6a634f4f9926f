"""The life of the service: from a config and a state folder to a server that answers, and to a clean end.

At SIGTERM or Ctrl-C the devices are halted first, in the signal handler itself; then the event streams end,
then the server stops, and the run that was on stays in the journal to be taken up again. A new config
(`daemon.service.reloading`) means another life in the same process, under the same lock.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from socket import socket
from types import FrameType
from typing import TYPE_CHECKING, Any

import structlog
import uvicorn

from daemon.api import make_app
from daemon.clock import RealClock
from daemon.config import MOVING, Config, ConfigErrors, load_config, require
from daemon.config.descriptions import check_descriptions
from daemon.config.occasions import parsed_address
from daemon.guard import is_loopback, rules_for
from daemon.journal import Journal
from daemon.live import Live
from daemon.schedule import Scheduler
from daemon.service import lock, logs
from daemon.service.bench import bench_for
from daemon.service.engine import Engine
from daemon.service.hooks import runs_commands, why_unsafe
from daemon.service.notify import notify, watchdog_every_s
from daemon.service.port_host import PortBench
from daemon.service.reloading import Reloading, Unfit, at_hang_up
from daemon.service.views import Views

if TYPE_CHECKING:
    from daemon.events import EventHub

GRACE_S = 1
_HALT_WITHIN_S = 1.2
_TOKEN_VARIABLE = "DRAWTUBE_TOKEN"
_SHORTEST_TOKEN = 16
log = structlog.get_logger(__name__)


class CannotServe(Exception):
    """The service cannot start like this; the message says what to change."""


@dataclass(frozen=True, slots=True)
class ServeOptions:
    """What the command line says; None leaves it to the config."""

    listen: str | None = None
    speed: float | None = None


@dataclass(frozen=True, slots=True)
class _Terms:
    """What a config asks of the process: where to listen, and the token that a client needs."""

    host: str
    port: int
    token: str | None


def serve(config: Config, state: Path, options: ServeOptions) -> None:
    """Serve until told to end.

    Raises CannotServe, ConfigErrors, `lock.AlreadyRunning` or a JournalError before anything listens.
    """
    terms = _terms(config, options)
    state.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as stack:
        stack.callback(lock.hold(state).close)
        logs.set_up(state / "log")
        stack.enter_context(at_hang_up(lambda: None))
        following: Config | None = config
        while following is not None:
            following = _live(following, terms, state, options)
            if following is not None:
                terms = _terms(following, options)


def _terms(config: Config, options: ServeOptions) -> _Terms:
    """Return what this config asks for; `CannotServe` or `ConfigErrors` where nobody could serve with it."""
    if config.camera.kind != "simulated":
        require(config, MOVING)
    unsafe = why_unsafe(config.file) if config.file is not None and runs_commands(config) else None
    if unsafe is not None:
        raise CannotServe(unsafe)
    host, port = _address(options.listen or config.service.listen)
    return _Terms(host, port, _token(config, host))


def _read_again(file: Path, options: ServeOptions) -> Config:
    """Return the config that stands in the file now; `Unfit` where nobody could serve with it."""
    try:
        config = load_config(file)
        check_descriptions(config)
        _terms(config, options)
    except (ConfigErrors, CannotServe) as error:
        raise Unfit(f"the old config stays in force: {error}") from error
    return config


def _live(config: Config, terms: _Terms, state: Path, options: ServeOptions) -> Config | None:
    """Serve with one config, to the end; returns the config to go on with, if one was asked for."""
    with contextlib.ExitStack() as stack:
        journal = Journal.open(state / "journal.sqlite3")
        stack.callback(journal.close)
        bench = bench_for(config, state, options.speed)
        lender = PortBench(bench, config, state) if config.port is not None else None
        engine = Engine(config, state, journal, lender or bench, Live())
        reloading = Reloading(config, engine, lambda file: _read_again(file, options))
        scheduler = _scheduler(config, engine, state)
        rules = rules_for(terms.host, config.service.hosts, terms.token)
        app, hub = make_app(engine, Views(engine, scheduler), rules, reloading)
        server = _Server(_settings(app, terms.host, terms.port), engine, hub)
        reloading.then = server.end_soon
        stack.enter_context(at_hang_up(reloading.from_signal))
        engine.start()
        if lender is not None:
            lender.offer()
        try:
            with _looking(scheduler):
                server.run()
        finally:
            notify(*reloading.ending_words())
            _end(engine)
        return reloading.following


def _scheduler(config: Config, engine: Engine, state: Path) -> Scheduler | None:
    if not config.schedules:
        return None
    return Scheduler(config, engine, RealClock(), state / "schedule.json", engine.bench.temperature_c)


@contextlib.contextmanager
def _looking(scheduler: Scheduler | None) -> Iterator[None]:
    if scheduler is None:
        yield
        return
    stop = threading.Event()
    thread = threading.Thread(target=scheduler.run, args=(stop,), name="schedule", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(0.2)


def _end(engine: Engine) -> None:
    """Wait for the run's thread; one that hangs in a library must not keep the process from its end."""
    if engine.close(_HALT_WITHIN_S):
        log.info("service_ended")
        return
    log.error("service_ended_by_force", why="the thread that carries runs did not end in time")
    os._exit(1)


def _address(text: str) -> tuple[str, int]:
    try:
        return parsed_address(text)
    except ValueError as error:
        raise CannotServe(f"--listen {text}: {error}") from None


def _token(config: Config, host: str) -> str | None:
    """Return the token, from the environment or a file that only its owner reads; needed beyond loopback."""
    token = os.environ.get(_TOKEN_VARIABLE) or _token_in_file(config)
    if token is None and not is_loopback(host):
        raise CannotServe(
            f"{host} can be reached from other machines, so a token is needed: set {_TOKEN_VARIABLE}, or "
            "[service] token_file to a file of yours that only you can read (chmod 600). Or listen on "
            "127.0.0.1."
        )
    if token is not None and (len(token) < _SHORTEST_TOKEN or not token.isascii() or not token.isprintable()):
        raise CannotServe(
            f"the token must have at least {_SHORTEST_TOKEN} printable ASCII characters, for example from: "
            "python3 -c 'import secrets; print(secrets.token_urlsafe())'"
        )
    return token


def _token_in_file(config: Config) -> str | None:
    name = config.service.token_file
    if name is None:
        return None
    path = config.resolve(name)
    try:
        status, token = path.stat(), path.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise CannotServe(f"the token file {path} cannot be read: {error}") from None
    if status.st_mode & 0o077:
        raise CannotServe(f"the token file {path} can be read by others: chmod 600 {path}")
    return token


def _settings(app: Callable[..., Any], host: str, port: int) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        host=host,
        port=port,
        log_config=None,
        access_log=False,
        ws="none",
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
        timeout_keep_alive=5,
        limit_concurrency=100,
    )


class _Server(uvicorn.Server):
    """uvicorn, with the devices halted before anything else when a signal comes."""

    def __init__(self, config: uvicorn.Config, engine: Engine, hub: EventHub) -> None:
        super().__init__(config)
        self._engine = engine
        self._hub = hub
        self._loop: asyncio.AbstractEventLoop | None = None

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Halt what moves, then let the streams and the server end."""
        self._engine.halt()
        log.info("told_to_end", signal=signal.Signals(sig).name)
        self.end_soon()

    def end_soon(self) -> None:
        """Let the streams end, and then the server; from any thread and from a signal handler."""
        self._hub.close_soon()
        if self._loop is not None:
            self._loop.call_soon_threadsafe(lambda: None)
        self.should_exit = True

    async def startup(self, sockets: list[socket] | None = None) -> None:
        """Listen, and say that the service is ready."""
        self._loop = asyncio.get_running_loop()
        await super().startup(sockets)
        if self.should_exit:
            return
        place = self._place()
        log.info("ready", url=place, state=str(self._engine.state), simulated=self._engine.bench.simulated)
        notify("READY=1", f"STATUS=listening on {place}")
        self._feeding = asyncio.ensure_future(self._feed_watchdog())

    def _place(self) -> str:
        """Return the URL to talk to; a port of 0 has become a real one."""
        for server in self.servers:
            for listening in server.sockets:
                address = listening.getsockname()
                host = f"[{address[0]}]" if ":" in address[0] else address[0]
                return f"http://{host}:{address[1]}"
        return ""

    async def _feed_watchdog(self) -> None:
        """Tell the service manager that loop and conductor both live."""
        every_s = watchdog_every_s()
        told = time.monotonic()
        while every_s is not None and not self.should_exit:
            await asyncio.sleep(min(every_s, 1.0))
            if time.monotonic() - told >= every_s and self._engine.alive:
                told = time.monotonic()
                notify("WATCHDOG=1")
