"""The rig's own process: two pseudo-terminals, a control socket, virtual time, and a camera behind it.

One loop owns the world; frames are rendered on one thread beside it, so that the controllers answer while
time stands still. Requests and replies on the socket are JSON objects, one a line.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import socket
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from drivers.frames import write_frame
from drivers.safe_write import write_safely
from drivers.simulated.camera_room import CameraRoom
from drivers.simulated.clockwork import Clockwork, Waiter
from drivers.simulated.faults import FaultBoard
from drivers.simulated.firmware import Firmware, Terminal
from drivers.simulated.frames_firmware import FramesFocuser, FramesReader, FramesWheel
from drivers.simulated.parameters import Rig
from drivers.simulated.surrogate import surrogate_look
from drivers.simulated.words_firmware import WordsFocuser, WordsReader, WordsWheel
from drivers.simulated.world import Shot, World

Protocol = Literal["words", "frames"]
LONGEST_REQUEST = 65_536
_PARENT_CHECK_S = 0.5


@dataclass(slots=True, eq=False)
class _Client:
    """One connection to the control socket, with the exposure it waits for."""

    connection: socket.socket
    heard: bytes = b""
    waiter: Waiter | None = None
    abort: Callable[[], None] | None = None


class RigProcess:
    """Everything of one rig that runs; ``run`` returns when it is told to quit or its owner is gone."""

    def __init__(
        self, rig: Rig, folder: Path, *, speed: float, protocol: Protocol, keep: bool, peek: bool = False
    ) -> None:
        self.rig, self.folder, self.keep, self.peek = rig, folder, keep, peek
        self.protocol = protocol
        self.world = World(rig)
        self.clockwork = Clockwork(self.world, speed)
        self.room = CameraRoom(rig)
        self.firmware = self._built_firmware(protocol)
        self.faults = FaultBoard(self.world, self.firmware)
        self._selector = selectors.DefaultSelector()
        self._renderer = ThreadPoolExecutor(1, thread_name_prefix="render")
        self._rendered: list[tuple[_Client, Future[dict[str, Any]]]] = []
        self._wake_read, self._wake_write = os.pipe()
        self._clients: set[_Client] = set()
        self._quitting = False
        self._parent = os.getppid()

    def run(self) -> None:
        """Serve until told to quit, stdin ends, or the parent is gone."""
        self.folder.mkdir(parents=True, exist_ok=True)
        listener = self._listening()
        self._selector.register(self._wake_read, selectors.EVENT_READ, self._woken)
        if not self.keep:
            self._selector.register(sys.stdin.fileno(), selectors.EVENT_READ, self._stdin)
        for firmware in self.firmware.values():
            firmware.terminal.plug_in()
            self._watch(firmware)
        self._tell_ready()
        try:
            self._loop()
        finally:
            self._close(listener)

    def _loop(self) -> None:
        checked = time.monotonic()
        while not self._quitting:
            for key, _ in self._selector.select(self._patience()):
                key.data()
            for firmware in self.firmware.values():
                firmware.flush()
            self.clockwork.run()
            if not self.keep and time.monotonic() - checked > _PARENT_CHECK_S:
                checked = time.monotonic()
                self._quitting = self._quitting or os.getppid() != self._parent

    def _patience(self) -> float:
        """Return how long the loop may sleep (s, real)."""
        if self.clockwork.running:
            return self.clockwork.patience_s()
        dues = [firmware.next_due_s for firmware in self.firmware.values()]
        soonest = min((due for due in dues if due is not None), default=None)
        if soonest is None:
            return _PARENT_CHECK_S
        return min(_PARENT_CHECK_S, max(0.0, soonest - time.monotonic()))

    def _built_firmware(self, protocol: Protocol) -> dict[str, Firmware]:
        world, built = self.world, {}
        focuser = WordsReader(WordsFocuser(world.focuser)) if protocol == "words" else None
        wheel = WordsReader(WordsWheel(world.wheel)) if protocol == "words" else None
        readers = {
            "focuser": (focuser or FramesReader(FramesFocuser(world.focuser)), world.focuser.reset),
            "wheel": (wheel or FramesReader(FramesWheel(world.wheel)), world.wheel.reset),
        }
        for index, (name, (reader, reset)) in enumerate(readers.items()):
            rng = np.random.default_rng([self.rig.seed, 55, index])
            built[name] = Firmware(name, reader, Terminal(self.folder / name), reset, rng)
        return built

    def _watch(self, firmware: Firmware) -> None:
        self._selector.register(firmware.terminal.near, selectors.EVENT_READ, firmware.heard)

    def _listening(self) -> socket.socket:
        path = self.folder / "control"
        path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        # A socket's path is short by the system's rule, so a descriptor stands for its folder.
        folder = os.open(self.folder, os.O_RDONLY)
        try:
            listener.bind(f"/proc/self/fd/{folder}/{path.name}")
        finally:
            os.close(folder)
        listener.listen(16)
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ, lambda: self._accept(listener))
        return listener

    def _tell_ready(self) -> None:
        names = [glass.band.name for glass in self.rig.filters]
        ready = {
            "rig": self.rig.name,
            "seed": self.rig.seed,
            "protocol": self.protocol,
            "pid": os.getpid(),
            "focuser": str(self.folder / "focuser"),
            "wheel": str(self.folder / "wheel"),
            "control": str(self.folder / "control"),
            "filters": names,
            "first_slot": 1 if self.protocol == "words" else 0,
        }
        write_safely(self.folder / "ready.json", json.dumps(ready, indent=2) + "\n")

    def _accept(self, listener: socket.socket) -> None:
        connection, _ = listener.accept()
        connection.setblocking(False)
        client = _Client(connection)
        self._clients.add(client)
        self._selector.register(connection, selectors.EVENT_READ, lambda: self._hear(client))

    def _hear(self, client: _Client) -> None:
        try:
            data = client.connection.recv(65_536)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            data = b""
        if not data or len(client.heard) > LONGEST_REQUEST:
            self._forget(client)
            return
        client.heard += data
        while b"\n" in client.heard:
            line, client.heard = client.heard.split(b"\n", 1)
            self._answer(client, line)

    def _forget(self, client: _Client) -> None:
        """Let go of a connection; an exposure that it waited for is dropped with it."""
        if client.abort is not None:
            client.abort()
        self._selector.unregister(client.connection)
        client.connection.close()
        self._clients.discard(client)

    def _answer(self, client: _Client, line: bytes) -> None:
        try:
            request = json.loads(line)
            handler = self._handlers()[request["op"]]
            handler(client, request)
        except (ValueError, KeyError, TypeError) as error:
            self._reply(client, {"ok": False, "error": f"{type(error).__name__}: {error}"})

    def _handlers(self) -> dict[str, Callable[[_Client, dict[str, Any]], None]]:
        return {
            "now": lambda client, request: self._reply(client, {"ok": True}),
            "sleep": self._sleep,
            "expose": self._expose,
            "abort": self._abort,
            "mask": self._mask,
            "fault": self._fault,
            "peek": self._peek,
            "quit": self._quit,
        }

    def _reply(self, client: _Client, answer: dict[str, Any]) -> None:
        """Answer with the time beside it."""
        answer["time_s"] = self.world.time_s
        answer["unix_s"] = self.rig.night_begins_unix_s + self.world.time_s
        with contextlib.suppress(OSError):
            client.connection.sendall(json.dumps(answer).encode() + b"\n")

    def _sleep(self, client: _Client, request: dict[str, Any]) -> None:
        until = self.world.time_s + max(0.0, float(request["seconds"]))
        waiter = Waiter(iter([until]), lambda: self._reply(client, {"ok": True}))
        self.clockwork.add(waiter)

    def _expose(self, client: _Client, request: dict[str, Any]) -> None:
        """Open the shutter, let the exposure and the readout pass, then render."""
        exposure_s = float(request["exposure_s"])
        if not 0.0 < exposure_s <= 86_400.0:
            raise ValueError(f"exposure_s {exposure_s} is not between 0 and 86400 s")
        number = int(request["number"])
        name = request.get("filter")
        began_s = self.world.time_s
        shot = self.world.shot(number, exposure_s, name, began_s)

        def moments() -> Iterator[float]:
            for moment in shot.moments():
                yield moment
                shot.note()
            yield began_s + exposure_s + self.rig.readout_s

        def finished() -> None:
            client.abort = client.waiter = None
            self._develop(client, shot.close(), request)

        waiter = Waiter(moments(), finished)
        client.waiter = waiter
        client.abort = lambda: self._drop(client, waiter)
        self.clockwork.add(waiter)

    def _drop(self, client: _Client, waiter: Waiter) -> None:
        client.abort = client.waiter = None
        if self.clockwork.drop(waiter):
            self._reply(client, {"ok": False, "error": "aborted"})

    def _abort(self, client: _Client, request: dict[str, Any]) -> None:
        """Stop every exposure in progress; whoever waits for it is told."""
        for other in list(self._clients):
            if other.abort is not None:
                other.abort()
        self._reply(client, {"ok": True})

    def _develop(self, client: _Client, shot: Shot, request: dict[str, Any]) -> None:
        """Make the frame on the other thread while time stands still, or draw the surrogate's number."""
        closed_s = time.monotonic()
        if request.get("surrogate"):
            look = surrogate_look(self.rig, shot, self.room.rng(shot))
            drawing_s = time.monotonic() - closed_s
            self._reply(client, {"ok": True, "began_s": shot.began_s, "drawing_s": drawing_s, **look})
            return
        self.clockwork.holds += 1
        path = Path(request["path"])

        closed_s = time.monotonic()

        def job() -> dict[str, Any]:
            write_frame(path, self.room.frame(shot), self.room.header(shot) | request.get("words", {}))
            drawing_s = time.monotonic() - closed_s
            return {"ok": True, "path": str(path), "began_s": shot.began_s, "drawing_s": drawing_s}

        future = self._renderer.submit(job)
        self._rendered.append((client, future))
        future.add_done_callback(lambda _: os.write(self._wake_write, b"."))

    def _woken(self) -> None:
        """Answer for every frame that is finished."""
        os.read(self._wake_read, 4096)
        for client, future in [item for item in self._rendered if item[1].done()]:
            self._rendered.remove((client, future))
            self.clockwork.holds -= 1
            error = future.exception()
            failed = {"ok": False, "error": f"the frame could not be made: {error!r}"}
            self._reply(client, failed if error is not None else future.result())

    def _mask(self, client: _Client, request: dict[str, Any]) -> None:
        """Put the mask on or take it off; ``turned_deg`` is how far from its first fitting it sits."""
        self.world.mask_on = bool(request["on"])
        self.world.mask_turned_deg = float(request.get("turned_deg", self.world.mask_turned_deg))
        self._reply(client, {"ok": True, "on": self.world.mask_on})

    def _fault(self, client: _Client, request: dict[str, Any]) -> None:
        before = {name: firmware.terminal.near for name, firmware in self.firmware.items()}
        for name in before:
            if (
                request.get("kind") == "unplug"
                and request.get("device", "focuser") == name
                and before[name] >= 0
            ):
                self._selector.unregister(before[name])
        self.faults.set(request)
        for name, firmware in self.firmware.items():
            if firmware.terminal.near >= 0 and before[name] < 0:
                self._watch(firmware)
        self._reply(client, {"ok": True})

    def _peek(self, client: _Client, request: dict[str, Any]) -> None:
        """Tell where the drawtube really stands: only for a rig started with that allowed."""
        if not self.peek:
            raise ValueError("this rig was not started with --peek")
        world = self.world
        answer = {
            "ok": True,
            "place_steps": world.train.place_steps,
            "count": world.focuser.count,
            "turning": world.focuser.state,
            "slot": world.wheel.slot,
            "tube_c": self.rig.weather.tube_c(world.time_s),
        }
        self._reply(client, answer)

    def _quit(self, client: _Client, request: dict[str, Any]) -> None:
        self._reply(client, {"ok": True})
        self._quitting = True

    def _stdin(self) -> None:
        """Notice that whoever started the rig has gone."""
        if not os.read(sys.stdin.fileno(), 4096):
            self._quitting = True

    def _close(self, listener: socket.socket) -> None:
        self._renderer.shutdown(wait=True, cancel_futures=True)
        for client in list(self._clients):
            client.abort = None
            self._forget(client)
        for firmware in self.firmware.values():
            firmware.terminal.unplug()
        listener.close()
        self._selector.close()
        for handle in (self._wake_read, self._wake_write):
            os.close(handle)
        for name in ("control", "ready.json"):
            (self.folder / name).unlink(missing_ok=True)
