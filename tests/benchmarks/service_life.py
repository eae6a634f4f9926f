"""The service as a process: how soon it answers, what it costs while idle, and what a request costs."""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.timing import show
from tests.campaigns.tally import borrow_rigs

IDLE_S, REQUESTS = 20.0, 200


def run() -> None:
    """Print start-up, idle processor and memory, and the times of requests."""
    borrow_rigs()
    import test_service

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = test_service.config_in(folder)
        began = time.monotonic()
        with test_service.serving(folder, config, anew=True) as service:
            show("the service answers after", time.monotonic() - began, "s", "aim: under 1.5")
            show("of it on the processor", spent_s(service.process.pid), "s")
            idle(service, "before a run")
            run_id = service.start("find_focus")
            service.ended(run_id)
            service.until(lambda: service.status()["state"] == "idle", "the end of the run")
            idle(service, "after a run")
            for path in ("/v1/status", "/", "/v1/runs"):
                times = timed(service, path)
                show(f"GET {path}: median", float(np.median(times)), "ms")
            page(service)


def idle(service: Any, when: str) -> None:
    """Print what the service's process costs while nothing is asked of it."""
    before = spent_s(service.process.pid)
    time.sleep(IDLE_S)
    share = (spent_s(service.process.pid) - before) / IDLE_S
    show(f"idle {when}: processor", 100.0 * share, "%", "aim: under 0.5")
    show(f"idle {when}: memory", resident_mb(service.process.pid), "MB", "aim: under 120")


def page(service: Any) -> None:
    """Print what the page is: its first paint's bytes."""
    answer = service.http.get("/", headers={"accept-encoding": "gzip"})
    show("the page itself", len(answer.content) / 1024.0, "KiB", "aim: under 100")


def timed(service: Any, path: str) -> list[float]:
    times = []
    for _ in range(REQUESTS):
        began = time.monotonic()
        service.http.get(path)
        times.append(1000.0 * (time.monotonic() - began))
    return times


def spent_s(pid: int) -> float:
    """Return the processor time a process has used (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024.0
