"""The durable record of every run: each step as an intent before it acts and as an answer after.

SQLite in WAL mode with every commit synced, one writer at a time (held by an advisory lock that dies with its
process), readers at will. Answers are handed back decoded from what was written, so that a script is fed the
same thing live as on replay.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Literal

from daemon.journal_file import (
    MIGRATIONS,
    JournalBusy,
    JournalConflict,
    damaged,
    failed,
    locked,
    prepare,
    record_sum,
    written,
)
from routines.observations import Observation

RunState = Literal["queued", "running", "holding", "done", "partial", "stopped", "failed"]
UNFINISHED = ("running", "holding")


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run as it was started; ``parameters`` rebuilds its script.

    ``left_right`` is False until the rig was seen to after the run: its mask, its focuser, the hooks.
    """

    id: str
    routine: str
    script_version: int
    parameters: dict[str, Any]
    config_hash: str
    packages: dict[str, str]
    state: RunState = "running"
    created: str = ""
    ended: str | None = None
    result: dict[str, Any] | None = None
    starts: int = 0
    operator_hold: bool = False
    origin: str = ""
    left_right: bool = False


@dataclass(frozen=True, slots=True)
class StepRecord:
    """One journaled step, decoded; ``answer`` is None while only the intent is written."""

    number: int
    step: dict[str, Any]
    intended: str
    answer: dict[str, Any] | None
    answered: str | None


class Journal:
    """The journal of one state folder; ``Journal.open`` is the writer, ``Journal.read`` only looks."""

    def __init__(self, connection: sqlite3.Connection, path: Path, lock: IO[str] | None) -> None:
        self._connection = connection
        self._path = path
        self._lock_file = lock
        self._mutex = threading.Lock()

    @classmethod
    def open(cls, path: Path) -> Journal:
        """Open for writing, made if missing, checked and migrated; raises one of the `JournalError`s."""
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = locked(path.with_suffix(".lock"))
        try:
            connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
            try:
                prepare(connection, path)
            except BaseException:
                connection.close()
                raise
        except BaseException:
            lock.close()
            raise
        return cls(connection, path, lock)

    @classmethod
    def read(cls, path: Path) -> Journal:
        """Open for reading beside a writer; FileNotFoundError when there is no journal yet."""
        if not path.exists():
            raise FileNotFoundError(f"no journal at {path}: nothing has been run with this state folder")
        uri = f"{path.absolute().as_uri()}?mode=ro"
        connection = sqlite3.connect(
            uri, uri=True, isolation_level=None, check_same_thread=False, timeout=10.0
        )
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version >= len(MIGRATIONS):
            return cls(connection, path, None)
        connection.close()
        try:
            cls.open(path).close()  # an earlier program's: brought up to date
        except JournalBusy:
            raise FileNotFoundError(
                f"the journal at {path} has only just been made: nothing was run yet"
            ) from None
        return cls.read(path)

    def close(self) -> None:
        """Close the file and give up the writer's lock."""
        with self._mutex:
            try:
                self._connection.close()
            finally:
                if self._lock_file is not None:
                    self._lock_file.close()

    def begin_run(self, run: RunRecord) -> None:
        """Record a new run before its first step; one that was asked for earlier keeps its place."""
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO runs (id, routine, script_version, parameters, config_hash, packages, state,"
                " created, origin, left_right) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 0)"
                " ON CONFLICT (id) DO UPDATE SET script_version = excluded.script_version, parameters ="
                " excluded.parameters, config_hash = excluded.config_hash, packages = excluded.packages,"
                " state = excluded.state, created = excluded.created WHERE runs.state = 'queued'",
                (
                    run.id,
                    run.routine,
                    run.script_version,
                    written(run.parameters),
                    run.config_hash,
                    written(run.packages),
                    run.state,
                    run.created,
                    run.origin,
                ),
            )

    def count_start(self, run_id: str) -> int:
        """Count one more start of a run and return how many there were: a run that keeps crashing shows."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET starts = starts + 1 WHERE id = ?", (run_id,))
        return self.run(run_id).starts

    def forgive_start(self, run_id: str) -> None:
        """Take one start back: the run was left in good order, and will be taken up again."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET starts = max(0, starts - 1) WHERE id = ?", (run_id,))

    def add_to_result(self, run_id: str, facts: dict[str, Any]) -> None:
        """Add to an ended run's result what became known after its end."""
        result = (self.run(run_id).result or {}) | facts
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET result = ? WHERE id = ?", (written(result), run_id))

    def set_state(self, run_id: str, state: RunState) -> None:
        """Record that a run is running or holding."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET state = ? WHERE id = ?", (state, run_id))

    def set_operator_hold(self, run_id: str, held: bool) -> None:
        """Record that a person holds the run, or no longer does; it outlives a restart."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET operator_hold = ? WHERE id = ?", (int(held), run_id))

    def holds(self, run_id: str) -> list[dict[str, Any]]:
        """Return when a run was held so far, and why, its earlier lives included."""
        rows = self._query("SELECT holds FROM runs WHERE id = ?", (run_id,))
        found: list[dict[str, Any]] = json.loads(rows[0][0]) if rows else []
        return found

    def keep_holds(self, run_id: str, holds: Sequence[dict[str, Any]]) -> None:
        """Record a run's holds as they begin and end: a restart must not forget them."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET holds = ? WHERE id = ?", (written(list(holds)), run_id))

    def note_left(self, run_id: str) -> None:
        """Record that the rig was left as wanted after a run, or that somebody was told to see to it."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET left_right = 1 WHERE id = ?", (run_id,))

    def end_run(self, run_id: str, state: RunState, result: dict[str, Any], at: datetime) -> None:
        """Record how a run ended."""
        with self._transaction() as connection:
            connection.execute(
                "UPDATE runs SET state = ?, result = ?, ended = ? WHERE id = ?",
                (state, written(result), at.isoformat(), run_id),
            )

    def intend(self, run_id: str, number: int, step: dict[str, Any], at: datetime) -> None:
        """Record what is about to be done; doing so again for the pending step of a resume is harmless."""
        with self._transaction() as connection:
            found = connection.execute(
                "SELECT step, answer FROM steps WHERE run_id = ? AND number = ?", (run_id, number)
            ).fetchone()
            if found is not None and (found[1] is not None or json.loads(found[0]) != step):
                raise JournalConflict(f"step {number} of run {run_id} is journaled already, as {found[0]}")
            connection.execute(
                "INSERT OR IGNORE INTO steps (run_id, number, step, intended, sum) VALUES (?, ?, ?, ?, ?)",
                (run_id, number, written(step), at.isoformat(), record_sum(written(step), None)),
            )

    def answer(self, run_id: str, number: int, answer: dict[str, Any], at: datetime) -> dict[str, Any]:
        """Record a step's answer and return it as it will be read on replay."""
        text = written(answer)
        with self._transaction() as connection:
            open_step = connection.execute(
                "SELECT step FROM steps WHERE run_id = ? AND number = ? AND answer IS NULL", (run_id, number)
            ).fetchone()
            if open_step is not None:
                connection.execute(
                    "UPDATE steps SET answer = ?, answered = ?, sum = ? WHERE run_id = ? AND number = ?",
                    (text, at.isoformat(), record_sum(open_step[0], text), run_id, number),
                )
            else:
                raise JournalConflict(f"step {number} of run {run_id} has no open intent to answer")
        decoded: dict[str, Any] = json.loads(text)
        return decoded

    def run(self, run_id: str) -> RunRecord:
        """Return a run; KeyError when there is none of that id."""
        rows = self._query(f"SELECT {_RUN_COLUMNS} FROM runs WHERE id = ?", (run_id,))
        if not rows:
            raise KeyError(f"no run {run_id!r} in {self._path}")
        return _run_from(rows[0])

    def runs(self) -> list[RunRecord]:
        """Return every run, oldest first."""
        return [_run_from(row) for row in self._query(f"SELECT {_RUN_COLUMNS} FROM runs ORDER BY rowid", ())]

    def unfinished(self) -> list[RunRecord]:
        """Return the runs that a crash or a power cut interrupted, oldest first."""
        return [run for run in self.runs() if run.state in UNFINISHED]

    def queued(self) -> list[RunRecord]:
        """Return the runs that were asked for and have not begun, oldest first."""
        return [run for run in self.runs() if run.state == "queued"]

    def steps(self, run_id: str, beyond: int = -1) -> list[StepRecord]:
        """Return a run's steps past number ``beyond``, in order."""
        rows = self._query(
            "SELECT number, step, intended, answer, answered, sum FROM steps WHERE run_id = ? AND number > ?"
            " ORDER BY number",
            (run_id, beyond),
        )
        for row in rows:
            if row[5] is not None and row[5] != record_sum(row[1], row[3]):
                raise damaged(self._path, f"step {row[0]} of run {run_id} is not as it was written")
        return [
            StepRecord(row[0], json.loads(row[1]), row[2], row[3] and json.loads(row[3]), row[4])
            for row in rows
        ]

    def observations(self, run_id: str) -> list[Observation]:
        """Return every look of a run in the order taken."""
        answers = (record.answer for record in self.steps(run_id))
        return [
            Observation.from_dict(answer["observation"])
            for answer in answers
            if answer is not None and answer["kind"] == "Seen"
        ]

    def _query(self, sql: str, values: tuple[Any, ...]) -> list[Any]:
        with self._mutex:
            try:
                return self._connection.execute(sql, values).fetchall()
            except sqlite3.DatabaseError as error:
                raise failed(self._path, error) from error

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._mutex:
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException as error:
                # A full disk may have ended the transaction already.
                with contextlib.suppress(sqlite3.Error):
                    if self._connection.in_transaction:
                        self._connection.execute("ROLLBACK")
                if isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.IntegrityError):
                    raise failed(self._path, error) from error
                raise


_RUN_COLUMNS = (
    "id, routine, script_version, parameters, config_hash, packages, state, created, ended, result, starts,"
    " operator_hold, origin, left_right"
)


def _run_from(row: tuple[Any, ...]) -> RunRecord:
    return RunRecord(
        id=row[0],
        routine=row[1],
        script_version=row[2],
        parameters=json.loads(row[3]),
        config_hash=row[4],
        packages=json.loads(row[5]),
        state=row[6],
        created=row[7],
        ended=row[8],
        result=json.loads(row[9]) if row[9] else None,
        starts=row[10],
        operator_hold=bool(row[11]),
        origin=row[12],
        left_right=bool(row[13]),
    )
