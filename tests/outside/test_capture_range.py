"""A brief turn of the capture table: nothing lost where none may be, and nothing confident and wrong."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
if str(REPOSITORY) not in sys.path:
    sys.path.insert(0, str(REPOSITORY))

from tests.benchmarks import capture_range  # noqa: E402


@pytest.mark.parametrize("zones", [-4.0, -1.0, 2.7])
def test_two_faint_frames_are_right_or_say_so(zones: float) -> None:
    star = capture_range.meter()
    assert capture_range.counted(star, zones, 2e4, 1) == {"right": 1}
    assert capture_range.counted(star, zones, 2e3, 1)["WRONG"] == 0
