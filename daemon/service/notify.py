"""Words to the service manager over its datagram socket, as sd_notify(3) of systemd describes them.

A few lines of our own instead of a library: one datagram of VARIABLE=value lines to the socket that
NOTIFY_SOCKET names; a leading "@" stands for the abstract namespace.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


def notify(*lines: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Send lines such as "READY=1"; False when nobody listens, which is no error."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        try:
            sender.sendto("\n".join(lines).encode(), address)
        except OSError:
            return False
    return True


def watchdog_every_s(environment: Mapping[str, str] = os.environ) -> float | None:
    """Return how often the watchdog wants to be fed: half its limit, None when there is none.

    As sd_watchdog_enabled(3) has it: WATCHDOG_PID, where given, must be this process.
    """
    pid, microseconds = environment.get("WATCHDOG_PID"), environment.get("WATCHDOG_USEC", "")
    if pid is not None and pid != str(os.getpid()):
        return None
    return int(microseconds) / 2e6 if microseconds.isdigit() and int(microseconds) > 0 else None
