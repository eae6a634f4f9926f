"""The last bytes both ways on a line, kept in a ring and shown with every error."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from threading import Lock
from typing import Literal

SENT: Literal[">"] = ">"
HEARD: Literal["<"] = "<"


@dataclass(frozen=True, slots=True)
class Entry:
    """Some bytes in one direction, at a time on the monotonic clock."""

    at_s: float
    direction: Literal[">", "<"]
    data: bytes


class Trace:
    """A ring of the last entries; any thread may add to it and show it."""

    def __init__(self, entries: int = 200) -> None:
        self._ring: deque[Entry] = deque(maxlen=entries)
        self._lock = Lock()

    def add(self, at_s: float, direction: Literal[">", "<"], data: bytes) -> None:
        """Add bytes; those heard within 5 ms of the last ones in the same direction join them."""
        with self._lock:
            last = self._ring[-1] if self._ring else None
            if last and direction == HEARD and last.direction == direction and at_s - last.at_s < 0.005:
                self._ring[-1] = Entry(last.at_s, direction, last.data + data)
            else:
                self._ring.append(Entry(at_s, direction, data))

    def entries(self) -> list[Entry]:
        """Return a copy of what is kept, oldest first."""
        with self._lock:
            return list(self._ring)

    def show(self, now_s: float, last: int = 12) -> str:
        """Return the last entries as lines of text: age, direction, hex and printable characters."""
        lines = []
        for entry in self.entries()[-last:]:
            printable = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in entry.data)
            shown = entry.data[:64].hex(" ") + (" ..." if len(entry.data) > 64 else "")
            lines.append(f"  {entry.at_s - now_s:+8.3f} s {entry.direction} {shown}  |{printable[:64]}|")
        return "\n".join(lines) or "  (nothing was sent or heard)"
