"""Run the benchmarks: `python -m tests.benchmarks` from the repository, all of them or those named.

Prints one table: each figure of ours, what it is held to, and the largest memory of the fresh process that
measured it. Nothing here fails on a time: machines differ and are busy; ratios are measured in the same run.
`--json FILE` keeps the figures, `--compare OLD.json` sets them beside those of another commit.
"""

from __future__ import annotations

import argparse
import importlib
import json
import logging
import os
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.benchmarks.small_computer import budget

# One core each way, or the ratio depends on who uses threads. Before numpy is loaded.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

BENCHMARKS = {
    "help": "command_line",
    "frame": "large_frame",
    "bound": "cramer_rao",
    "air": "air_scatter",
    "capture": "capture_range",
    "cutout": "one_cutout",
    "fit": "joint_fit",
    "page": "page_speed",
    "sky": "sky_seconds",
    "halt": "halt_latency",
    "journal": "journal_steps",
    "service": "service_life",
    "rig": "simulated_frames",
    "overhead": "run_overhead",
    "stop": "stop_latency",
}
Figures = list[dict[str, Any]]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__.split("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one or more of {', '.join(BENCHMARKS)}")
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the figures here")
    parser.add_argument("--compare", type=Path, metavar="OLD.json", help="figures to compare with")
    parser.add_argument("--rows", type=Path, help=argparse.SUPPRESS)
    words = parser.parse_args()
    names = words.names or list(BENCHMARKS)
    for unknown in set(names) - set(BENCHMARKS):
        parser.error(f"no benchmark {unknown!r}; there are {', '.join(BENCHMARKS)}")
    old = None if words.compare is None else json.loads(words.compare.read_text())["figures"]
    if words.rows is not None:
        return measured_here(names[0], words.rows)
    figures = [row for name in names for row in measured_apart(name)]
    print(*table(figures, old), *budget(figures), sep="\n")
    if words.json is not None:
        words.json.write_text(json.dumps({"commit": commit(), "figures": figures}, indent=1))
    return 0


def measured_here(name: str, rows: Path) -> int:
    """Run one benchmark in this process and leave its figures in a file."""
    import structlog

    from tests.benchmarks.timing import ROWS

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))

    importlib.import_module(f"tests.benchmarks.{BENCHMARKS[name]}").run()
    rows.write_text(json.dumps([asdict(row) for row in ROWS]))
    return 0


def measured_apart(name: str) -> Figures:
    """Run one benchmark in a process of its own, so that its memory is known; return its figures."""
    print(f"== {name}", flush=True)
    if not (Path(__file__).parent / f"{BENCHMARKS[name]}.py").is_file():
        print("  not here in this version")
        return []
    with tempfile.TemporaryDirectory() as folder:
        rows = Path(folder) / "rows.json"
        process = subprocess.Popen([sys.executable, "-m", "tests.benchmarks", name, "--rows", str(rows)])
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode or not rows.exists():
            print(f"  FAILED with exit code {process.returncode}")
            return [figure(name, {"what": "FAILED", "measured": float("nan"), "unit": "", "aim": ""}, 0.0)]
        return [figure(name, row, used.ru_maxrss / 1024.0) for row in json.loads(rows.read_text())]


def figure(name: str, row: dict[str, Any], peak_mb: float) -> dict[str, Any]:
    return {"benchmark": name, **row, "peak_mb": round(peak_mb, 1)}


def table(figures: Figures, old: Figures | None) -> list[str]:
    """Return the table's lines, with the old figure and the ratio where there is one."""
    before = {(row["benchmark"], row["what"]): row["measured"] for row in old or []}
    lines = [f"\n{'':8} {'what':<58} {'ours':>10} {'':5} {'peak MB':>8}  held to"]
    last = None
    for row in figures:
        name = row["benchmark"] if row["benchmark"] != last else ""
        last = row["benchmark"]
        line = (
            f"{name:8} {row['what']:<58} {row['measured']:>10.4g} {row['unit']:5} {row['peak_mb']:>8.0f}  "
            f"{row['aim'].removeprefix('aim: ')}"
        )
        was = before.get((row["benchmark"], row["what"]))
        if was:
            line += f"   was {was:.4g}: {row['measured'] / was:.2f} of it"
        elif old is not None:
            line += "   new"
        lines.append(line.rstrip())
    return lines


def commit() -> str:
    """Return the commit that was measured, "" where git does not tell."""
    words = ["git", "describe", "--always", "--dirty"]
    try:
        return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()
    except OSError:
        return ""


if __name__ == "__main__":
    sys.exit(main())
