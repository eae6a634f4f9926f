"""Run the campaigns: `python -m tests.campaigns NAME [--rounds N] [--seed S]` from the repository.

Each does to the finished system what nights do, over and over and at random, and prints a table; the exit
code is 1 when anything was lost. `all` runs a brief turn of each, under a quarter of an hour on two cores.
"""

from __future__ import annotations

import argparse
import importlib
import logging
import os
import sys
import time
import traceback
from types import ModuleType

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from tests.campaigns.tally import Tally, borrow_rigs  # noqa: E402  # after the threads are set

CAMPAIGNS = {
    "nights": "nights",
    "frames": "frame_nights",
    "kill": "power_cuts",
    "line": "serial_line",
    "disk": "bad_disk",
    "clock": "wrong_clock",
    "soak": "long_service",
    "bytes": "hostile_bytes",
    "intruder": "intruder",
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns", description=__doc__.split("\n")[0])
    parser.add_argument("name", metavar="NAME", help=f"all, or one of {', '.join(CAMPAIGNS)}")
    parser.add_argument("--rounds", type=int, help="how often (each campaign has its own full number)")
    parser.add_argument(
        "--seed", type=int, default=1, help="what is drawn; printed, so that it can be repeated"
    )
    words = parser.parse_args()
    if words.name not in (*CAMPAIGNS, "all"):
        parser.error(f"no campaign {words.name!r}; there are all, {', '.join(CAMPAIGNS)}")
    quieten()
    begin_quickly()
    names = list(CAMPAIGNS) if words.name == "all" else [words.name]
    lost = 0
    for name in names:
        campaign = module(name)
        rounds = words.rounds or (campaign.BRIEF if words.name == "all" else campaign.FULL)
        lost += conducted(name, campaign, rounds, words.seed)
    print("nothing lost" if not lost else f"{lost} LOST", flush=True)
    return 1 if lost else 0


def module(name: str) -> ModuleType:
    """Return a campaign's module: it has ``run(rounds, seed, tally)``, ``FULL`` and ``BRIEF``."""
    borrow_rigs()
    return importlib.import_module(f"tests.campaigns.{CAMPAIGNS[name]}")


def begin_quickly() -> None:
    """Have the thousands of rigs and workers begin with their imports done."""
    borrow_rigs()
    import quick_starts

    quick_starts.install()


def quieten() -> None:
    """Keep the log off the table: what is provoked here by the thousand is counted there."""
    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


def conducted(name: str, campaign: ModuleType, rounds: int, seed: int) -> int:
    """Run one campaign, print its table, and return what was lost."""
    began, tally = time.monotonic(), Tally(show=lambda line: print(line, flush=True))
    print(f"== {name}, {rounds} rounds, seed {seed}: {campaign.__doc__.splitlines()[0]}", flush=True)
    try:
        campaign.run(rounds, seed, tally)
    except Exception:
        tally.add("the campaign itself", "lost", traceback.format_exc())
    for line in tally.lines():
        print(line)
    print(f"  {time.monotonic() - began:.0f} s", flush=True)
    return tally.lost


if __name__ == "__main__":
    sys.exit(main())
