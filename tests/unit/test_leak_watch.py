"""The watch on leaks must itself be able to fail: it runs here on tests that leak on purpose."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

LEAKY = """
import os, threading, time
import pytest

held = []

def test_tidy():
    read, write = os.pipe()
    os.close(read), os.close(write)
    thread = threading.Thread(target=time.sleep, args=(0.05,))
    thread.start()

def test_leaks_a_thread():
    stop = threading.Event()
    held.append(stop)
    threading.Thread(target=stop.wait, daemon=True, name="forgotten").start()

def test_leaks_a_descriptor():
    held.extend(os.pipe())

def test_leaves_a_file_open(tmp_path):
    held.append(open(tmp_path / "kept", "w"))

def test_needs_one(needs_browser):
    assert needs_browser
"""


def run_in(folder: Path, **environment: str) -> str:
    for name in ("conftest.py", "quick_starts.py"):
        shutil.copy(Path(__file__).parents[1] / name, folder / name)
    (folder / "test_leaky.py").write_text(LEAKY)
    plugins = ["-p", "no:cacheprovider", "-p", "no:schemathesis"]  # slow to import, and no part of the watch
    command = [sys.executable, "-m", "pytest", "-rA", *plugins, str(folder)]
    done = subprocess.run(
        command, cwd=folder, env={**os.environ, **environment}, capture_output=True, text=True, check=False
    )
    return done.stdout


def test_what_leaks_is_named_and_what_is_tidy_passes(tmp_path: Path) -> None:
    report = run_in(tmp_path, PATH="/nonexistent", CI="")
    assert "PASSED test_leaky.py::test_tidy" in report
    assert "ERROR test_leaky.py::test_leaks_a_thread" in report
    assert "forgotten" in report
    assert "ERROR test_leaky.py::test_leaks_a_descriptor" in report
    assert "ERROR test_leaky.py::test_leaves_a_file_open" in report
    assert "needs a Chromium on the path" in report


def test_a_missing_browser_fails_where_checks_must_be_complete(tmp_path: Path) -> None:
    report = run_in(tmp_path, PATH="/nonexistent", CI="true")
    assert "nothing may be left out" in report
    assert "1 skipped" not in report
