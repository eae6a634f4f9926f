"""Learning the mask beside the measuring: a lesson takes many seconds, and no look should wait for it.

A lesson is computed by a forked child of the worker and taken up a fixed number of frames later, whenever it
was ready: what a frame is measured with hangs on the frames alone, so that a resumed run sees what the first
one saw.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import pickle
import signal
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from routines.measure.learning import Learnt

FRAMES_UNTIL_TAKEN = 5
"""How many frames after its beginning a lesson is taken up."""

Learn = Callable[[], "Learnt | None"]
_PR_SET_PDEATHSIG = 1
_NICER = 5
_OWN_FILES = 3
_MOST_FILES = 1024


class Lesson:
    """One lesson in a child process; ask for its ``result`` once, or ``drop`` it."""

    def __init__(self, learn: Learn) -> None:
        self._learn = learn
        self._heard, told = os.pipe()
        self._child = os.fork()
        if self._child == 0:
            _teach(learn, told)
        os.close(told)

    def result(self) -> Learnt | None:
        """Wait for what was learnt; learnt here after all where the child has died."""
        with os.fdopen(self._heard, "rb") as stream:
            told = stream.read()
        os.waitpid(self._child, 0)
        if not told:
            return self._learn()
        found: Learnt | None = pickle.loads(told)  # our own child's words
        return found

    def drop(self) -> None:
        """End the child: nobody will ask for its result."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._child, signal.SIGKILL)
        os.waitpid(self._child, 0)
        os.close(self._heard)


def _teach(learn: Learn, told: int) -> None:
    """Learn, tell, and end; a parent that dies takes its child with it, and the child keeps no line open."""
    code = 1
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        os.nice(_NICER)
        os.closerange(_OWN_FILES, told)
        os.closerange(told + 1, _MOST_FILES)
        with os.fdopen(told, "wb") as stream:
            stream.write(pickle.dumps(learn()))
        code = 0
    finally:
        os._exit(code)
