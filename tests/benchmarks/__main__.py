"""Run the benchmarks: `python -m tests.benchmarks` from the repository, all of them or those named.

Nothing here fails on a time: machines differ and are busy. Each prints what it measured beside a yardstick
of the same run, and the ratio that the project aims at.
"""

from __future__ import annotations

import argparse
import importlib
import os

# One core each way, or the ratio depends on who uses threads. Before numpy is loaded.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

BENCHMARKS = {
    "help": "command_line",
    "frame": "large_frame",
    "bound": "cramer_rao",
    "sky": "sky_seconds",
    "fit": "joint_fit",
    "page": "page_speed",
}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__.split("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one or more of {', '.join(BENCHMARKS)}")
    names = parser.parse_args().names or list(BENCHMARKS)
    for unknown in set(names) - set(BENCHMARKS):
        parser.error(f"no benchmark {unknown!r}; there are {', '.join(BENCHMARKS)}")
    for name in names:
        print(f"== {name}", flush=True)
        importlib.import_module(f"tests.benchmarks.{BENCHMARKS[name]}").run()


if __name__ == "__main__":
    main()
