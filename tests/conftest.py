"""What every test gets: a watch on leaked threads and descriptors, and a place for pictures.

A library's own pools are named here one by one; whatever else outlives a test is ours, and fails it.
"""

from __future__ import annotations

import gc
import os
import re
import shutil
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from multiprocessing import resource_tracker
from pathlib import Path

import pytest
import quick_starts
import structlog
from hypothesis import settings

# A gate must say the same of the same tree twice; new examples are looked for while working.
settings.register_profile("gate", derandomize=True)
if os.environ.get("CI") == "true":
    settings.load_profile("gate")

REPOSITORY = Path(__file__).resolve().parent.parent
DESCRIPTORS = Path("/proc/self/fd")

LIBRARY_THREADS = re.compile(r"tqdm_monitor|asyncio_\d+|AnyIO worker thread|pytest_timeout|QueueFeederThread")
# Opened once by a library and kept for the life of the process, on purpose.
LIBRARY_FILES = re.compile(r"/dev/(null|urandom|random)|/proc/|.*\.(so|ttf|otf|pyc|json\.gz)\b")
PATIENCE_S = 1.0


@pytest.fixture(scope="session", autouse=True)
def _library_pipe_is_open() -> None:
    """Start multiprocessing's tracker, which keeps a pipe for the life of the process, before any watch."""
    resource_tracker.ensure_running()


@pytest.fixture(scope="session", autouse=True)
def _starts_are_quick() -> None:
    """Begin workers and simulated rigs with their imports done; `quick_starts.anew` does as for a user."""
    quick_starts.install()


@pytest.fixture(autouse=True)
def _logs_as_by_default() -> Iterator[None]:
    """Undo what a command under test made of the log, which is one for the whole process."""
    yield
    structlog.reset_defaults()


@pytest.fixture(autouse=True)
def _leaks_nothing() -> Iterator[None]:
    """Fail a test that leaves a thread running or a descriptor open."""
    threads, descriptors = set(threading.enumerate()), _open_descriptors()
    yield
    extra_threads = _once_settled(lambda: _new_threads(threads))
    extra_descriptors = _once_settled(lambda: _new_descriptors(descriptors))
    if extra_threads or extra_descriptors:
        pytest.fail(f"left behind: threads {extra_threads}, descriptors {extra_descriptors}", pytrace=False)


def _once_settled(leaks: Callable[[], list[str]]) -> list[str]:
    """Return what still leaks after a collection and a little patience, for things on their way out."""
    found = leaks()
    if found:
        gc.collect()
    deadline = time.monotonic() + PATIENCE_S
    while (found := leaks()) and time.monotonic() < deadline:
        time.sleep(0.02)
    return found


def _new_threads(before: set[threading.Thread]) -> list[str]:
    now = set(threading.enumerate()) - before
    return [thread.name for thread in now if thread.is_alive() and not LIBRARY_THREADS.match(thread.name)]


def _open_descriptors() -> Counter[str]:
    if not DESCRIPTORS.is_dir():
        return Counter()
    targets: Counter[str] = Counter()
    for entry in DESCRIPTORS.iterdir():
        if int(entry.name) in quick_starts.pipes_of_the_server():
            continue
        try:
            targets[re.sub(r"\[\d+\]", "", str(entry.readlink()))] += 1
        except FileNotFoundError:  # the listing's own descriptor
            continue
    return targets


def _new_descriptors(before: Counter[str]) -> list[str]:
    now = _open_descriptors() - before
    return [target for target in now.elements() if not _is_a_librarys(target)]


def _is_a_librarys(target: str) -> bool:
    return target.startswith(sys.prefix) or LIBRARY_FILES.match(target) is not None


@pytest.fixture
def output_dir(request: pytest.FixtureRequest) -> Path:
    """Return a folder for pictures and tables of this test, kept after the run and ignored by git."""
    name = re.sub(r"[^\w.-]+", "_", request.node.name)
    folder = REPOSITORY / "test-output" / request.node.path.stem / name
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def needs_browser() -> str:
    """Return the path of a Chromium; without one skip, but fail where checks must be complete (CI=true)."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if path := shutil.which(name):
            return path
    if os.environ.get("CI") == "true":
        pytest.fail("no Chromium on this machine, and with CI=true nothing may be left out", pytrace=False)
    pytest.skip("needs a Chromium on the path (on Debian: apt-get install chromium)")
