"""What was found in a night, beside what is true: wrong and confident, verdicts, coverage."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daemon.agreement import Comparison
from daemon.rehearse import Rehearsal
from drivers.simulated.truth import TrueNumbers
from routines.profile import Measured
from routines.verdict import Weight, focus_zones, judge, weigh
from tests.campaigns.night_list import Night

SAFE_U, SAFE_ZONES = 4.0, 0.5
# What a slope or a temperature coefficient may be off by before a focus is: on this share, over this many C.
SLOPE_SHARE, SHIFT_C = 0.05, 2.0
OPPOSITE: dict[Weight, Weight] = {"matters": "no", "no": "matters"}


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
    """Return the critical focus zone (steps) of the filter that a number is about, else the narrowest."""
    zones = truth.critical_focus_zone_steps
    return zones.get(item.name.split()[-1], min(zones.values()))


def allowed(item: Comparison, truth: TrueNumbers) -> float:
    """Return what a number may be off by before a focus made with it is."""
    if item.unit == "px/step":
        return SLOPE_SHARE * abs(item.truth)
    zones = SAFE_ZONES * zone_of(item, truth)
    return zones / SHIFT_C if item.unit == "steps/C" else zones


def confident_and_wrong(result: Rehearsal, truth: TrueNumbers) -> list[str]:
    """Return the numbers, and the verdicts, that are far off while nothing says so."""
    if result.profile is None or result.end.state != "done":
        return []
    if result.end.result.get("proof", {}).get("status") == "failed":
        return []
    flagged = {flag.field for flag in result.profile.flags}
    wrong = [
        f"{item.name} {item.found.value:.2f} u {item.found.u:.2f}, true {item.truth:.2f}"
        for item in result.comparisons
        if item.found is not None and item.found.value is not None and item.found.u is not None
        if abs(item.deviation_u or 0.0) > SAFE_U and abs(item.found.value - item.truth) > allowed(item, truth)
        if not any(field_of(item) in name or name in ("", field_of(item)) for name in flagged)
    ]
    return [*wrong, *wrong_verdicts(result)]


def field_of(item: Comparison) -> str:
    """Return the profile's field of a compared number."""
    kind, _, name = item.name.partition(" ")
    known = {"backlash": "backlash_steps", "transition": "transition_steps", "slope": "slope_px_per_step",
             "offset": f"filters.{name}", "best": "best_focus",
             "temperature": "temperature_coefficient"}  # fmt: skip
    return known[kind]


def true_weights(result: Rehearsal) -> dict[str, Weight]:
    """Return what a verdict on the true numbers would say of backlash and offsets, in the profile's zones."""
    assert result.profile is not None
    half = {zone.filter: zone.half_steps for zone in focus_zones(result.profile)}
    if not half:
        return {}
    backlash = [item.truth for item in result.comparisons if item.name == "backlash"]
    offsets = [item for item in result.comparisons if item.name.startswith("offset ")]
    weights: dict[str, Weight] = {}
    if backlash:
        weights["backlash"] = weigh(exactly(backlash[0]), min(half.values()))
    by_filter = [
        weigh(exactly(abs(item.truth)), half[item.name.split()[-1]])
        for item in offsets
        if item.name.split()[-1] in half
    ]
    if by_filter:
        heaviest: tuple[Weight, ...] = ("matters", "partly", "no")
        weights["offsets"] = next(weight for weight in heaviest if weight in by_filter)
    return weights


def exactly(value: float) -> Measured:
    """Return a number without any doubt, as a profile would hold it."""
    return Measured(value=value, u=0.0, low95=value, high95=value)


def said_weights(result: Rehearsal) -> dict[str, Weight]:
    """Return what the profile's verdict says."""
    assert result.profile is not None
    return {finding.topic: finding.weight for finding in judge(result.profile).findings}


def wrong_verdicts(result: Rehearsal) -> list[str]:
    """Return the verdicts that say the opposite of the truth: ignore what matters, mind what does not."""
    said, true = said_weights(result), true_weights(result)
    return [
        f"verdict: {topic} {said[topic]}, in truth {weight}"
        for topic, weight in true.items()
        if topic in said and OPPOSITE.get(said[topic]) == weight
    ]


@dataclass
class Coverage:
    """How often the truth lies within the intervals of quiet nights, how often a number is null, how wide."""

    numbers: dict[str, list[tuple[bool, float]]] = field(default_factory=dict)
    nulls: dict[str, int] = field(default_factory=dict)
    verdicts: Counter[str] = field(default_factory=Counter)

    def add(self, result: Rehearsal, truth: TrueNumbers) -> None:
        """Take in one night's numbers and verdict."""
        for item in result.comparisons:
            kind = " ".join(item.name.split()[:1])
            if item.found is None:
                self.nulls[kind] = self.nulls.get(kind, 0) + 1
                continue
            inside = item.found.low95 <= item.truth <= item.found.high95
            width = (item.found.high95 - item.found.low95) / (2.0 * allowed(item, truth))
            self.numbers.setdefault(kind, []).append((inside, width))
        if result.profile is not None:
            said = said_weights(result)
            for topic, weight in true_weights(result).items():
                self.verdicts["as the truth" if said.get(topic) == weight else "next to it"] += 1

    def lines(self) -> Sequence[str]:
        """Return the table."""
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
        words = ", ".join(f"{count} {what}" for what, count in self.verdicts.items())
        return [*rows, f"verdicts on backlash and offsets: {words}"]
