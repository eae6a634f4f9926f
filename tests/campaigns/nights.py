"""Random nights end to end, with spike errors drawn from a calibrated response: right, or an honest null.

Rig, weather, optics, filters and faults are drawn at random; the hard ones by name come first. A number is
wrong and confident when it is more than 4 standard uncertainties and more than half the critical focus zone
off, in a run that ended well and flagged nothing of it: that must not happen.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from daemon.agreement import Comparison
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import Rehearsal, default_config, held_against_truth
from drivers.simulated.client import RunningRig, start_rig
from drivers.simulated.truth import TrueNumbers, true_numbers
from tests.campaigns.tally import Tally

FULL, BRIEF = 1_000, 3
FILTERS = ("L", "R", "G", "B", "Ha", "SII", "OIII")
WITHIN_S = 900.0
SAFE_U, SAFE_ZONES = 4.0, 0.5
# What a slope or a temperature coefficient may be off by before a focus is: on this share, over this many C.
SLOPE_SHARE, SHIFT_C = 0.05, 2.0


@dataclass(frozen=True)
class Trouble:
    """Something that goes wrong once so many looks were taken; ``kind`` "mask" puts it on turned, or off."""

    kind: str
    facts: dict[str, Any] = field(default_factory=dict)
    after_looks: int = 0

    def bring(self, rig: RunningRig) -> None:
        if self.kind == "mask":
            rig.put_mask(**self.facts)
        else:
            rig.fault(self.kind, **self.facts)


@dataclass(frozen=True)
class Night:
    """One night: a rig file, the seed that draws the rest, the filters, and what goes wrong."""

    name: str
    rig: str
    seed: int
    filters: tuple[str, ...] = FILTERS
    troubles: tuple[Trouble, ...] = ()
    reflector: bool = False
    taken_up_steps: float = 0.0

    @property
    def quiet(self) -> bool:
        """Tell whether nothing is injected: then every number should be there."""
        return not self.troubles


def hard_nights() -> list[Night]:
    """Return those that have fooled people, by name; the numbers are our own."""
    cooling = "[weather]\nwaves = []\nmean_c = 2.0\ndrop_c = 22.0\ndrop_s = 39600.0\n"
    return [
        Night("locked drawtube, running counter", "", 41, ("L", "R"), (Trouble("locked_drawtube"),)),
        Night("mask refitted half a turn", "", 42, ("L", "R"),
              (Trouble("mask", {"on": True, "turned_deg": 180.0}, 8),)),
        Night("gravity preloads the train", "[train]\npreload = 0.7\ncreep_steps_per_s = 0.02\n", 43,
              ("L", "R")),
        Night("2 C/h cooling from the start", cooling, 44, ("L", "R", "Ha")),
        Night("slow slip", "[train]\nslip = 0.004\n", 45, ("L", "R")),
        Night("controller that compensates secretly", "[motor]\ntake_up = 80\n", 46, ("L", "R"),
              taken_up_steps=80.0),
        Night("3 nm filter, poor seeing, companion",
              "[weather]\nseeing_fwhm_arcsec = 4.5\n[stars]\ncompanion_ratio = 0.3\n"
              "[filters.Ha.band]\nwidth_nm = 3.0\n",
              47, ("L", "Ha")),
        Night("brown-out in an approach", "", 48, ("L", "R"), (Trouble("reset", {}, 9),)),
        Night("obstructed, far off, mask forgotten", "[motor]\nstart_count = 14500\n", 49, ("L", "R"),
              (Trouble("mask", {"on": False}),), reflector=True),
        Night("dew falls on the lens", "", 50, ("L", "R"), (Trouble("cloud", {"transparency": 5e-4}, 10),)),
        Night("the star sets, or dawn", "", 51, ("L", "R"), (Trouble("star_lost", {}, 10),)),
    ]  # fmt: skip


def random_night(rng: np.random.Generator, number: int) -> Night:
    """Draw a night: a good share of them quiet."""
    reflector = bool(rng.random() < 0.5)
    filters = ("L", *(name for name in FILTERS[1:] if rng.random() < 0.4))
    rig = (
        f"[weather]\nseeing_fwhm_arcsec = {rng.uniform(1.5, 4.2):.2f}\n"
        f"drop_c = {rng.uniform(-2.0, 6.0):.2f}\n"
        f"[train]\npreload = {rng.choice([0.0, 0.0, 0.0, rng.uniform(0.1, 0.7)]):.3f}\n"
        f"[stars]\nstar_rate = {9000.0 * np.exp(rng.normal(0.0, 0.5)):.0f}\n"
    )
    troubles = ()
    if rng.random() < 0.4:
        kind, facts = TROUBLES[int(rng.integers(len(TROUBLES)))]
        troubles = (Trouble(kind, facts, int(rng.integers(0, 20))),)
    name = "quiet" if not troubles else troubles[0].kind.replace("_", " ")
    return Night(name, rig, 1000 + number, filters, troubles, reflector)


TROUBLES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("silent", {}), ("half", {}), ("bad_end", {}), ("garbage_inside", {}), ("doubled", {"count": 2}),
    ("corrupt", {"rate": 0.0005}), ("reset", {}), ("stuck_motor", {}), ("locked_drawtube", {}),
    ("slip", {"share": 0.01}), ("wheel_misses", {}), ("cloud", {"transparency": 0.2}), ("star_lost", {}),
    ("probe_frozen", {}), ("probe_missing", {}), ("loose_coupling", {}),
)  # fmt: skip


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Live the hard nights (as many as rounds allow) and so many random ones."""
    lived(rounds, seed, tally, StageOptions(surrogate=True))


def lived(rounds: int, seed: int, tally: Tally, options: StageOptions) -> None:
    rng, coverage = np.random.default_rng([seed, 77]), Coverage()
    hard = hard_nights()
    for number, night in enumerate([*hard, *(random_night(rng, number) for number in range(rounds))]):
        if number < len(hard) and rounds < len(hard) and (number + seed) % len(hard) >= rounds:
            continue  # a brief turn takes some of the hard ones, others with another seed
        with tempfile.TemporaryDirectory() as folder:
            outcome, words = judged(night, Path(folder), options, coverage)
        tally.add(night.name, outcome, words)
        tally.show(f"  {number:4d} {night.name:<40} seed {night.seed}: {outcome} {words[:150]}")
    for line in coverage.lines():
        tally.note(line)


def config_of(night: Night, folder: Path) -> Any:
    """Return the config that the owner of a night's rig would have written."""
    path = folder / "rig.toml"
    path.write_text(f'base = "{"reflector-190" if night.reflector else "refractor-112"}"\n{night.rig}')
    config = default_config()
    changes: dict[str, Any] = {
        "simulated": config.simulated.model_copy(update={"rig": str(path), "seed": night.seed}),
        "filters": tuple(item for item in config.filters if item.name in night.filters),
    }
    if night.reflector:
        optics = {
            "focal_length_mm": 1750.0,
            "aperture_mm": 190.0,
            "obstruction_ratio": 0.32,
            "pixel_um": 3.76,
        }
        camera = {"electrons_per_adu": 0.25, "read_noise_electrons": 1.5, "pedestal_adu": 240.0}
        changes["optics"] = config.optics.model_copy(update=optics)
        changes["camera"] = config.camera.model_copy(update=camera)
        changes["mask"] = config.mask.model_copy(update={"slit_period_mm": 6.0})
    return config.model_copy(update=changes)


def judged(night: Night, folder: Path, options: StageOptions, coverage: Coverage) -> tuple[Any, str]:
    """Live one night; return how it ended and in what words."""
    config = config_of(night, folder)
    with (
        start_rig(
            folder / "rig",
            rig=config.simulated.rig,
            seed=night.seed,
            peek=True,
            frames=folder / "out" / "frames",
        ) as rig,
        rehearsing(config, night.seed, out=folder / "out", options=options, rig=rig) as stage,
    ):
        ended = perform(stage, rig, night)
        if ended is None:
            return "lost", f"no end within {WITHIN_S:g} s"
        result = held_against_truth(stage)
        if not stands(rig):
            return "lost", "the motor still turns"
    state, code = result.end.state, result.end.result.get("code")
    truth = true_numbers(config.simulated.rig, night.seed)
    if night.quiet and state == "done":
        coverage.add(result, truth)
    result = replace(result, comparisons=tuple(met(item, night) for item in result.comparisons))
    wrong = confident_and_wrong(result, truth)
    if wrong:
        return "lost", f"{state} {code or ''}: {'; '.join(wrong)}"
    proof = result.end.result.get("proof", {}).get("status")
    words = f"{state} {code or ''} {result.end.result.get('message', '')[:100]} proof {proof}"
    words += f" ({ended} trouble(s) came after the end)" if ended else ""
    return ("right" if state == "done" and proof != "failed" else "told"), words


def perform(stage: Any, rig: RunningRig, night: Night) -> int | None:
    """Carry the run out, bringing each trouble at its time; None when it does not end.

    Returns how many troubles came too late for a run that was over.
    """
    for trouble in night.troubles:
        if not trouble.after_looks and trouble.kind != "mask":
            trouble.bring(rig)
    if any(trouble.kind == "mask" and not trouble.after_looks for trouble in night.troubles):
        rig.put_mask(on=False)
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
    before = rig.peek()
    rig.clock.sleep(1.0)
    return bool(rig.peek()["count"] == before["count"])


# what was found, beside what is true


def met(item: Comparison, night: Night) -> Comparison:
    """Return the truth as every command of the rig meets it, a controller's own take-up included.

    Such a controller comes to every count from below: the play is the rest of it, and lies on that side.
    """
    if item.name == "backlash":
        return replace(item, truth=item.truth - night.taken_up_steps)
    if item.name.startswith("best focus"):
        return replace(item, truth=item.truth + night.taken_up_steps)
    return item


def zone_of(item: Comparison, truth: TrueNumbers) -> float:
    zones = truth.critical_focus_zone_steps
    return zones.get(item.name.split()[-1], min(zones.values()))


def allowed(item: Comparison, truth: TrueNumbers) -> float:
    """Return what a number may be off by before a focus made with it is."""
    if item.unit == "px/step":
        return SLOPE_SHARE * abs(item.truth)
    zones = SAFE_ZONES * zone_of(item, truth)
    return zones / SHIFT_C if item.unit == "steps/C" else zones


def confident_and_wrong(result: Rehearsal, truth: TrueNumbers) -> list[str]:
    """Return the numbers that are far off while nothing says so."""
    if result.profile is None or result.end.state != "done":
        return []
    if result.end.result.get("proof", {}).get("status") == "failed":
        return []
    flagged = {flag.field for flag in result.profile.flags}
    return [
        f"{item.name} {item.found.value:.2f} u {item.found.u:.2f}, true {item.truth:.2f}"
        for item in result.comparisons
        if item.found is not None and item.found.value is not None and item.found.u is not None
        if abs(item.deviation_u or 0.0) > SAFE_U and abs(item.found.value - item.truth) > allowed(item, truth)
        if not any(field_of(item) in name or name in ("", field_of(item)) for name in flagged)
    ]


def field_of(item: Comparison) -> str:
    """Return the profile's field of a compared number."""
    kind, _, name = item.name.partition(" ")
    known = {"backlash": "backlash_steps", "transition": "transition_steps", "slope": "slope_px_per_step",
             "offset": f"filters.{name}", "best": "best_focus",
             "temperature": "temperature_coefficient"}  # fmt: skip
    return known[kind]


@dataclass
class Coverage:
    """How often the truth lies within the intervals of quiet nights, how often a number is null, how wide."""

    numbers: dict[str, list[tuple[bool, float]]] = field(default_factory=dict)
    nulls: dict[str, int] = field(default_factory=dict)

    def add(self, result: Rehearsal, truth: TrueNumbers) -> None:
        for item in result.comparisons:
            kind = " ".join(item.name.split()[:1])
            if item.found is None:
                self.nulls[kind] = self.nulls.get(kind, 0) + 1
                continue
            inside = item.found.low95 <= item.truth <= item.found.high95
            width = (item.found.high95 - item.found.low95) / (2.0 * allowed(item, truth))
            self.numbers.setdefault(kind, []).append((inside, width))

    def lines(self) -> Sequence[str]:
        if not self.numbers:
            return []
        rows = [
            "quiet nights: truth inside the 95 % interval, nulls, mean width in what may be off (both ways)"
        ]
        for kind, found in self.numbers.items():
            inside = sum(item[0] for item in found)
            width = float(np.mean([item[1] for item in found]))
            rows.append(
                f"{kind:<14} {inside:4d} of {len(found):4d} ({100.0 * inside / len(found):5.1f} %), "
                f"{self.nulls.get(kind, 0):3d} null, width {width:.2f}"
            )
        return rows


__all__ = ["Night", "hard_nights", "lived", "random_night", "run"]
