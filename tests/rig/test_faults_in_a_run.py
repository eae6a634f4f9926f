"""Faults in the middle of a whole run: it goes on to the same numbers, or ends with the right reason and a
standing motor; the journal never holds a number that an undisturbed run would not hold.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from calm_rig import calm_config, hurried, two_filters

from daemon.rehearsal_stage import StageOptions, rehearsing
from drivers.simulated.client import RunningRig, start_rig

SEED = 3
SURROGATE = StageOptions(surrogate=True)


@dataclass
class Ended:
    state: str
    code: str | None
    message: str
    looks: list[Any]
    proof: dict[str, Any]
    stands: bool
    wrote_profile: bool


def undated(looks: list[Any]) -> list[Any]:
    return [replace(seen, time_s=None) for seen in looks]


def the_same(looks: list[Any], calm: list[Any]) -> bool:
    """Say whether two runs saw the same: a retry shifts the rig's clock by next to nothing."""
    pairs = zip(looks, calm, strict=True)
    alike = (replace(seen, value_px=other.value_px) == other for seen, other in pairs)
    close = [seen.value_px for seen in looks] == pytest.approx([seen.value_px for seen in calm], abs=1e-6)
    return all(alike) and close


def performed(folder: Path, protocol: str, disturb: Callable[[RunningRig], None], after_looks: int) -> Ended:
    """Let a run go, disturb the rig once after so many looks, and return how it ended."""
    config = hurried(two_filters(calm_config(folder)), folder, protocol)
    with start_rig(folder / "rig", rig=config.simulated.rig, seed=SEED, protocol=protocol, peek=True) as rig:
        with rehearsing(config, SEED, out=folder / "out", options=SURROGATE, rig=rig) as stage:
            thread = threading.Thread(target=stage.perform)
            thread.start()
            while stage.live.snapshot().observations < after_looks and thread.is_alive():
                time.sleep(0.002)
            disturb(rig)
            thread.join(100.0)
            assert not thread.is_alive()
            end = stage.end
            profile = stage.concluded() if end.state == "failed" else None
        return Ended(
            end.state,
            end.result.get("code"),
            end.result.get("message", ""),
            undated(end.ledger.observations),
            end.result.get("proof", {}),
            stands(rig),
            profile is not None,
        )


def stands(rig: RunningRig) -> bool:
    before = rig.peek()
    rig.clock.sleep(1.0)
    after = rig.peek()
    return before["place_steps"] == after["place_steps"] and after["turning"] != "turning"


@pytest.fixture(scope="module", params=["words", pytest.param("frames", marks=pytest.mark.campaign)])
def undisturbed(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Ended]]:
    ended = performed(tmp_path_factory.mktemp("calm"), request.param, lambda rig: None, 0)
    assert ended.state == "done"
    yield request.param, ended


ENDS_IT = {
    "stuck_motor": ({}, "no progress"),
    "limit_switch": ({"count_at": 23700}, "limit switch"),
    "unasked_motion": ({"steps_per_s": 5.0}, "the distance grows|without being asked to"),
    "reset": ({}, "reset|jumped|without being asked to|zero is lost"),
    "wheel_misses": ({}, "lost its place on the way to slot"),
    "silent": ({"count": 100_000, "device": "wheel"}, "no reply within"),
}


@pytest.mark.parametrize("kind", ENDS_IT)
def test_a_lasting_fault_ends_the_run_with_its_reason(undisturbed, tmp_path, kind) -> None:
    protocol, whole = undisturbed
    facts, complaint = ENDS_IT[kind]

    def disturb(rig: RunningRig) -> None:
        rig.fault(kind, **facts)

    ended = performed(tmp_path, protocol, disturb, after_looks=12)
    assert ended.state in ("partial", "failed"), ended
    assert ended.code == ("reply_late" if kind == "silent" else "motion_fault")
    assert any(word in ended.message for word in complaint.split("|")), ended.message
    assert the_same(ended.looks, whole.looks[: len(ended.looks)])
    assert len(ended.looks) < len(whole.looks)
    assert ended.stands or kind == "unasked_motion"  # this one moves on whoever halts it


@pytest.mark.parametrize("kind", ["locked_drawtube", "wrong_way"])
def test_a_drawtube_that_does_not_follow_ends_the_run_without_a_profile(undisturbed, tmp_path, kind) -> None:
    """The counter runs on as told: the star alone shows it, and no huge play is made of it."""
    protocol, _ = undisturbed
    ended = performed(tmp_path, protocol, lambda rig: rig.fault(kind), after_looks=12)
    assert ended.state == "failed" or (kind, ended.code) == ("wrong_way", "not_measured"), ended
    # A drawtube that goes the other way may leave the range in which the star can be measured before that.
    assert ended.code == "does_not_follow" or (kind, ended.code) == ("wrong_way", "not_measured")
    assert "the drawtube is locked" in ended.message or kind == "wrong_way"
    assert not ended.wrote_profile
    assert ended.stands


def test_a_motor_that_slips_fails_the_proof_or_ends_the_run(undisturbed, tmp_path) -> None:
    protocol, _ = undisturbed
    ended = performed(tmp_path, protocol, lambda rig: rig.fault("slip", share=0.03), after_looks=10)
    assert ended.code == "does_not_follow" or ended.proof["status"] == "failed", ended
    assert ended.stands


@pytest.mark.parametrize(
    "kind",
    [
        "silent",
        "garbage_inside",
        "doubled",
        *(pytest.param(kind, marks=pytest.mark.campaign) for kind in ("half", "bad_end", "garbage_before")),
    ],
)
def test_a_spoilt_reply_changes_nothing(undisturbed, tmp_path, kind) -> None:
    protocol, whole = undisturbed
    ended = performed(tmp_path, protocol, lambda rig: rig.fault(kind, count=1), after_looks=10)
    assert the_same(ended.looks[:10], whole.looks[:10])
    if ended.state == "done":
        assert the_same(ended.looks, whole.looks)
    else:  # a move whose acknowledgement was spoilt may have left the straight way
        assert the_same(ended.looks, whole.looks[: len(ended.looks)])
        assert ended.stands


@pytest.mark.parametrize("rate", [0.0005, pytest.param(0.002, marks=pytest.mark.campaign)])
def test_damaged_bytes_give_no_wrong_look(undisturbed, tmp_path, rate) -> None:
    protocol, whole = undisturbed
    ended = performed(tmp_path, protocol, lambda rig: rig.fault("corrupt", rate=rate), after_looks=5)
    print(protocol, ended.state, ended.code, len(ended.looks))
    assert the_same(ended.looks, whole.looks[: len(ended.looks)])
    assert ended.state == "done" or ended.stands
