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
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from routines.measure.learning import Learnt
    from routines.measure.model import MaskedStar

FRAMES_UNTIL_TAKEN = 5
"""How many frames after its beginning a lesson is taken up."""

_PR_SET_PDEATHSIG = 1
_NICER = 5
_OWN_FILES = 3
_MOST_FILES = 1024

Result = TypeVar("Result")
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """What a lesson brings: what is known of the mask, and the stars made of it, by filter."""

    learnt: Learnt | None
    stars: Mapping[str, MaskedStar] = field(default_factory=dict)


class Lesson(Generic[Result]):
    """One lesson in a child process; ask for its ``result`` once, or ``drop`` it.

    The child gives way to others by ``nicer``. What it learns must not be None.
    """

    def __init__(self, learn: Callable[[], Result], nicer: int = _NICER) -> None:
        self._learn = learn
        self._heard, told = os.pipe()
        self._child = os.fork()
        if self._child == 0:
            _teach(learn, told, nicer)
        os.close(told)

    def result(self) -> Result:
        """Wait for what was learnt; learnt here after all where the child has died."""
        told: Result | None = None
        with os.fdopen(self._heard, "rb") as stream, contextlib.suppress(EOFError, pickle.UnpicklingError):
            told = pickle.load(stream)  # our own child's words
        os.waitpid(self._child, 0)
        return self._learn() if told is None else told

    def drop(self) -> None:
        """End the child: nobody will ask for its result."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._child, signal.SIGKILL)
        os.waitpid(self._child, 0)
        os.close(self._heard)


def side_by_side(function: Callable[[Value], Result], values: Sequence[Value]) -> list[Result]:
    """Call a function with each value and return what came: the last one here, each other in a child."""
    beside = [Lesson(partial(function, value), nicer=0) for value in values[:-1]]
    try:
        here = [function(value) for value in values[-1:]]
    except BaseException:
        for one in beside:
            one.drop()
        raise
    return [one.result() for one in beside] + here


def _teach(learn: Callable[[], object], told: int, nicer: int) -> None:
    """Learn, tell, and end; a parent that dies takes its child with it, and the child keeps no line open."""
    code = 1
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        os.nice(nicer)
        os.closerange(_OWN_FILES, told)
        os.closerange(told + 1, _MOST_FILES)
        with os.fdopen(told, "wb") as stream:
            pickle.dump(learn(), stream, protocol=pickle.HIGHEST_PROTOCOL)
        code = 0
    finally:
        os._exit(code)
