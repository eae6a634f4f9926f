"""A brief turn of every campaign, so that each still runs and finds nothing; the long ones are by hand."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from daemon.rehearsal_stage import StageOptions

REPOSITORY = Path(__file__).resolve().parents[2]
if str(REPOSITORY) not in sys.path:
    sys.path.insert(0, str(REPOSITORY))

from tests.campaigns import __main__ as campaigns  # noqa: E402  # after the path is set
from tests.campaigns.night_list import Trouble, hard_nights  # noqa: E402  # after the path is set
from tests.campaigns.tally import Tally  # noqa: E402  # after the path is set

ROUNDS = {"nights": 1, "kill": 1, "line": 40, "disk": 1, "clock": 2, "soak": 2, "bytes": 12}


@pytest.mark.parametrize("name", ROUNDS)
def test_nothing_is_lost_in_a_brief_turn(name: str) -> None:
    assert_nothing_lost(campaigns.module(name), ROUNDS[name])


def test_nothing_is_lost_in_a_night_with_frames() -> None:
    """One whose star sets soon: a whole night with frames is the rehearsal that the gate runs anyway."""
    night = next(night for night in hard_nights() if night.name == "the star sets")
    soon = replace(night, troubles=(Trouble("star_lost", {}, 2),))
    tally = Tally()
    campaigns.module("frames").lived([soon], tally, StageOptions())
    assert not tally.lost, tally.lines()
    assert tally.counts[night.name]["told"] == 1


def test_nothing_is_lost_to_intruders() -> None:
    module = campaigns.module("intruder")
    assert_nothing_lost(module, 1, module.Attack("find_focus", speed=10.0, connections=40))


def assert_nothing_lost(module: ModuleType, rounds: int, *more: object) -> None:
    tally = Tally()
    module.run(rounds, 1, tally, *more)
    print(*tally.lines(), sep="\n")
    assert tally.counts
    assert not tally.lost, tally.lines()


def test_every_campaign_is_there_with_its_numbers() -> None:
    for name in campaigns.CAMPAIGNS:
        module = campaigns.module(name)
        assert 0 < module.BRIEF < module.FULL
        assert module.__doc__


def test_a_lost_try_is_counted_and_told(capsys: pytest.CaptureFixture[str]) -> None:
    failing = ModuleType("failing", "A campaign that fails.")

    def run(rounds: int, seed: int, tally: Tally) -> None:
        tally.add("something", "lost", "gone")
        raise ValueError("and then it broke")

    failing.run = run  # type: ignore[attr-defined]  # a module made up
    assert campaigns.conducted("failing", failing, 1, 1) == 2
    said = capsys.readouterr().out
    assert "LOST something: gone" in said
    assert "and then it broke" in said
