"""Open a serial port by any URL that pyserial knows, and say in plain words why it does not open.

The ways in which a vanished cable shows itself differ from call to call (measured on a pty): ``read`` and
``write`` raise SerialException, ``in_waiting`` a bare OSError, ``flush`` a termios.error, and after
``close()`` a TypeError. They all end here as one LinkLost.
"""

from __future__ import annotations

import errno
import grp
import os
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import serial

from drivers.dialect import LineSettings
from drivers.errors import LinkLost, PortUnavailable

SLICE_S = 0.02
WRITE_WITHIN_S = 2.0  # pyserial counts the time in which a busy computer did not let it run, too
STABLE_NAMES = Path("/dev/serial/by-id")
_LOST = (serial.SerialException, OSError, termios.error, TypeError, AttributeError)
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


def open_port(url: str, settings: LineSettings) -> Any:
    """Open a port exclusively, with short reads and a write timeout; PortUnavailable says why not."""
    try:
        port = serial.serial_for_url(
            url,
            baudrate=settings.baud,
            bytesize=settings.data_bits,
            parity=_PARITY[settings.parity],
            stopbits=settings.stop_bits,
            timeout=SLICE_S,
            # pyserial's RFC 2217 client takes no write timeout; its socket gives up after 5 s by itself.
            write_timeout=None if url.startswith("rfc2217:") else WRITE_WITHIN_S,
            do_not_open=True,
        )
        if "://" not in url:
            port.exclusive = True
        if settings.dtr is not None:
            port.dtr = settings.dtr
        if settings.rts is not None:
            port.rts = settings.rts
        port.open()
    except (*_LOST, ValueError, NotImplementedError) as error:
        raise PortUnavailable(f"{url}: {_why_not(url, error)}") from error
    return port


@contextmanager
def as_link_lost(name: str, url: str) -> Iterator[None]:
    """Turn every way in which a cable can vanish into one LinkLost."""
    try:
        yield
    except serial.SerialTimeoutException as error:
        raise LinkLost(
            f"{name} on {url}: the device takes no bytes (nothing was accepted for {WRITE_WITHIN_S:g} s); "
            "is it switched on, and does the flow control match?"
        ) from error
    except _LOST as error:
        raise LinkLost(
            f"{name} on {url}: the line is gone ({type(error).__name__}: {error}); check cable and power"
        ) from error


def stable_name(url: str) -> str | None:
    """Return the name under /dev/serial/by-id that leads to the same device, which survives replugging."""
    if "://" in url or not STABLE_NAMES.is_dir():
        return None
    real = Path(url).resolve()
    names = (str(link) for link in sorted(STABLE_NAMES.iterdir()) if link.resolve() == real)
    return next((name for name in names if name != url), None)


def existing_ports() -> list[str]:
    """Return the serial ports of this machine, stable names where there are any."""
    from serial.tools import list_ports

    return sorted(stable_name(port.device) or port.device for port in list_ports.comports())


def _why_not(url: str, error: BaseException) -> str:
    """Return the reason, in plain words, and what to do."""
    number = getattr(error, "errno", None)
    if "://" in url:
        return f"cannot be reached ({error}); is the host on, and the port number right?"
    path = Path(url)
    if not path.exists():
        there = ", ".join(existing_ports()) or "none"
        return (
            f"does not exist; ports here: {there}. Is the cable in? Names under {STABLE_NAMES} stay the same"
        )
    if number == errno.EACCES or not os.access(path, os.R_OK | os.W_OK):
        return f"no permission; {_permission_advice(path)}"
    if number in (errno.EAGAIN, errno.EBUSY) or "lock" in str(error):
        return f"another program holds it{_holders(path)}; close that program first"
    return f"does not open ({error})"


def _permission_advice(path: Path) -> str:
    try:
        group = grp.getgrgid(path.stat().st_gid).gr_name
    except (OSError, KeyError):
        return "see who owns it with: ls -l " + str(path)
    return f"it belongs to the group {group!r}: run 'sudo usermod -aG {group} $USER', then log in again"


def _holders(path: Path) -> str:
    """Return " (name, process 123)" of processes that have the port open, as far as /proc shows them."""
    real, found = str(path.resolve()), []
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        try:
            if any(str(fd.readlink()) == real for fd in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()}, process {process.name}")
        except OSError:
            continue
    return f" ({'; '.join(found)})" if found else ""
