"""A disk full, read-only or failing, a torn last write, damaged files: told clearly, and nothing lost.

A full disk is SQLite's own limit on pages, a read-only one its query-only mode: they give the same errors.
Where the system lets us mount a small tmpfs, a real disk is filled as well. A single changed byte in a
profile is not among the damages: a profile is a plain file that its owner may edit.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from daemon.journal import Journal
from daemon.journal_file import JournalDamaged, JournalUnwritable
from daemon.profile_store import ProfileDamaged, ProfileStore
from tests.campaigns.tally import Tally

FULL, BRIEF = 100, 4
ROUTINE = "backlash"
ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EDQUOT)


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Try each trouble so many times."""
    rng = np.random.default_rng([seed, 5])
    with tempfile.TemporaryDirectory() as folder:
        whole = performed(Path(folder) / "whole")
        for number in range(rounds):
            place = Path(folder) / str(number)
            limited_journal(place / "full", whole, rng, tally, "disk full during a run", full)
            limited_journal(place / "only", whole, rng, tally, "disk read-only during a run", read_only)
            torn_write(place / "torn", whole, rng, tally)
            damaged_journal(place / "hurt", whole, rng, tally)
            failing_write(place / "profile", rng, tally)
            damaged_profile(place / "bad", rng, tally)
            shutil.rmtree(place)
        small_disk(Path(folder) / "tmpfs", whole, tally)


# a whole run on devices of plain attributes, and what it gives


def performed(folder: Path) -> Any:
    from fake_rig import FakeRig, begin, conductor_of

    journal = Journal.open(folder / "journal.sqlite3")
    conductor = conductor_of(journal, FakeRig())
    end = conductor.carry_on(begin(conductor, ROUTINE))
    journal.close()
    return end


def comparable(looks: Any) -> Any:
    return [replace(seen, time_s=None) for seen in looks]


def resumed(journal: Journal, rig: Any, run_id: str, whole: Any) -> tuple[bool, str]:
    """Take a run up again on a sound disk; tell whether it ends as the undisturbed one."""
    from fake_rig import conductor_of

    end = conductor_of(journal, rig).carry_on(run_id)
    same = comparable(end.ledger.observations) == comparable(whole.ledger.observations)
    return same and end.result == whole.result, f"ended {end.state} with {len(end.ledger.observations)} looks"


class Spoil:
    """Does something to the journal once a step is reached."""

    def __init__(self, journal: Journal, at: int, action: Any) -> None:
        self.journal, self.at, self.action = journal, at, action

    def reach(self, place: str, number: int) -> None:
        if number == self.at and place == "acted":
            self.action(self.journal._connection)


def full(connection: Any) -> None:
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")


def read_only(connection: Any) -> None:
    connection.execute("PRAGMA query_only = ON")


def limited_journal(
    folder: Path, whole: Any, rng: np.random.Generator, tally: Tally, what: str, action: Any
) -> None:
    """Spoil the disk in mid-run, mend it, and take the run up again."""
    from fake_rig import FakeRig, begin, conductor_of

    journal, rig = Journal.open(folder / "journal.sqlite3"), FakeRig()
    at = int(rng.integers(2, 30))
    conductor = conductor_of(journal, rig, faults=Spoil(journal, at, action))
    run_id = begin(conductor, ROUTINE)
    try:
        end = conductor.carry_on(run_id)
        # So near its end that the pages at hand were enough; what was written to them is all there.
        same = action is full and comparable(end.ledger.observations) == comparable(whole.ledger.observations)
        tally.add(what, "right" if same else "lost", f"the run went on past step {at}")
    except JournalUnwritable as error:
        recorded = journal.observations(run_id)
        prefix = comparable(recorded) == comparable(whole.ledger.observations[: len(recorded)])
        journal._connection.execute("PRAGMA max_page_count = 1000000")
        journal._connection.execute("PRAGMA query_only = OFF")
        same, words = resumed(journal, rig, run_id, whole)
        good = prefix and same and rig.halts > 0 and "make room" in str(error)
        tally.add(what, "right" if good else "lost", f"{words}; halts {rig.halts}; {error}")
    finally:
        journal.close()


def interrupted(folder: Path, at: int) -> tuple[Path, Any, str]:
    """Leave a journal as a power cut does: a run under way, its latest records in the log beside it."""
    from fake_rig import FakeRig, begin, conductor_of

    journal, rig = Journal.open(folder / "live" / "journal.sqlite3"), FakeRig()

    class Cut(BaseException):
        pass

    def cut(connection: Any) -> None:
        raise Cut

    conductor = conductor_of(journal, rig, faults=Spoil(journal, at, cut))
    run_id = begin(conductor, ROUTINE)
    with contextlib.suppress(Cut):
        conductor.carry_on(run_id)
    left = folder / "left"
    left.mkdir()
    for path in (folder / "live").glob("journal.sqlite3*"):
        shutil.copy(path, left / path.name)
    journal.close()
    return left / "journal.sqlite3", rig, run_id


def torn_write(folder: Path, whole: Any, rng: np.random.Generator, tally: Tally) -> None:
    """Tear the end off the log of the latest records, as a power cut in mid-write may."""
    path, rig, run_id = interrupted(folder, int(rng.integers(2, 30)))
    log = path.with_name("journal.sqlite3-wal")
    content = bytearray(log.read_bytes())
    tail = int(rng.integers(1, 9000))
    if rng.random() < 0.5:
        content = content[:-tail]
    else:
        content[-tail:] = rng.bytes(min(tail, len(content)))
    log.write_bytes(bytes(content))
    what = "torn last write"
    try:
        journal = Journal.open(path)
    except JournalDamaged as error:
        tally.add(what, "told", str(error))
        return
    try:
        known = [run.id for run in journal.unfinished()]
        if run_id not in known:
            tally.add(what, "right")  # torn so early that the run itself was never on the disk
            return
        recorded = journal.observations(run_id)
        prefix = comparable(recorded) == comparable(whole.ledger.observations[: len(recorded)])
        same, words = resumed(journal, rig, run_id, whole)
        tally.add(what, "right" if prefix and same else "lost", words)
    finally:
        journal.close()


def damaged_journal(folder: Path, whole: Any, rng: np.random.Generator, tally: Tally) -> None:
    """Overwrite part of a sound journal: noise, zeros, or a single digit."""
    end = performed(folder)
    path = folder / "journal.sqlite3"
    content = bytearray(path.read_bytes())
    kind = str(rng.choice(["noise", "zeros", "digit"]))
    if kind == "digit":
        digits = [place for place, byte in enumerate(content) if chr(byte) in "123456789" and place > 8192]
        place = int(rng.choice(digits))
        content[place] = ord("0") if rng.random() < 0.5 else content[place] ^ 1
    else:
        place, size = int(rng.integers(0, len(content))), int(rng.integers(1, 4096))
        content[place : place + size] = bytes(size) if kind == "zeros" else rng.bytes(size)
    path.write_bytes(bytes(content))
    damaged, what = path.read_bytes(), f"journal damaged: {kind}"
    try:
        journal = Journal.open(path)
    except JournalDamaged as error:
        kept = path.read_bytes() == damaged and "move it away" in str(error)
        tally.add(what, "told" if kept else "lost", f"the damaged file was changed: {error}")
        return
    try:
        same = comparable(journal.observations(end.run_id)) == comparable(whole.ledger.observations)
        tally.add(what, "right" if same else "lost", f"other observations were read, byte {place}")
    except (JournalDamaged, KeyError) as error:
        tally.add(what, "told", str(error))
    finally:
        journal.close()


# profiles


def profiles() -> tuple[Any, Any]:
    from datetime import UTC, datetime

    from profile_cases import case_facts, case_fit

    from routines.profile_build import build_profile

    nights = (datetime(2026, 3, day, 22, tzinfo=UTC) for day in (14, 15))
    old, new = (build_profile(case_fit(), case_facts(created=night)) for night in nights)
    return old, new


def failing_write(folder: Path, rng: np.random.Generator, tally: Tally) -> None:
    """Fail a random system call while a profile is replaced: the old one or the new one is there, whole."""
    store, (old, new) = ProfileStore(folder), profiles()
    store.save(old)
    number, calls = int(rng.choice(ERRORS)), {"left": int(rng.integers(0, 3))}

    def failing(real: Any) -> Any:
        def call(*args: Any, **kwargs: Any) -> Any:
            if calls["left"] == 0:
                calls["left"] = -1
                raise OSError(number, os.strerror(number))
            calls["left"] -= 1
            return real(*args, **kwargs)

        return call

    names = ["os.fsync", "os.fdopen", "pathlib.Path.replace"]
    name, what = str(rng.choice(names)), "profile written to a failing disk"
    owner = Path.replace if name.endswith("replace") else getattr(os, name.partition(".")[2])
    told = ""
    with mock.patch(name, failing(owner)):
        try:
            store.save(new)
        except OSError as error:
            told = str(error)
    found, left = store.latest(), list(folder.rglob("*.part"))
    good = found in (old, new) and not left and (found == new or bool(told))
    tally.add(
        what, ("told" if told else "right") if good else "lost", f"{name}: {told or 'no error'}, {left}"
    )


def damaged_profile(folder: Path, rng: np.random.Generator, tally: Tally) -> None:
    """Cut a profile short, or overwrite a sector of it."""
    store, (old, _) = ProfileStore(folder), profiles()
    store.save(old)
    content = bytearray(store.latest_path.read_bytes())
    kind, place = str(rng.choice(["cut", "zeros", "noise"])), int(rng.integers(0, len(content) - 600))
    if kind == "cut":
        content = content[:place]
    else:
        content[place : place + 512] = bytes(512) if kind == "zeros" else rng.bytes(512)
    store.latest_path.write_bytes(bytes(content))
    what = f"profile damaged: {kind}"
    try:
        found = store.latest()
    except ProfileDamaged as error:
        kept = error.copy is not None and error.copy.read_bytes() == bytes(content)
        tally.add(what, "told" if kept else "lost", "the damaged bytes were not kept")
    else:
        tally.add(what, "right" if found == old else "lost", "other numbers were read")


# a real small disk


def small_disk(folder: Path, whole: Any, tally: Tally) -> None:
    """Fill a real disk under a run, where mounting one is allowed."""
    folder.mkdir()
    with mounted(folder) as there:
        if not there:
            tally.note("no tmpfs could be mounted here: a full disk was SQLite's own limit only")
            return
        on_small_disk(folder, whole, tally)


@contextlib.contextmanager
def mounted(folder: Path) -> Iterator[bool]:
    words = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)]
    try:
        there = subprocess.run(words, capture_output=True, check=False).returncode == 0
    except OSError:
        there = False
    try:
        yield there
    finally:
        if there:
            subprocess.run(["umount", "-l", str(folder)], check=False)


def fill(folder: Path) -> None:
    with contextlib.suppress(OSError), (folder / "fill").open("wb", buffering=0) as stream:
        while True:
            stream.write(bytes(4096))


def on_small_disk(folder: Path, whole: Any, tally: Tally) -> None:
    """Fill a disk in mid-run, make room again, and take the run up with a journal opened anew."""
    from fake_rig import FakeRig, begin, conductor_of

    what = "a real disk filled up in mid-run"
    journal, rig = Journal.open(folder / "journal.sqlite3"), FakeRig()
    conductor = conductor_of(journal, rig, faults=Spoil(journal, 12, lambda connection: fill(folder)))
    run_id = begin(conductor, ROUTINE)
    try:
        conductor.carry_on(run_id)
        tally.add(what, "lost", "the run went on")
    except JournalUnwritable as error:
        (folder / "fill").unlink()
        journal.close()
        journal = Journal.open(folder / "journal.sqlite3")
        same, words = resumed(journal, rig, run_id, whole)
        tally.add(what, "right" if same and rig.halts else "lost", f"{words}; {error}")
    finally:
        journal.close()
