"""What a rehearsal shows: how far it is, and at the end what was found beside the truth."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table

from daemon.agreement import Agreement, Comparison
from daemon.commands.console import progress_bar
from daemon.live import Live
from routines.wording import decimals_for, fixed

_REFRESH_S = 0.1


@dataclass(slots=True)
class View:
    """Words for people; they go to stderr, so that nothing of it mixes with data."""

    console: Console

    def begin(self, rig_name: str, seed: int) -> None:
        """Say what is about to happen."""
        self.console.print(
            f"Rehearsing on a simulated rig ([bold]{rig_name}[/bold], night {seed}): nothing real moves. Its "
            "focuser and wheel are spoken to over serial lines, its camera writes FITS frames.",
            highlight=False,
        )
        self.console.print(
            "On your own rig: put the mask on, point at a bright star away from the Sun, keep cables and "
            "fingers clear of the drawtube, and mind that a heavy camera pointing down can slip.",
            style="yellow",
            highlight=False,
        )

    def follow(self, live: Live, finished: threading.Event, interrupted: Callable[[], None]) -> None:
        """Show progress until the run has finished; Ctrl-C calls ``interrupted`` and goes on waiting."""
        with progress_bar(self.console) as progress:
            task = progress.add_task("Starting", total=1.0, looks="")
            while True:
                try:
                    while not finished.wait(_REFRESH_S):
                        now = live.snapshot()
                        words = now.sentence or "Starting"
                        progress.update(
                            task,
                            completed=now.fraction,
                            description=words,
                            looks=f"{now.observations} looks",
                        )
                    return
                except KeyboardInterrupt:
                    self.console.print("Stopping: halting the focuser.", style="yellow")
                    interrupted()

    def tell_table(self, comparisons: Sequence[Comparison]) -> None:
        """Print found and uncertainty beside the truth."""
        table = Table(title="Found, with its standard uncertainty, beside the truth", title_justify="left")
        for heading in ("number", "unit"):
            table.add_column(heading)
        for heading in ("found", "u", "truth", "off by (u)"):
            table.add_column(heading, justify="right")
        for item in comparisons:
            table.add_row(*_row(item))
        self.console.print(table)

    def tell_verdict(self, agreement: Agreement, looks: int) -> None:
        """Print the one verdict over all numbers."""
        if agreement.missing:
            self.console.print(f"Not found: {', '.join(agreement.missing)}.", style="red")
        words = "agree" if agreement.holds else "do NOT agree"
        self.console.print(
            f"From {looks} looks: {agreement.count} numbers {words} with the truth within their stated "
            f"uncertainty (chi-square {agreement.chi_square:.1f}, limit at 99 % {agreement.limit:.1f}).",
            style="green" if agreement.holds else "red",
            highlight=False,
        )


def _row(item: Comparison) -> tuple[str, ...]:
    found = item.found
    if found is None:
        return (item.name, item.unit, "not found", "", f"{item.truth:.4g}", "")
    if found.value is None or found.u is None:
        return (item.name, item.unit, f"below {found.high95:.1f}", "", f"{item.truth:.1f}", "")
    decimals = decimals_for(found.u) if found.u > 0.0 else 1
    deviation = item.deviation_u
    return (
        item.name,
        item.unit,
        fixed(found.value, decimals),
        fixed(found.u, decimals),
        fixed(item.truth, decimals),
        "" if deviation is None else f"{deviation:+.1f}",
    )
