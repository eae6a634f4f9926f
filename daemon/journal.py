"""The durable record of every run: each step as an intent before it acts and as an answer after.

SQLite in WAL mode with every commit synced, one writer at a time (held by an advisory lock that dies with its
process), readers at will. Answers are handed back decoded from what was written, so that a script is fed the
same thing live as on replay.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import sqlite3
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Literal

from routines.observations import Observation

RunState = Literal["queued", "running", "holding", "done", "partial", "stopped", "failed"]
UNFINISHED = ("running", "holding")

_MIGRATIONS = (
    """
    CREATE TABLE runs (
        id TEXT PRIMARY KEY,
        routine TEXT NOT NULL,
        script_version INTEGER NOT NULL,
        parameters TEXT NOT NULL,
        config_hash TEXT NOT NULL,
        packages TEXT NOT NULL,
        state TEXT NOT NULL,
        created TEXT NOT NULL,
        ended TEXT,
        result TEXT,
        starts INTEGER NOT NULL DEFAULT 0,
        operator_hold INTEGER NOT NULL DEFAULT 0
    ) STRICT;
    CREATE TABLE steps (
        run_id TEXT NOT NULL REFERENCES runs(id),
        number INTEGER NOT NULL,
        step TEXT NOT NULL,
        intended TEXT NOT NULL,
        answer TEXT,
        answered TEXT,
        PRIMARY KEY (run_id, number)
    ) STRICT;
    """,
    "ALTER TABLE runs ADD COLUMN origin TEXT NOT NULL DEFAULT '';",
    # SQLite keeps no checksums of its own: a damaged digit inside a record would read as another number.
    "ALTER TABLE steps ADD COLUMN sum INTEGER;",
)


def layouts() -> int:
    """Return the number of the present layout; the earlier ones are all below it."""
    return len(_MIGRATIONS)


class JournalError(Exception):
    """Something about the journal itself; nothing was changed."""


class JournalDamaged(JournalError):
    """The file fails SQLite's integrity check or its own sums: keep it, and start with another folder."""


class JournalUnwritable(JournalError):
    """The disk is full, read-only or failing: all that was recorded stands, and the run can be resumed."""


class JournalTooNew(JournalError):
    """A later version of this program wrote the file: use that version."""


class JournalBusy(JournalError):
    """Another process writes this journal: use that one, or another state folder."""


class JournalConflict(JournalError):
    """A step was journaled out of order: a mistake of this program, not of its user."""


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run as it was started; ``parameters`` rebuilds its script."""

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
        lock = _locked(path.with_suffix(".lock"))
        try:
            connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
            try:
                _prepare(connection, path)
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
        if version >= len(_MIGRATIONS):
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
            self._connection.close()
            if self._lock_file is not None:
                self._lock_file.close()

    def begin_run(self, run: RunRecord) -> None:
        """Record a new run before its first step; one that was asked for earlier keeps its place."""
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO runs (id, routine, script_version, parameters, config_hash, packages, state,"
                " created, origin) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (id) DO UPDATE SET script_version = excluded.script_version, parameters ="
                " excluded.parameters, config_hash = excluded.config_hash, packages = excluded.packages,"
                " state = excluded.state, created = excluded.created WHERE runs.state = 'queued'",
                (
                    run.id,
                    run.routine,
                    run.script_version,
                    _written(run.parameters),
                    run.config_hash,
                    _written(run.packages),
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
            connection.execute("UPDATE runs SET result = ? WHERE id = ?", (_written(result), run_id))

    def set_state(self, run_id: str, state: RunState) -> None:
        """Record that a run is running or holding."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET state = ? WHERE id = ?", (state, run_id))

    def set_operator_hold(self, run_id: str, held: bool) -> None:
        """Record that a person holds the run, or no longer does; it outlives a restart."""
        with self._transaction() as connection:
            connection.execute("UPDATE runs SET operator_hold = ? WHERE id = ?", (int(held), run_id))

    def end_run(self, run_id: str, state: RunState, result: dict[str, Any], at: datetime) -> None:
        """Record how a run ended."""
        with self._transaction() as connection:
            connection.execute(
                "UPDATE runs SET state = ?, result = ?, ended = ? WHERE id = ?",
                (state, _written(result), at.isoformat(), run_id),
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
                (run_id, number, _written(step), at.isoformat(), _sum(_written(step), None)),
            )

    def answer(self, run_id: str, number: int, answer: dict[str, Any], at: datetime) -> dict[str, Any]:
        """Record a step's answer and return it as it will be read on replay."""
        text = _written(answer)
        with self._transaction() as connection:
            open_step = connection.execute(
                "SELECT step FROM steps WHERE run_id = ? AND number = ? AND answer IS NULL", (run_id, number)
            ).fetchone()
            if open_step is not None:
                connection.execute(
                    "UPDATE steps SET answer = ?, answered = ?, sum = ? WHERE run_id = ? AND number = ?",
                    (text, at.isoformat(), _sum(open_step[0], text), run_id, number),
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
            if row[5] is not None and row[5] != _sum(row[1], row[3]):
                raise _damaged(self._path, f"step {row[0]} of run {run_id} is not as it was written")
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
                raise _failed(self._path, error) from error

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
                    raise _failed(self._path, error) from error
                raise


_RUN_COLUMNS = (
    "id, routine, script_version, parameters, config_hash, packages, state, created, ended, result, starts,"
    " operator_hold, origin"
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
    )


def _written(value: Any) -> str:
    """Return JSON text; a number that JSON has no word for is a ValueError, not a surprise on replay."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _locked(path: Path) -> IO[str]:
    stream = path.open("a", encoding="utf-8")
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        stream.close()
        raise JournalBusy(
            f"another process writes the journal beside {path}: ask that one, or give another --state folder"
        ) from error
    return stream


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        verdict = connection.execute("PRAGMA integrity_check").fetchall()
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise _damaged(path, str(error)) from error
    if verdict != [("ok",)]:
        raise _damaged(path, "; ".join(row[0] for row in verdict[:3]))
    if version > len(_MIGRATIONS):
        raise JournalTooNew(
            f"{path} has layout {version}; this program knows up to {len(_MIGRATIONS)}. Use the later one."
        )
    for number, sql in enumerate(_MIGRATIONS[version:], start=version + 1):
        connection.executescript(f"BEGIN IMMEDIATE; {sql} PRAGMA user_version = {number}; COMMIT;")


def _failed(path: Path, error: sqlite3.DatabaseError) -> JournalError:
    """Return what a failing database means: a disk that does not take or give, or damage."""
    if not isinstance(error, sqlite3.OperationalError):
        return _damaged(path, str(error))
    return JournalUnwritable(
        f"the journal {path} cannot be used just now ({error}): make room on the disk, or see whether it is "
        "mounted read-only or failing. What was recorded before stands; the run can be taken up again."
    )


def _sum(step: str, answer: str | None) -> int:
    """Return the checksum of a record as it is written."""
    return zlib.crc32(f"{step}\n{answer}".encode("utf-8", "surrogatepass"))


def _damaged(path: Path, reason: str) -> JournalDamaged:
    return JournalDamaged(
        f"the journal {path} is damaged ({reason}). It was left as it is: move it away to keep it, restore a "
        "copy, or start with another --state folder."
    )
