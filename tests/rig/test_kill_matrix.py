"""Crashes at every position of the journal, over real serial lines, against a rig that lives on.

The rig is a process of its own and draws its noise by the look's number, so that a run that was interrupted
anywhere must end with the observations and the profile of one that never was. Times and ids are exempt.
"""

from __future__ import annotations

import contextlib
import json
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from calm_rig import calm_config
from test_rehearsal import killed_after, looks_in

from daemon.config import Config
from daemon.desk import Desk
from daemon.journal import Journal
from daemon.rehearsal_rig import hands_on
from daemon.rehearsal_stage import Stage, StageOptions, rehearsing
from daemon.worker import Worker
from drivers.simulated.client import RunningRig, start_rig
from routines.observations import Observation
from routines.scripts.characterise import Characterise
from routines.scripts.find_focus import FindFocus

SEED = 3
SMALL = Characterise(search=FindFocus(most_looks=6))
PLACES = ("intended", "acted", "answered")
Place = tuple[str, int]


class Crash(BaseException):
    """Ends the conductor as a kill would: nothing catches it."""


class CrashOnceAt:
    """Crashes the first time that each of the given places is reached, and notes every place."""

    def __init__(self, places: set[Place]) -> None:
        self.left, self.seen = set(places), list[Place]()

    def reach(self, place: str, number: int) -> None:
        self.seen.append((place, number))
        if (place, number) in self.left:
            self.left.discard((place, number))
            raise Crash


@dataclass
class Outcome:
    state: str
    observations: list[Observation]
    profile: dict[str, Any]
    places: list[Place]
    taken: int


def small_config(folder: Path) -> Config:
    config = calm_config(folder)
    return config.model_copy(
        update={"filters": tuple(item for item in config.filters if item.name in ("L", "R"))}
    )


Life = Callable[[Config, RunningRig, Path, CrashOnceAt], contextlib.AbstractContextManager[Stage]]


@contextlib.contextmanager
def life(worker: Worker, config: Config, rig: RunningRig, out: Path, faults: CrashOnceAt) -> Iterator[Stage]:
    """One life of the process that carries the run: journal, serial lines and conductor, all anew."""
    out.mkdir(exist_ok=True)
    options = StageOptions(surrogate=True, how=SMALL, faults=faults)  # type: ignore[arg-type]  # stand-in
    with (
        contextlib.closing(Journal.open(out / "journal.sqlite3")) as journal,
        hands_on(rig, config, worker, surrogate=True) as hands,
    ):
        yield Stage(config, SEED, out, worker, journal, hands, options)


def carried(config: Config, folder: Path, live: Life, crash_at: set[Place]) -> Outcome:
    """Carry a run to its end through all the crashes asked for, life after life, on a rig of its own."""
    assert config.simulated is not None
    faults, run_id, lives = CrashOnceAt(crash_at), None, 0
    with start_rig(folder / "rig", rig=config.simulated.rig, seed=SEED) as rig:
        while True:
            lives += 1
            with live(config, rig, folder / "out", faults) as stage:
                stage.perform(run_id)
                try:
                    end = stage.end
                except Crash:
                    run_id = only_run(folder / "out")
                    continue
                profile = stage.concluded()
                assert profile is not None
                break
    assert lives == len(crash_at) + 1
    looks = [replace(seen, time_s=None, path=Path(seen.path or "").name) for seen in end.ledger.observations]
    return Outcome(end.state, looks, comparable(profile), faults.seen, lives)


def comparable(profile: Any) -> dict[str, Any]:
    fields: dict[str, Any] = json.loads(profile.to_json())
    del fields["created"], fields["evidence"]["run"], fields["evidence"]["sha256"]
    return fields


def require_same_looks(looks: list[Observation], others: list[Observation]) -> None:
    """The rig adds up its motor's steps in floating point, and a pass made again adds up others."""
    assert [replace(one, value_px=None) for one in looks] == [replace(one, value_px=None) for one in others]
    values, wanted = [one.value_px for one in looks], [one.value_px for one in others]
    assert values == pytest.approx(wanted, abs=1e-9)


def require_same(outcome: Outcome, whole: Outcome) -> None:
    require_same_looks(outcome.observations, whole.observations)
    found, wanted = numbers_in(outcome.profile), numbers_in(whole.profile)
    assert found.keys() == wanted.keys()
    for key, value in wanted.items():
        assert found[key] == (pytest.approx(value, rel=1e-5, abs=1e-5) if isinstance(value, float) else value)


def numbers_in(part: Any, place: str = "") -> dict[str, Any]:
    """Return every leaf of a document by its path."""
    if isinstance(part, dict):
        items: Any = part.items()
    elif isinstance(part, list):
        items = enumerate(part)
    else:
        return {place: part}
    return {key: leaf for name, one in items for key, leaf in numbers_in(one, f"{place}.{name}").items()}


def only_run(out: Path) -> str:
    with contextlib.closing(Journal.read(out / "journal.sqlite3")) as journal:
        (run,) = journal.runs()
        return run.id


@pytest.fixture(scope="module")
def worker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Worker]:
    worker = Worker(Desk, (small_config(tmp_path_factory.mktemp("config")), False))
    yield worker
    worker.close()


@pytest.fixture(scope="module")
def whole(worker: Worker, tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    folder = tmp_path_factory.mktemp("whole")
    outcome = carried(small_config(folder), folder, partial(life, worker), set())
    assert outcome.state == "done"
    assert outcome.profile["backlash_steps"] is not None
    return outcome


def every_place(whole: Outcome) -> list[Place]:
    last = whole.places[-1]
    assert last[0] == "answered"
    return [(place, number) for number in range(last[1] + 1) for place in PLACES]


def test_a_run_crashed_at_many_places_ends_as_one_that_never_was(whole, worker, tmp_path) -> None:
    """Every seventh place, and the last ones before the end, one crash after the other in one run."""
    places = every_place(whole)
    crash_at = {*places[3::7], *places[-3:]}
    outcome = carried(small_config(tmp_path), tmp_path, partial(life, worker), crash_at)
    require_same(outcome, whole)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_a_run_crashed_at_every_place_in_turn_ends_as_one_that_never_was(whole, worker, tmp_path) -> None:
    outcome = carried(small_config(tmp_path), tmp_path, partial(life, worker), set(every_place(whole)))
    require_same(outcome, whole)


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_each_single_crash_changes_nothing(whole, worker, tmp_path) -> None:
    for number, place in enumerate(every_place(whole)):
        folder = tmp_path / str(number)
        folder.mkdir()
        outcome = carried(small_config(folder), folder, partial(life, worker), {place})
        require_same(outcome, whole)
        print(number, place)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_fifty_kills_at_random_times_lose_nothing(tmp_path) -> None:
    """SIGKILL, fifty times over a few runs; what was journaled stays, and no file is damaged."""
    rng, kills = random.Random(7), 0
    config = calm_config(tmp_path)
    assert config.simulated is not None
    expected: list[Observation] | None = None
    while kills < 50:
        folder = tmp_path / str(kills)
        folder.mkdir()
        (folder / "out").mkdir()
        with start_rig(folder / "rig", rig=config.simulated.rig, seed=SEED, speed=40.0) as rig:
            run_id, before = "", 0
            # A whole run is some fifty looks, and a quick machine makes ten in a pause.
            while kills < 50 and before < 30:
                run_id = killed_after(rng.uniform(0.0, 0.4), rig.folder, folder / "out", run_id)
                kills += 1
                after = looks_in(folder / "out", run_id)
                assert after >= before
                before = after
            with rehearsing(
                config, SEED, out=folder / "out", options=StageOptions(surrogate=True), rig=rig
            ) as stage:
                stage.perform(run_id)
                end = stage.end
        assert end.state == "done"
        seen = [replace(one, time_s=None) for one in end.ledger.observations]
        expected = expected or seen
        require_same_looks(seen, expected)
        print(f"{kills} kills, {len(seen)} looks, {time.strftime('%H:%M:%S')}")
