"""The walk-throughs of DEVELOPERS.md, run as they stand there."""

from __future__ import annotations

import re
import sys
import types
from pathlib import Path

import pytest

GUIDE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"


def blocks() -> dict[str, str]:
    """Return the fenced blocks that name their file in the first line."""
    text = GUIDE.read_text(encoding="utf-8")
    found = re.findall(r"^```\w+\n# (\S+)\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    return dict(found)


def checks_in(name: str) -> dict[str, types.FunctionType]:
    namespace: dict[str, object] = {"__name__": name}
    exec(compile(blocks()[name], name, "exec"), namespace)
    return {
        key: value
        for key, value in namespace.items()
        if key.startswith("test_") and isinstance(value, types.FunctionType)
    }


def test_the_device_works_as_described(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("small-focuser.toml").write_text(blocks()["small-focuser.toml"])
    tests = checks_in("test_small_focuser.py")
    assert len(tests) == 3
    for test in tests.values():
        test()


def test_the_routine_works_as_described(monkeypatch: pytest.MonkeyPatch) -> None:
    module = types.ModuleType("routines.scripts.steadiness")
    monkeypatch.setitem(sys.modules, module.__name__, module)
    exec(compile(blocks()["steadiness.py"], "steadiness.py", "exec"), module.__dict__)
    tests = checks_in("test_steadiness.py")
    assert len(tests) == 2
    for test in tests.values():
        test()
