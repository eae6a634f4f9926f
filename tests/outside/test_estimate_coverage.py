"""The short version of the coverage campaign: a hundred random rigs, made from mechanics alone."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

from coverage_of_intervals import Tally, run
from random_rigs import Follower, Wrongs

from daemon.assembly import LAG_U_S

# A hundred fits in one fixture take a minute of a quick processor, and several on a busy one.
pytestmark = pytest.mark.timeout(900)

RIGS = range(50_000, 50_100)
# Of about a hundred intervals at 95 %, fewer than 88 held would happen by chance once in four hundred.
LEAST_HELD = 0.88
MOST_NULLS = 0.03


@pytest.fixture(scope="module")
def tallies() -> dict[str, Tally]:
    return run(RIGS, Wrongs(), lag_u_s=LAG_U_S).every


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


@pytest.mark.parametrize("stood_still", [True, False])
def test_the_rigs_thermometer_follows_newtons_law_of_cooling(stood_still: bool) -> None:
    """A steady change as a body sees it: behind by lag * rate, once it has settled to that."""
    lag, rate = 300.0, 1e-3
    body = Follower(lambda time: rate * time, lag, stood_still=stood_still)
    when = np.cumsum(np.random.default_rng(2).uniform(1.0, 60.0, 40))
    settling = np.exp(-when / lag) if stood_still else 0.0
    assert [body.at(float(time)) for time in when] == pytest.approx(rate * (when - lag * (1.0 - settling)))
