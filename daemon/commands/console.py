"""Where words go: results to stdout, everything said to people about them to stderr.

Colour only on a terminal that wants it: rich honours NO_COLOR and leaves a pipe plain.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

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


class Telling(Protocol):
    """Takes what is being done and why, and how far it is (0 to 1), where that is known."""

    def __call__(self, words: str, share: float | None = None) -> None:
        """Show it."""
        ...


def progress_bar(console: Console) -> Progress:
    """Return a bar that fits on a line of any width: how far, how long already, then what and why.

    Its tasks carry ``looks``, words for a count, or an empty string.
    """
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.table import Column

    words = Column(ratio=1, no_wrap=True, overflow="ellipsis")
    return Progress(
        BarColumn(bar_width=18),
        TaskProgressColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("{task.fields[looks]}"),
        TextColumn("{task.description}", markup=False, table_column=words),
        console=console,
        transient=True,
        expand=True,
    )


@contextlib.contextmanager
def busy(first: str) -> Iterator[Telling]:
    """Show what is going on while it takes long; on a pipe nothing is shown. Yields how to say it anew."""
    console = err_console()
    if not console.is_terminal:
        yield lambda words, share=None: None
        return
    with progress_bar(console) as progress:
        task = progress.add_task(first, total=None, looks="")

        def tell_progress(words: str, share: float | None = None) -> None:
            progress.update(
                task, description=words, completed=share or 0.0, total=None if share is None else 1.0
            )

        yield tell_progress
