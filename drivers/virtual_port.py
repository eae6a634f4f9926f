"""A serial port that this program offers to others: a pseudo-terminal under a stable name, or a TCP port."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import tty
from pathlib import Path
from typing import Protocol

from drivers.errors import PortUnavailable

_CHUNK = 4096


class VirtualPort(Protocol):
    """What stands behind an offered port."""

    address: str

    def wait(self, seconds: float) -> bytes:
        """Return what a client has sent, nothing after so long without any."""
        ...

    def write(self, data: bytes) -> None:
        """Send bytes to the client; what nobody takes is lost, as on a wire."""
        ...

    def close(self) -> None:
        """Take the port away."""
        ...


class PtyPort:
    """A pseudo-terminal with a link to it, which stays the same from one start to the next."""

    def __init__(self, link: Path) -> None:
        self.address = str(link)
        self._link = link
        if link.exists() and not link.is_symlink():
            raise PortUnavailable(f"{link}: something else is there; choose another name for the port")
        self._near, self._far = os.openpty()
        # The far end stays open here too: a client that leaves must not end the line.
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        try:
            self._point_link()
        except OSError as error:
            self._close_ends()
            raise PortUnavailable(f"{link}: the port's name cannot be made ({error.strerror})") from error

    def wait(self, seconds: float) -> bytes:
        """Return what a client has sent, nothing after so long without any."""
        ready, _, _ = select.select([self._near], [], [], seconds)
        return os.read(self._near, _CHUNK) if ready else b""

    def write(self, data: bytes) -> None:
        """Send bytes to the client; what nobody takes is lost."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._near, data)

    def close(self) -> None:
        """Take the port and its name away."""
        with contextlib.suppress(OSError):
            if self._link.is_symlink() and self._link.readlink() == Path(os.ttyname(self._far)):
                self._link.unlink()
        self._close_ends()

    def _point_link(self) -> None:
        spare = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        spare.unlink(missing_ok=True)
        spare.symlink_to(os.ttyname(self._far))
        spare.replace(self._link)

    def _close_ends(self) -> None:
        os.close(self._near)
        os.close(self._far)


class TcpPort:
    """A TCP port for one client at a time; a second one is turned away."""

    def __init__(self, host: str, port: int) -> None:
        try:
            self._listener = socket.create_server((host, port))
        except OSError as error:
            raise PortUnavailable(f"{host}:{port}: cannot listen there ({error.strerror})") from error
        self._listener.setblocking(False)
        self.address = f"socket://{host}:{self._listener.getsockname()[1]}"
        self._client: socket.socket | None = None

    def wait(self, seconds: float) -> bytes:
        """Return what the client has sent, nothing after so long without any."""
        watched = [self._listener] + ([self._client] if self._client else [])
        ready, _, _ = select.select(watched, [], [], seconds)
        if self._listener in ready:
            self._accept()
        if self._client is None or self._client not in ready:
            return b""
        try:
            data = self._client.recv(_CHUNK)
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Send bytes to the client; what nobody takes is lost."""
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.sendall(data)

    def close(self) -> None:
        """Hang up and listen no more."""
        self._hang_up()
        self._listener.close()

    def _accept(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        if self._client is not None:
            client.close()
            return
        client.settimeout(0.5)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = client

    def _hang_up(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()
