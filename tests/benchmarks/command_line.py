"""How long the command line takes to answer, beside a Python that does nothing."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.benchmarks.timing import least_command_time_s, show


def run() -> None:
    """Print the processor times of an idle interpreter, of the help, and of the version."""
    program = Path(sys.executable).with_name("drawtube")
    show("python -c pass", least_command_time_s([sys.executable, "-c", "pass"]), "s")
    for option in ("--help", "--version"):
        show(f"drawtube {option}", least_command_time_s([program, option]), "s", "aim: under 0.3 s")
