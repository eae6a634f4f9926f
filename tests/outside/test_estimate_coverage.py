"""The short version of the coverage campaign: a hundred random rigs, made from mechanics alone."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

from coverage_of_intervals import Tally, run
from random_rigs import Wrongs

# A hundred fits in one fixture take a minute of a quick processor, and several on a busy one.
pytestmark = pytest.mark.timeout(900)

RIGS = range(50_000, 50_100)
# Of about a hundred intervals at 95 %, fewer than 88 held would happen by chance once in four hundred.
LEAST_HELD = 0.88
MOST_NULLS = 0.03


@pytest.fixture(scope="module")
def tallies() -> dict[str, Tally]:
    return run(RIGS, Wrongs()).every


@pytest.mark.parametrize(
    "name",
    [
        "backlash",
        "slope",
        "crossing inward",
        "crossing outward",
        "offset",
        "lost motion outward",
        "lost motion inward",
        "temperature coeff.",
    ],
)
def test_intervals_hold(tallies: dict[str, Tally], name: str) -> None:
    tally = tallies[name]
    assert len(tally.held) >= 40
    assert sum(tally.held) / len(tally.held) >= LEAST_HELD
    assert abs(sum(tally.scores) / len(tally.scores)) < 0.35
    assert tally.nulls <= MOST_NULLS * tally.asked


def test_limits_hold(tallies: dict[str, Tally]) -> None:
    limits = tallies["transition"].limits_held
    assert sum(limits) / len(limits) >= LEAST_HELD
