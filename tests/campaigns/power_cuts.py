"""`kill -9` at random times over whole runs: the journal intact, nothing lost or doubled, the same result.

Every round is a run on the simulated rig, carried on by processes that are killed one after the other; the
rig lives on, as a real one would. What every single place of a step does when killed is a test of its own
(`tests/rig/test_kill_matrix.py`).
"""

from __future__ import annotations

import os
import signal
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import quick_starts

from daemon.rehearsal_stage import StageOptions, rehearsing
from drivers.simulated.client import start_rig
from tests.campaigns.tally import Tally

FULL, BRIEF = 200, 2
SEED = 3
SURROGATE = StageOptions(surrogate=True)


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Cut so many runs short, one to four times each."""
    from calm_rig import calm_config, two_filters

    rng = np.random.default_rng([seed, 9])
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        config = two_filters(calm_config(place))
        whole = whole_run(config, place / "whole")
        for number in range(rounds):
            there = place / str(number)
            cuts = [float(cut) for cut in rng.uniform(0.0, 1.5, int(rng.integers(1, 5)))]
            tally.add("runs killed and carried on", *cut_short(config, there, cuts, whole, place))


def whole_run(config: Any, folder: Path) -> Any:
    with rehearsing(config, SEED, out=folder, options=SURROGATE) as stage:
        stage.perform()
        return stage.end, stage.concluded()


def cut_short(config: Any, folder: Path, cuts: list[float], whole: Any, place: Path) -> tuple[Any, str]:
    """Carry one run through its cuts and to its end; compare it with the undisturbed one."""
    folder.mkdir()
    counts, run_id = [], ""
    with start_rig(folder / "rig", rig=config.simulated.rig, seed=SEED) as rig:
        for pause_s in cuts:
            run_id, looks = killed_after(pause_s, rig.folder, folder / "out", run_id, place)
            counts.append(looks)
        with rehearsing(config, SEED, out=folder / "out", options=SURROGATE, rig=rig) as stage:
            stage.perform(run_id or None)
            end, profile = stage.end, stage.concluded()
            repeated = [record.number for record in stage.conductor._journal.steps(end.run_id)]
    words = f"cuts after {cuts} s at {counts} looks: {end.state}, {end.result.get('message')}"
    good = (
        counts == sorted(counts)
        and repeated == list(range(len(repeated)))
        and end.state == whole[0].state
        and comparable(end) == comparable(whole[0])
        and profile is not None
        and profile.backlash_steps == whole[1].backlash_steps
        and profile.filters == whole[1].filters
    )
    return ("right", "") if good else ("lost", words)


def comparable(end: Any) -> Any:
    return [replace(seen, time_s=None) for seen in end.ledger.observations]


def killed_after(pause_s: float, rig: Path, out: Path, run_id: str, place: Path) -> tuple[str, int]:
    """Let a process carry the run on, kill it some time after its first new look, and count what it left."""
    out.mkdir(exist_ok=True)
    before = looks_in(out, run_id)
    words = [str(rig), str(out), run_id, "two_filters"]
    process = quick_starts.begin("kill_target", words, out / "killed.log", environment=os.environ)
    try:
        until = time.monotonic() + 60.0
        while looks_in(out, run_id) <= before and process.poll() is None and time.monotonic() < until:
            time.sleep(0.02)
        time.sleep(pause_s)
        process.send_signal(signal.SIGKILL)
    finally:
        process.kill()
        process.wait()
    return run_id or first_run(out), looks_in(out, run_id)


def first_run(out: Path) -> str:
    from daemon.journal import Journal

    journal = Journal.read(out / "journal.sqlite3")
    try:
        return journal.runs()[-1].id
    finally:
        journal.close()


def looks_in(out: Path, run_id: str) -> int:
    from daemon.journal import Journal

    try:
        journal = Journal.read(out / "journal.sqlite3")
    except FileNotFoundError:
        return 0
    try:
        runs = journal.runs()
        return len(journal.observations(run_id or runs[-1].id)) if runs else 0
    finally:
        journal.close()
