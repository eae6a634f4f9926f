import json
import sqlite3
from datetime import UTC, datetime

import pytest

from daemon.journal import Journal, RunRecord
from daemon.journal_file import (
    MIGRATIONS,
    JournalBusy,
    JournalConflict,
    JournalDamaged,
    JournalTooNew,
    JournalUnwritable,
)
from routines.observations import Observation
from routines.steps import Seen, answer_to_dict

NOW = datetime(2026, 1, 14, 19, tzinfo=UTC)
STEP = {"kind": "Travel", "position_steps": 5000.0}


def a_run(run_id="run-one", state="running"):
    return RunRecord(
        run_id, "backlash", 3, {"facts": {}, "how": {}}, "hash", {"numpy": "2.1"}, state, NOW.isoformat()
    )


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "journal.sqlite3"


@pytest.fixture
def journal(path):
    journal = Journal.open(path)
    yield journal
    journal.close()


def test_it_is_written_ahead_and_synced(journal, path):
    assert journal._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    # 2 is FULL (SQLite documentation, PRAGMA synchronous).
    assert journal._connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_a_run_comes_back_as_it_was_written(journal):
    journal.begin_run(a_run())
    assert journal.run("run-one") == a_run()
    assert journal.unfinished() == [a_run()]
    assert journal.count_start("run-one") == 1
    assert journal.count_start("run-one") == 2
    journal.end_run("run-one", "partial", {"outcome": "failed"}, NOW)
    assert journal.unfinished() == []
    assert journal.run("run-one").result == {"outcome": "failed"}


def test_an_unknown_run_is_named(journal):
    with pytest.raises(KeyError, match="run-two"):
        journal.run("run-two")


def test_intent_comes_before_answer_and_each_only_once(journal):
    journal.begin_run(a_run())
    with pytest.raises(JournalConflict):
        journal.answer("run-one", 0, {"kind": "Noted"}, NOW)
    journal.intend("run-one", 0, STEP, NOW)
    journal.intend("run-one", 0, STEP, NOW)
    with pytest.raises(JournalConflict):
        journal.intend("run-one", 0, {"kind": "Noted"}, NOW)
    assert journal.steps("run-one")[0].answer is None
    journal.answer("run-one", 0, {"kind": "Noted"}, NOW)
    with pytest.raises(JournalConflict):
        journal.answer("run-one", 0, {"kind": "Noted"}, NOW)
    with pytest.raises(JournalConflict):
        journal.intend("run-one", 0, STEP, NOW)


def test_an_answer_is_returned_as_it_will_be_read(journal):
    journal.begin_run(a_run())
    journal.intend("run-one", 0, STEP, NOW)
    seen = Observation(0, "Clear", 5000.0, value_px=0.1 + 0.2, u_px=1e-3, flags=("faint",))
    returned = journal.answer("run-one", 0, answer_to_dict(Seen(seen)), NOW)
    assert returned == journal.steps("run-one")[0].answer
    assert journal.observations("run-one") == [seen]


def test_what_json_has_no_word_for_is_refused_and_leaves_no_trace(journal):
    journal.begin_run(a_run())
    journal.intend("run-one", 0, STEP, NOW)
    with pytest.raises(ValueError, match="JSON"):
        journal.answer("run-one", 0, {"kind": "Estimated", "numbers": {"x": float("nan")}}, NOW)
    assert journal.steps("run-one")[0].answer is None


def test_a_second_writer_is_refused_and_a_reader_is_not(journal, path):
    journal.begin_run(a_run())
    with pytest.raises(JournalBusy, match="another process"):
        Journal.open(path)
    reader = Journal.read(path)
    assert [run.id for run in reader.runs()] == ["run-one"]
    with pytest.raises(JournalUnwritable, match="readonly"):
        reader.set_state("run-one", "done")
    reader.close()


def test_reading_where_nothing_was_run_says_so(tmp_path):
    with pytest.raises(FileNotFoundError, match="nothing has been run"):
        Journal.read(tmp_path / "none.sqlite3")


@pytest.mark.parametrize("junk", [b"this is no database" * 400, b"SQLite format 3\x00" + b"\xff" * 8000])
def test_a_damaged_file_is_an_error_and_stays_as_it_is(path, junk):
    path.parent.mkdir()
    path.write_bytes(junk)
    with pytest.raises(JournalDamaged, match="left as it is"):
        Journal.open(path)
    assert path.read_bytes() == junk


def test_damage_inside_a_page_is_found_at_the_start(path):
    journal = Journal.open(path)
    journal.begin_run(a_run())
    for number in range(300):
        journal.intend("run-one", number, STEP | {"padding": "x" * 200}, NOW)
    journal.close()
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 64] = b"\xff" * 64
    path.write_bytes(bytes(content))
    with pytest.raises(JournalDamaged):
        Journal.open(path)


def test_a_later_layout_is_refused(path):
    Journal.open(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(JournalTooNew, match="99"):
        Journal.open(path)


def test_opening_again_finds_everything(path):
    first = Journal.open(path)
    first.begin_run(a_run())
    first.intend("run-one", 0, STEP, NOW)
    first.close()
    again = Journal.open(path)
    assert json.loads(json.dumps(again.steps("run-one")[0].step)) == STEP
    again.close()


def test_bytes_that_are_no_text_are_damage_and_no_full_disk(journal):
    journal.begin_run(a_run())
    journal.intend("run-one", 0, STEP, NOW)
    journal._connection.execute("UPDATE steps SET step = CAST(x'7bff00fe7d' AS TEXT)")
    with pytest.raises(JournalDamaged, match=r"no text.*move it away"):
        journal.steps("run-one")


def test_a_digit_changed_behind_our_back_is_damage(journal):
    journal.begin_run(a_run())
    journal.intend("run-one", 0, {"kind": "Travel", "position_steps": 5200.0}, NOW)
    journal.answer("run-one", 0, {"kind": "Arrived", "position_steps": 5200.0}, NOW)
    journal._connection.execute("UPDATE steps SET answer = replace(answer, '5200', '5300')")
    with pytest.raises(JournalDamaged, match="not as it was written"):
        journal.steps("run-one")


def test_a_full_disk_is_told_and_what_was_written_stands(journal):
    journal.begin_run(a_run())
    journal.intend("run-one", 0, {"kind": "Travel"}, NOW)
    pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(JournalUnwritable, match=r"full.*make room"):
        for _ in range(100):
            journal.answer("run-one", 0, {"kind": "Arrived", "words": "x" * 10_000}, NOW)
    assert [record.answer for record in journal.steps("run-one")] == [None]
    journal._connection.execute("PRAGMA max_page_count = 100000")
    journal.answer("run-one", 0, {"kind": "Arrived"}, NOW)


def test_an_earlier_programs_journal_is_brought_up_to_date_by_its_first_reader(path):
    path.parent.mkdir()
    connection = sqlite3.connect(path)
    connection.executescript(MIGRATIONS[0] + "PRAGMA user_version = 1;")
    connection.close()
    reader = Journal.read(path)
    assert reader.runs() == []
    reader.close()


def test_the_writers_place_is_given_up_even_where_closing_fails(path):
    class Stuck:
        def close(self):
            raise sqlite3.OperationalError("unable to close due to unfinalized statements")

    journal = Journal.open(path)
    real, journal._connection = journal._connection, Stuck()
    with pytest.raises(sqlite3.OperationalError):
        journal.close()
    Journal.open(path).close()
    real.close()
