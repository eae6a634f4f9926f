"""The journal's file: its layout and migrations, the lock of its one writer, its checks, and its errors."""

from __future__ import annotations

import fcntl
import json
import sqlite3
import zlib
from pathlib import Path
from typing import IO, Any

MIGRATIONS = (
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
    """
    ALTER TABLE runs ADD COLUMN holds TEXT NOT NULL DEFAULT '[]';
    ALTER TABLE runs ADD COLUMN left_right INTEGER NOT NULL DEFAULT 1;
    """,
)


def layouts() -> int:
    """Return the number of the present layout; the earlier ones are all below it."""
    return len(MIGRATIONS)


class JournalError(Exception):
    """Something about the journal itself; nothing was changed."""


_NO_TEXT = "Could not decode to UTF-8"  # what Python's sqlite3 says of a text that is none


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


def written(value: Any) -> str:
    """Return JSON text; a number that JSON has no word for is a ValueError, not a surprise on replay."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def locked(path: Path) -> IO[str]:
    """Take the writer's lock, which dies with its process; JournalBusy when another has it."""
    stream = path.open("a", encoding="utf-8")
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        stream.close()
        raise JournalBusy(
            f"another process writes the journal beside {path}: ask that one, or give another --state folder"
        ) from error
    return stream


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Check a file and bring it up to the present layout; JournalDamaged or JournalTooNew."""
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        verdict = connection.execute("PRAGMA integrity_check").fetchall()
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise damaged(path, str(error)) from error
    if verdict != [("ok",)]:
        raise damaged(path, "; ".join(row[0] for row in verdict[:3]))
    if version > len(MIGRATIONS):
        raise JournalTooNew(
            f"{path} has layout {version}; this program knows up to {len(MIGRATIONS)}. Use the later one."
        )
    for number, sql in enumerate(MIGRATIONS[version:], start=version + 1):
        connection.executescript(f"BEGIN IMMEDIATE; {sql} PRAGMA user_version = {number}; COMMIT;")


def failed(path: Path, error: sqlite3.DatabaseError) -> JournalError:
    """Return what a failing database means: a disk that does not take or give, or damage."""
    if not isinstance(error, sqlite3.OperationalError):
        return damaged(path, str(error))
    if _NO_TEXT in str(error):
        # The message goes on with the bytes themselves.
        return damaged(path, "a record holds bytes that are no text")
    return JournalUnwritable(
        f"the journal {path} cannot be used just now ({error}): make room on the disk, or see whether it is "
        "mounted read-only or failing. What was recorded before stands; the run can be taken up again."
    )


def record_sum(step: str, answer: str | None) -> int:
    """Return the checksum of a record as it is written."""
    return zlib.crc32(f"{step}\n{answer}".encode("utf-8", "surrogatepass"))


def damaged(path: Path, reason: str) -> JournalDamaged:
    """Return the error for a file that is not as it was written."""
    return JournalDamaged(
        f"the journal {path} is damaged ({reason}). It was left as it is: move it away to keep it, restore a "
        "copy, or start with another --state folder."
    )
