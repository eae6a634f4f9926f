"""What the numbers mean for this optics: which of them matter, and by how much a move would miss.

Everything is judged against the focus zone: the wider of the diffraction zone (quarter wave) and, where the
seeing is known, the zone in which seeing hides the defocus. A position may be off by half a zone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from routines.entries import Entry, entries_to_type
from routines.profile import WHOLE_PROFILE, Coefficient, FilterEntry, Measured, Profile
from routines.wording import counted, fixed, format_quantity, listed, whole

Weight = Literal["matters", "partly", "no", "unknown"]
Topic = Literal["backlash", "offsets", "temperature"]

# Below a quarter of the allowed miss an effect is lost among the others (common practice).
NEGLIGIBLE_SHARE = 0.25
# How far a clear night may cool between evening and dawn (common practice).
NIGHT_COOLING_C = 10.0


@dataclass(frozen=True, slots=True)
class Zone:
    """A filter's focus zone in steps; the allowed miss is half of it, to either side."""

    filter: str
    total_steps: float
    limited_by: Literal["diffraction", "seeing"]

    @property
    def half_steps(self) -> float:
        """Return how far a position may be off."""
        return self.total_steps / 2.0


@dataclass(frozen=True, slots=True)
class Finding:
    """What one kind of number means here: its weight, its name in the headline, and sentences."""

    topic: Topic
    weight: Weight
    short_name: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer in one sentence, what it rests on, and the numbers to type elsewhere."""

    headline: str
    findings: tuple[Finding, ...]
    entries: tuple[Entry, ...]
    zones: tuple[Zone, ...]


def judge(profile: Profile) -> Verdict:
    """Return the verdict on a profile."""
    zones = focus_zones(profile)
    findings = (
        judge_backlash(profile, zones),
        judge_offsets(profile, zones),
        judge_temperature(profile, zones),
    )
    return Verdict(_headline(profile, findings, zones), findings, entries_to_type(profile), zones)


def focus_zones(profile: Profile) -> tuple[Zone, ...]:
    """Return the zone of every filter whose size in steps is known, the narrowest first."""
    known = (focus_zone(profile, entry) for entry in profile.filters)
    return tuple(sorted((zone for zone in known if zone is not None), key=lambda zone: zone.total_steps))


def focus_zone(profile: Profile, entry: FilterEntry) -> Zone | None:
    """Return one filter's zone, the wider of diffraction and seeing, or None without a scale."""
    diffraction, step = entry.critical_focus_zone_steps, profile.step_um
    if diffraction is None or diffraction.value is None:
        return None
    seeing_um = None if profile.star is None else profile.star.seeing_focus_zone_um
    if seeing_um is not None and step is not None and step.value:
        seeing = seeing_um / step.value
        if seeing > diffraction.value:
            return Zone(entry.name, seeing, "seeing")
    return Zone(entry.name, diffraction.value, "diffraction")


def weigh(effect: Measured, allowed_steps: float) -> Weight:
    """Compare the 95 % interval of an effect's size with the allowed miss."""
    if effect.largest < NEGLIGIBLE_SHARE * allowed_steps:
        return "no"
    return "matters" if effect.smallest > allowed_steps else "partly"


def judge_backlash(profile: Profile, zones: tuple[Zone, ...]) -> Finding:
    """Say what ignoring, adding or overshooting the backlash does."""
    backlash = profile.backlash_steps
    if backlash is None:
        reason = profile.reason_for("backlash_steps") or "the observations cannot tell it"
        return Finding("backlash", "unknown", "backlash", (f"Backlash is not known: {reason}.",))
    known = format_quantity(backlash.quantity, "steps")
    lost = f"After a reversal the drawtube does not follow for the first {known}."
    programs = (_when_adding(profile, backlash, zones), _when_overshooting(profile))
    if not zones:
        return Finding("backlash", "unknown", "backlash", (f"{lost} {_NO_SCALE}", *programs))
    zone = zones[0]
    weight = weigh(backlash, zone.half_steps)
    compared = (
        f"{lost} In {zone.filter}, the narrowest, focus may be off by {_steps(zone.half_steps)}: "
        f"{_BACKLASH_ENDS[weight]}."
    )
    size = backlash.high95 if backlash.value is None else backlash.value
    named = f"backlash ({'at most ' if backlash.value is None else ''}{_steps(size)})"
    return Finding("backlash", weight, named, (compared, *programs))


_NO_SCALE = "Whether that matters cannot be said, since the size of a step at the sensor is not known."
_BACKLASH_ENDS: dict[Weight, str] = {
    "matters": "a move that ignores it ends out of focus",
    "partly": "a move that ignores it may end out of focus",
    "no": "it can be ignored",
    "unknown": "",
}


def _when_adding(profile: Profile, backlash: Measured, zones: tuple[Zone, ...]) -> str:
    start = "A program that adds the backlash at each reversal:"
    if backlash.value is None:
        return f"{start} enter 0; what is lost is at most {_steps(backlash.high95)}."
    words = (
        f"{start} enter {whole(backlash.value)}. An entry that is off by some steps misses focus by just as "
        "many, on one side or the other: too much is no better than too little."
    )
    if zones:
        half = zones[0].half_steps
        low, high = max(0.0, backlash.high95 - half), backlash.low95 + half
        words += (
            f" Entries from {whole(low)} to {whole(high)} stay in the zone."
            if low <= high
            else " It is not known well enough yet to stay in the zone that way."
        )
    transition = profile.transition_steps
    if transition is not None and transition.value is not None and transition.value >= 2.0:
        words += f" The first {_steps(transition.value / 2.0)} after that are followed only in part."
    return words


def _when_overshooting(profile: Profile) -> str:
    start = f"A program that goes past the target and then comes back moving {profile.final_side}:"
    if profile.overshoot_steps is None:
        return f"{start} it needs an upper bound of the backlash, which is not known."
    return (
        f"{start} only an upper bound matters. Enter {profile.overshoot_steps} or more; "
        "more costs only time, less may leave play in the gears."
    )


def judge_offsets(profile: Profile, zones: tuple[Zone, ...]) -> Finding:
    """Say which filters need their offset."""
    others = [item for item in profile.filters if item.name != profile.reference_filter]
    known = [item for item in others if item.offset_steps is not None]
    if not known:
        why = "only one filter is configured" if not others else "no filter's offset is known"
        return Finding(
            "offsets", "no" if not others else "unknown", "filter offsets", (f"Filter offsets: {why}.",)
        )
    half = {zone.filter: zone.half_steps for zone in zones}
    if not half:
        return Finding("offsets", "unknown", "filter offsets", (f"Filters differ in focus. {_NO_SCALE}",))
    by_weight: dict[Weight, list[str]] = {"matters": [], "partly": [], "no": []}
    for item in known:
        if item.offset_steps is not None and item.name in half:
            by_weight[weigh(item.offset_steps, half[item.name])].append(item.name)
    sentences = _offset_words(profile.reference_filter, by_weight)
    missing = [item.name for item in others if item.offset_steps is None]
    if missing:
        sentences.append(f"Not known: {listed(missing)}.")
    heaviest: tuple[Weight, ...] = ("matters", "partly", "no")
    weight: Weight = next((name for name in heaviest if by_weight[name]), "unknown")
    named = f"the offsets of {listed(by_weight[weight])}" if weight in by_weight else "filter offsets"
    return Finding("offsets", weight, named, tuple(sentences))


def _offset_words(reference: str, by_weight: dict[Weight, list[str]]) -> list[str]:
    """Return a sentence for each weight that some filter has."""
    endings: dict[Weight, str] = {
        "matters": "leaving the offset out ends out of focus.",
        "partly": "leaving the offset out uses up part of the focus zone.",
        "no": "in focus where the reference is; the offset is too small to see.",
    }
    return [
        f"From {reference} to {listed(by_weight[weight])}: {ending}"
        for weight, ending in endings.items()
        if by_weight[weight]
    ]


def judge_temperature(profile: Profile, zones: tuple[Zone, ...]) -> Finding:
    """Say after how many degrees the focus is lost."""
    coefficient = profile.temperature_coefficient_steps_per_c
    if coefficient is None or coefficient.value is None:
        reason = profile.reason_for("temperature_coefficient_steps_per_c") or "it was not measured"
        return Finding(
            "temperature", "unknown", "temperature", (f"The temperature coefficient is not known: {reason}.",)
        )
    drift = (
        f"Focus moves {format_quantity(coefficient.quantity, 'steps', signed=True)} for each degree C warmer."
    )
    if not zones:
        return Finding("temperature", "unknown", "temperature", (f"{drift} {_NO_SCALE}",))
    zone = zones[0]
    weight = _weigh_temperature(coefficient, zone)
    degrees = zone.half_steps / coefficient.largest if coefficient.largest > 0.0 else float("inf")
    if coefficient.smallest <= 0.0:
        words = f"{drift} Too little to tell from none: a change of {_degrees(degrees)} or less keeps focus."
        return Finding("temperature", weight, "temperature", (words,))
    words = f"{drift} Correct or focus again within {_degrees(degrees)} ({zone.filter}, the narrowest)."
    return Finding("temperature", weight, f"temperature (every {_degrees(degrees)})", (words,))


def _weigh_temperature(coefficient: Coefficient, zone: Zone) -> Weight:
    """Compare what a whole night's cooling does with the allowed miss."""
    night = coefficient.quantity.scaled(NIGHT_COOLING_C)
    return weigh(Measured.of(night), zone.half_steps)


def _degrees(count: float) -> str:
    """Return whole degrees from 10 on, tenths below; rounded down, to be on the safe side."""
    return f"{math.floor(count)} C" if count >= 10.0 else f"{fixed(math.floor(count * 10.0) / 10.0, 1)} C"


def _steps(count: float) -> str:
    return counted(round(count), "step") if count >= 10.0 else f"{fixed(count, 1)} steps"


def _headline(profile: Profile, findings: tuple[Finding, ...], zones: tuple[Zone, ...]) -> str:
    """Return the answer in one line: what matters, what does not, what is not known."""
    refused = profile.reason_for(WHOLE_PROFILE)
    if refused is not None:
        return f"Nothing could be told: {refused}."
    if not zones:
        return "The numbers are below; without the size of a step they cannot be held against the focus zone."
    starts: dict[Weight, str] = {
        "matters": "Matters on this rig",
        "partly": "Takes part of the focus zone",
        "no": "Does not matter",
        "unknown": "Not known",
    }
    named = {weight: [item.short_name for item in findings if item.weight == weight] for weight in starts}
    return " ".join(
        f"{start}: {'; '.join(named[weight])}." for weight, start in starts.items() if named[weight]
    )
