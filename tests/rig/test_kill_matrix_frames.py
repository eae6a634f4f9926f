"""Crashes of a run that renders, writes and measures its frames, each with a measuring process of its own.

What a frame is measured with hangs on the frames before it: how many lessons they gave, and which were taken
up. A process that takes a run up must come to the same from the files alone, whether a lesson was under way
when the other one died, about to be taken up, or had just been; and with what the other one left drawn.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from calm_rig import calm_config
from test_kill_matrix import (
    CrashOnceAt,
    Outcome,
    carried,
    every_place,
    numbers_in,
)

from daemon.config import Config
from daemon.desk import Desk
from daemon.journal import Journal
from daemon.lessons import FRAMES_UNTIL_TAKEN
from daemon.preparations import FOLDER
from daemon.rehearsal_rig import hands_on
from daemon.rehearsal_stage import Stage, StageOptions
from daemon.worker import Worker
from drivers.simulated.client import RunningRig
from routines.observations import Observation
from routines.scripts.adaptive import Targets
from routines.scripts.characterise import Characterise
from routines.scripts.find_focus import FindFocus
from routines.scripts.flanks import Flanks

SEED = 3
SHORT = Characterise(
    search=FindFocus(most_looks=6), flanks=Flanks(dead_looks=3), targets=Targets(most_rounds=1)
)
SECOND_LESSON = 5
"""With which look the second lesson begins; the first begins with the first."""


def narrow_config(folder: Path) -> Config:
    """One narrow filter: its frames are the quickest to draw."""
    config = calm_config(folder)
    return config.model_copy(update={"filters": tuple(item for item in config.filters if item.name == "Ha")})


@contextlib.contextmanager
def life(config: Config, rig: RunningRig, out: Path, faults: CrashOnceAt) -> Iterator[Stage]:
    """One life of the whole program: journal, serial lines, conductor and measuring process, all anew."""
    out.mkdir(exist_ok=True)
    options = StageOptions(how=SHORT, faults=faults)  # type: ignore[arg-type]  # stand-in
    with (
        contextlib.closing(Worker(Desk, (config, True, out / "state"))) as worker,
        contextlib.closing(Journal.open(out / "journal.sqlite3")) as journal,
        hands_on(rig, config, worker, surrogate=False) as hands,
    ):
        yield Stage(config, SEED, out, worker, journal, hands, options)


def steps_of_looks(out: Path) -> list[int]:
    """Return the numbers of the journal's steps that were looks, in order."""
    with contextlib.closing(Journal.read(out / "journal.sqlite3")) as journal:
        (run,) = journal.runs()
        return [record.number for record in journal.steps(run.id) if record.step["kind"] == "Observe"]


def require_same(outcome: Outcome, whole: Outcome) -> None:
    """As in `test_kill_matrix`: a pass made again adds its motor's steps up anew, in floating point."""
    numbers, wanted = (leaves(one.observations) for one in (outcome, whole))
    require_alike(numbers, wanted, within=1e-9)
    require_alike(numbers_in(outcome.profile), numbers_in(whole.profile), within=1e-5)


def leaves(looks: list[Observation]) -> dict[str, Any]:
    return numbers_in([{name: getattr(one, name) for name in one.__slots__} for one in looks])


def require_alike(found: dict[str, Any], wanted: dict[str, Any], *, within: float) -> None:
    assert found.keys() == wanted.keys()
    for key, value in wanted.items():
        if isinstance(value, float):
            assert found[key] == pytest.approx(value, rel=within, abs=within), key
        else:
            assert found[key] == value, key


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, list[int]]:
    folder = tmp_path_factory.mktemp("whole")
    outcome = carried(narrow_config(folder), folder, life, set())
    assert outcome.state == "done"
    assert outcome.profile["backlash_steps"] is not None
    return outcome, steps_of_looks(folder / "out")


@pytest.mark.timeout(1800)
def test_a_run_crashed_about_its_lessons_ends_as_one_that_never_was(whole, tmp_path) -> None:
    """While a lesson is under way, when the next look would take it up, and when one just has."""
    outcome, looks = whole
    taken_up = SECOND_LESSON + FRAMES_UNTIL_TAKEN
    assert len(looks) > taken_up
    under_way, before, after = looks[SECOND_LESSON + 1], looks[taken_up - 2], looks[taken_up - 1]
    crash_at = {("acted", under_way), ("answered", before), ("acted", after)}
    require_same(carried(narrow_config(tmp_path), tmp_path, life, crash_at), outcome)
    assert any((tmp_path / "out" / "state" / FOLDER).glob("*.npz"))


@pytest.mark.campaign
@pytest.mark.timeout(14_400)
def test_each_single_crash_about_frames_changes_nothing(whole, tmp_path) -> None:
    for number, place in enumerate(every_place(whole[0])):
        folder = tmp_path / str(number)
        folder.mkdir()
        require_same(carried(narrow_config(folder), folder, life, {place}), whole[0])
        print(number, place, flush=True)


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_a_run_with_frames_crashed_at_every_place_in_turn_ends_as_one_that_never_was(whole, tmp_path) -> None:
    outcome = carried(narrow_config(tmp_path), tmp_path, life, set(every_place(whole[0])))
    require_same(outcome, whole[0])
