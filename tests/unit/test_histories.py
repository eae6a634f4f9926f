"""Journals and profiles as earlier programs left them: opened, migrated, replayed, and still of use.

One file per layout lies in ``histories``; a new layout adds one and leaves the others as they are.
"""

import contextlib
import json
import sqlite3
from pathlib import Path

import jsonschema
import pytest
from fake_rig import FakeRig, conductor_of

from daemon.journal import Journal
from daemon.journal_file import layouts
from daemon.ledger import Ledger
from daemon.profile_store import load_profile
from daemon.replay import JournalDisagrees, replay
from routines.advice import AdviceRequest, advise
from routines.profile import profile_schema
from routines.scripts.catalogue import ROUTINES, script_from_dict

FOLDER = Path(__file__).with_name("histories")
RUN = "0123456789ab"


def journal_of(layout, folder):
    """Return a journal file of an earlier layout."""
    path = folder / "journal.sqlite3"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript((FOLDER / f"journal-{layout}.sql").read_text())
    return path


def test_every_layout_has_its_history():
    assert sorted(path.name for path in FOLDER.glob("journal-*.sql")) == [
        f"journal-{number}.sql" for number in range(1, layouts() + 1)
    ]


@pytest.mark.parametrize("layout", range(1, layouts() + 1))
def test_a_journal_of_any_layout_is_migrated_and_says_the_same(layout, tmp_path):
    path = journal_of(layout, tmp_path)
    with contextlib.closing(Journal.open(path)) as journal:
        run = journal.run(RUN)
        assert (run.routine, run.state, run.origin, run.left_right) == ("find_focus", "done", "", layout < 4)
        assert len(journal.observations(RUN)) == 4
        assert all(seen.measured for seen in journal.observations(RUN))
        assert journal.observations(RUN)[0].frames == 1
        assert journal._connection.execute("PRAGMA user_version").fetchone() == (layouts(),)
    with contextlib.closing(Journal.open(path)) as again:
        assert again.run(RUN) == run


@pytest.mark.parametrize("layout", range(1, layouts() + 1))
def test_its_run_is_replayed_to_the_same_end_by_the_script_that_wrote_it(layout, tmp_path):
    """A later script refuses it, naming both versions; it never makes something else of the answers."""
    path = journal_of(layout, tmp_path)
    with contextlib.closing(Journal.open(path)) as journal:
        run, steps = journal.run(RUN), journal.steps(RUN)
        routine = ROUTINES["find_focus"]
        if routine.version != run.script_version:
            with pytest.raises(JournalDisagrees, match=f"{run.script_version} of find_focus"):
                conductor_of(journal, FakeRig()).carry_on(RUN)
            return
        frontier = replay(script_from_dict(routine, run.parameters), steps, Ledger())
        assert frontier.result == run.result
        for length in range(len(steps)):
            frontier = replay(script_from_dict(routine, run.parameters), steps[:length], Ledger())
            assert (frontier.number, frontier.result) == (length, None)


@pytest.mark.parametrize("layout", range(1, layouts() + 1))
def test_a_script_of_another_version_refuses_it_and_names_both(layout, tmp_path):
    path = journal_of(layout, tmp_path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE runs SET state = 'running', script_version = 1, ended = NULL")
        connection.commit()
    with contextlib.closing(Journal.open(path)) as journal:
        rig = FakeRig()
        ours = ROUTINES["find_focus"].version
        with pytest.raises(JournalDisagrees, match=f"version 1 of find_focus.*version {ours}"):
            conductor_of(journal, rig).carry_on(RUN)
        assert rig.legs == []


def test_a_profile_of_each_schema_is_read_and_gives_advice():
    files = sorted(FOLDER.glob("profile-*.json"))
    assert [path.name for path in files] == ["profile-1.json"]
    for path in files:
        profile = load_profile(path)
        jsonschema.validate(json.loads(path.read_text()), profile_schema())
        assert profile.backlash_steps.value > 100.0
        assert advise(profile, AdviceRequest("R", 5.0, None, None)).moves
