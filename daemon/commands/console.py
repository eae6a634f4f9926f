"""Where words go: results to stdout, everything said to people about them to stderr.

Colour only on a terminal that wants it: rich honours NO_COLOR and leaves a pipe plain.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

_PLAIN_WIDTH = 160


def out_console() -> Console:
    """Return the console for results. A pipe gets lines wide enough not to be folded."""
    from rich.console import Console

    console = Console(highlight=False, markup=False, emoji=False, soft_wrap=True)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = _PLAIN_WIDTH
    return console


def err_console() -> Console:
    """Return the console for words about results."""
    from rich.console import Console

    return Console(stderr=True, highlight=False, markup=False, emoji=False, soft_wrap=True)


def tell(*lines: object, style: str | None = None) -> None:
    """Say something to people, a line each."""
    console = err_console()
    for line in lines:
        console.print(str(line), style=style)


def tell_problem(*lines: object) -> None:
    """Say what is wrong."""
    tell(*lines, style="red")


def log_to_stderr(*, least: str = "warning") -> None:
    """Send the log of devices to stderr, from a level on: stdout belongs to results."""
    import logging
    import sys

    import structlog

    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[least.upper()]),
        logger_factory=lambda *_: structlog.PrintLogger(sys.stderr),
    )


@contextlib.contextmanager
def busy(first: str) -> Iterator[Callable[[str], None]]:
    """Show what is going on while it takes long; on a pipe nothing is shown. Yields how to say it anew."""
    console = err_console()
    if not console.is_terminal:
        yield lambda _: None
        return
    with console.status(first) as status:
        yield status.update
