"""Random nights end to end, with spike errors drawn from a calibrated response: right, or an honest null.

Rig, weather, optics, filters and faults are drawn at random; the hard ones by name come first. A number is
wrong and confident when it is more than 4 standard uncertainties and more than half the critical focus zone
off, in a run that ended well and flagged nothing of it, and so is a verdict that says the opposite of the
truth: that must not happen.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import held_against_truth
from drivers.simulated.client import RunningRig, start_rig
from drivers.simulated.truth import true_numbers
from tests.campaigns.night_list import Night, config_of, hard_nights, random_night, with_dawn
from tests.campaigns.night_scores import Coverage, confident_and_wrong, met
from tests.campaigns.tally import Tally

FULL, BRIEF = 1_000, 3
WITHIN_S = 900.0


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Live the hard nights (as many as rounds allow) and so many random ones."""
    lived(chosen(rounds, seed), tally, StageOptions(surrogate=True))


def chosen(rounds: int, seed: int) -> list[Night]:
    """Return the hard nights and so many random ones.

    A brief turn takes some of the hard ones; others with another seed.
    """
    rng, hard = np.random.default_rng([seed, 77]), hard_nights()
    taken = [
        night for number, night in enumerate(hard)
        if rounds >= len(hard) or (number + seed) % len(hard) < rounds
    ]  # fmt: skip
    return [*taken, *(random_night(rng, number) for number in range(rounds))]


def lived(nights: Sequence[Night], tally: Tally, options: StageOptions) -> None:
    """Live these nights one after the other."""
    coverage = Coverage()
    for number, night in enumerate(nights):
        with tempfile.TemporaryDirectory() as folder:
            outcome, words = judged(night, Path(folder), options, coverage)
        tally.add(night.name, outcome, words)
        tally.show(f"  {number:4d} {night.name:<44} seed {night.seed}: {outcome} {words[:150]}")
    for line in coverage.lines():
        tally.note(line)


def judged(night: Night, folder: Path, options: StageOptions, coverage: Coverage) -> tuple[Any, str]:
    """Live one night; return how it ended and in what words."""
    config = config_of(night, folder)
    options = replace(options, how=night.how)
    with start_rig(
        folder / "rig", rig=config.simulated.rig, seed=night.seed, peek=True, frames=folder / "out" / "frames"
    ) as rig:
        config = with_dawn(config, night, rig.clock.now)
        with rehearsing(config, night.seed, out=folder / "out", options=options, rig=rig) as stage:
            ended = perform(stage, rig, night)
            if ended is None:
                return "lost", f"no end within {WITHIN_S:g} s"
            result = held_against_truth(stage)
            if not stands(rig):
                return "lost", "the motor still turns"
            minutes = rig.clock.monotonic() / 60.0
    state, code = result.end.state, result.end.result.get("code")
    truth = true_numbers(config.simulated.rig, night.seed)
    result = replace(result, comparisons=tuple(met(item, night) for item in result.comparisons))
    if night.quiet and state == "done":
        coverage.add(result, truth)
    wrong = confident_and_wrong(result, truth)
    if wrong:
        return "lost", f"{state} {code or ''}: {'; '.join(wrong)}"
    proof = result.end.result.get("proof", {}).get("status")
    words = f"{state} {code or ''} {result.end.result.get('message', '')[:100]}"
    words += f" proof {proof}, after {minutes:.0f} min"
    words += f" ({ended} trouble(s) came after the end)" if ended else ""
    return ("right" if state == "done" and proof != "failed" else "told"), words


def perform(stage: Any, rig: RunningRig, night: Night) -> int | None:
    """Carry the run out, bringing each trouble at its time; None when it does not end.

    Returns how many troubles came too late for a run that was over.
    """
    for trouble in night.troubles:
        if trouble.kind == "mask forgotten":
            stage.hands.conditions["mask_on"] = lambda at_most_s, stop: 0.0
        if not trouble.after_looks:
            trouble.bring(rig)
    thread = threading.Thread(target=stage.perform)
    thread.start()
    left = [trouble for trouble in night.troubles if trouble.after_looks]
    until = time.monotonic() + WITHIN_S
    while thread.is_alive() and time.monotonic() < until:
        seen = stage.live.snapshot().observations
        for trouble in [item for item in left if item.after_looks <= seen]:
            left.remove(trouble)
            trouble.bring(rig)
        thread.join(0.005 if left else 0.2)
    ended = not thread.is_alive()
    if not ended:
        stage.conductor.stop()
        thread.join(60.0)
    return len(left) if ended else None


def stands(rig: RunningRig) -> bool:
    """Tell whether nothing moves any more."""
    before = rig.peek()
    rig.clock.sleep(1.0)
    return bool(rig.peek()["count"] == before["count"])
