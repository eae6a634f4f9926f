"""Replay a recorded wire session: the trace that an error message or `drawtube try` shows, as a device.

Record one, put its lines into a test, and the program must send the same bytes again, to the last one; it is
answered as the real device answered.
"""

from __future__ import annotations

import os
import re
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

_LINE = re.compile(r"^\s*[-+]?[\d.]+ s ([<>]) ((?:[0-9a-f]{2} ?)+)(?:  \||$)", re.M)


@dataclass
class Turn:
    """What the program sent, and what was heard after it."""

    sent: bytes
    heard: bytes = b""


def turns_of(trace: str) -> list[Turn]:
    """Return the turns of a trace as it is shown; ValueError when it holds none, or was cut short."""
    turns: list[Turn] = []
    for direction, digits in _LINE.findall(trace):
        data = bytes.fromhex(digits)
        if direction == ">":
            turns.append(Turn(data))
        elif turns:
            turns[-1].heard += data
    if not turns or " ..." in trace:
        raise ValueError("no whole session: each line is an age, > or <, and the bytes in hex")
    return turns


@dataclass
class Replay:
    """A session being replayed on a pseudo-terminal."""

    path: str
    left: list[Turn]
    complaints: list[str] = field(default_factory=list)


@contextmanager
def replayed(trace: str) -> Iterator[Replay]:
    """Yield a port that answers as recorded; fails at the end when the program went another way."""
    near, far = os.openpty()
    tty.setraw(far)
    replay = Replay(os.ttyname(far), turns_of(trace))
    wake, waker = os.pipe()
    thread = threading.Thread(target=_serve, args=(replay, near, wake))
    thread.start()
    try:
        yield replay
    finally:
        os.write(waker, b".")
        thread.join()
        for handle in (near, far, wake, waker):
            os.close(handle)
    assert not replay.complaints, replay.complaints[0]
    assert not replay.left, f"the recording goes on: {len(replay.left)} turns, next {replay.left[0].sent!r}"


def _serve(replay: Replay, near: int, wake: int) -> None:
    heard = b""
    while True:
        ready, _, _ = select.select([near, wake], [], [])
        if wake in ready:
            return
        heard += os.read(near, 4096)
        while replay.left and heard.startswith(replay.left[0].sent):
            turn = replay.left.pop(0)
            heard = heard[len(turn.sent) :]
            os.write(near, turn.heard)
        wanted = replay.left[0].sent if replay.left else b""
        if heard and not wanted.startswith(heard):
            expected = repr(wanted) if wanted else "nothing more"
            replay.complaints.append(f"the program sent {heard!r} where the recording has {expected}")
            heard = b""
