"""A port across the network by RFC 2217 (Telnet Com Port Control Option), against pyserial's own server.

The server's serial port is a loopback of ours with a focuser of a few words behind it.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest
from serial import rfc2217
from serial.urlhandler import protocol_loop

from drivers import description
from drivers.errors import LinkLost, PortUnavailable
from drivers.line import Line

WORDS = description.load("focuser_words")
SETTINGS = replace(WORDS.line, reply_within_s=2.0)

# pyserial 3.5 names its reader thread the old way, which Python has deprecated since 3.10.
pytestmark = pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated")


class FocuserPort(protocol_loop.Serial):
    """A serial port whose far end answers "where"; it notes how the client set it up."""

    def write(self, data: bytes) -> int:
        for _ in range(bytes(data).count(b"\n")):
            super().write(b"at 4711\r\n")
        return len(data)


class Server:
    """Serves one client at a time, as pyserial's example server does."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self.listener.getsockname()[1]}"
        self.port = FocuserPort("loop://", timeout=0.02)
        self.connection: socket.socket | None = None
        self.thread = threading.Thread(target=self.serve)
        self.thread.start()

    def write(self, data: bytes) -> None:
        assert self.connection is not None
        self.connection.sendall(data)

    def serve(self) -> None:
        self.connection, _ = self.listener.accept()
        manager = rfc2217.PortManager(self.port, self)
        stop = threading.Event()

        def from_port() -> None:
            while not stop.is_set():
                data = self.port.read(self.port.in_waiting or 1)
                if data:
                    with contextlib.suppress(OSError):
                        self.write(b"".join(manager.escape(data)))

        reader = threading.Thread(target=from_port)
        reader.start()
        with contextlib.suppress(OSError):
            while data := self.connection.recv(1024):
                self.port.write(b"".join(manager.filter(data)))
        stop.set()
        reader.join()
        self.connection.close()

    def hang_up(self) -> None:
        assert self.connection is not None
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)
        self.thread.join(5)

    def close(self) -> None:
        self.hang_up()
        self.listener.close()
        self.port.close()


@pytest.fixture
def server() -> Iterator[Server]:
    running = Server()
    try:
        yield running
    finally:
        running.close()


def ask(line: Line) -> object:
    return line.exchange(WORDS.encode("position"), lambda body: WORDS.decode("position", body)["position"])


def test_requests_go_through_and_the_speed_is_set_at_the_far_end(server: Server) -> None:
    line = Line(server.url, WORDS.framing, SETTINGS, announce=WORDS.announcement)
    line.open()
    try:
        assert ask(line) == 4711
        assert server.port.baudrate == WORDS.line.baud == 19200
    finally:
        line.close()


def test_a_server_that_hangs_up_is_a_lost_link_and_then_out_of_reach(server: Server) -> None:
    line = Line(server.url, WORDS.framing, SETTINGS, announce=WORDS.announcement)
    line.open()
    try:
        assert ask(line) == 4711
        server.hang_up()
        with pytest.raises(LinkLost):
            ask(line)
            ask(line)
        server.listener.close()
        with pytest.raises(PortUnavailable, match="cannot be reached"):
            line.open()
    finally:
        line.close()
