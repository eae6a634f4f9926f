"""What takes long and measures no time, spread over the machine's cores."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

Value = TypeVar("Value")
Result = TypeVar("Result")


def over_cores(function: Callable[[Value], Result], values: Sequence[Value]) -> Iterator[Result]:
    """Yield what a module's function returns for each value, in their order; what it raises is raised.

    Each process is begun afresh, as a benchmark's own is.
    """
    cores = min(os.cpu_count() or 1, len(values))
    if cores < 2:
        yield from map(function, values)
        return
    with ProcessPoolExecutor(cores, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(function, values)
