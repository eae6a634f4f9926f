"""Where to look next: which looks shrink the widest wanted interval most for each second of sky.

What a look through an engaged drawtube adds is known before it is made, because its variance and its
derivatives are (Fisher information; Chaloner and Verdinelli, Statistical Science 10, 273, 1995). Nothing here
moves or waits: the same functions choose the next look, and predict a night before it is begun.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.play import Array
from routines.estimate.result import Knowledge
from routines.observations import INWARD, OUTWARD

COVERAGE = 1.959964
# How strongly the widest interval outweighs the others. Not without end: of two equally wide ones each would
# hide what is gained on the other.
WIDEST_POWER = 8.0
# Where to look, in reaches from focus. At focus itself a crossing would be known a little better, but a
# drawtube that no longer follows would look just like one that does.
PARTS_OF_REACH = (-0.5, 0.5)


@dataclass(frozen=True, slots=True)
class PlannedLook:
    """A look not yet made: past all the play on ``side``, with the temperature above the reference then."""

    filter: str
    position_steps: float
    side: int
    warmth_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Block:
    """Looks that are made together, and the seconds of sky they cost with all their moves."""

    looks: tuple[PlannedLook, ...]
    seconds: float


@dataclass(frozen=True, slots=True)
class Want:
    """A number that is wanted: its name and the half-width (steps) its 95 % interval shall have.

    Names are "backlash", "crossing.<filter>" or "offset.<filter>.<reference>".
    """

    name: str
    half_width_steps: float


@dataclass(frozen=True, slots=True)
class Choice:
    """The block to make next, and the half-widths (steps) predicted after it, by the wants' names."""

    block: Block
    half_widths_steps: dict[str, float]


@dataclass(frozen=True, slots=True)
class Costs:
    """What things take, in seconds; ``exposure_s`` by filter, ``seconds_per_step`` of the motor."""

    exposure_s: Mapping[str, float]
    readout_s: float
    wheel_s: float
    settle_s: float
    seconds_per_step: float
    overshoot_steps: float

    def seconds(self, looks: Sequence[PlannedLook], at: PlannedLook | None) -> float:
        """Return the sky seconds of looks made in order, from where the last look was made."""
        total = 0.0
        for look in looks:
            total += self._moving(look, at) + self.exposure_s[look.filter] + self.readout_s
            total += self.wheel_s if at is None or at.filter != look.filter else 0.0
            at = look
        return total

    def _moving(self, look: PlannedLook, at: PlannedLook | None) -> float:
        """Return the time of a move; coming from the other side it goes past by the overshoot and back."""
        if at is None:
            return 2.0 * self.settle_s
        ahead = (look.position_steps - at.position_steps) * look.side
        if look.side == at.side and ahead >= 0.0:
            return ahead * self.seconds_per_step + (self.settle_s if ahead > 0.0 else 0.0)
        beyond = abs(ahead) + 2.0 * self.overshoot_steps
        return beyond * self.seconds_per_step + 2.0 * self.settle_s


def before_the_first_look(
    filters: Sequence[str],
    *,
    slope_px_per_step: float,
    noise_px: Mapping[str, float],
    largest_play_steps: float,
    crossing_steps: float,
    crossing_u_steps: float,
    slope_u_share: float = 0.3,
    alpha_u_steps_per_c: float = 0.0,
    offset_u_steps: float = 100.0,
) -> Knowledge:
    """Return what is known of a rig before anything was seen, for a dry run.

    The play may be anything up to the largest; the filters' crossings lie together within
    ``offset_u_steps`` of a common place that is itself known to ``crossing_u_steps``.
    """
    size = 3 + len(filters)
    covariance = np.zeros((size, size))
    covariance[0, 0] = largest_play_steps**2 / 12.0
    covariance[1, 1] = (slope_u_share * slope_px_per_step) ** 2
    covariance[2, 2] = alpha_u_steps_per_c**2
    covariance[3:, 3:] = crossing_u_steps**2 + np.diag(np.full(len(filters), offset_u_steps**2))
    values = [0.5 * largest_play_steps, slope_px_per_step, 0.0, *(crossing_steps for _ in filters)]
    return Knowledge(
        ("backlash", "slope", "alpha", *(f"crossing.{name}" for name in filters)),
        tuple(values),
        tuple(tuple(float(x) for x in row) for row in covariance),
        dict(noise_px),
    )


def gradient_of(knowledge: Knowledge, look: PlannedLook) -> Array:
    """Return the derivative (k) of the spike error seen by a planned look."""
    value = dict(zip(knowledge.names, knowledge.values, strict=True))
    slope = value["slope"]
    crossing = f"crossing.{look.filter}"
    outward = 1.0 if look.side == OUTWARD else 0.0
    place = look.position_steps - outward * value["backlash"]
    gradient = np.zeros(len(knowledge.names))
    index = knowledge.names.index
    gradient[index("backlash")] = -slope * outward
    gradient[index("slope")] = place - value[crossing] - value["alpha"] * look.warmth_c
    gradient[index("alpha")] = -slope * look.warmth_c
    gradient[index(crossing)] = -slope
    return gradient


def after(knowledge: Knowledge, looks: Iterable[PlannedLook]) -> Knowledge:
    """Return what would be known after looks, their values being as expected."""
    covariance = np.array(knowledge.covariance)
    for look in looks:
        gradient = gradient_of(knowledge, look)
        seen = covariance @ gradient
        variance = float(gradient @ seen) + knowledge.noise_px[look.filter] ** 2
        covariance -= np.outer(seen, seen) / variance
    return replace(knowledge, covariance=tuple(tuple(float(x) for x in row) for row in covariance))


def half_widths(knowledge: Knowledge, wants: Sequence[Want]) -> dict[str, float]:
    """Return the half-width (steps) of the 95 % interval of each wanted number."""
    covariance = np.array(knowledge.covariance)
    widths = {}
    for want in wants:
        gradient = _gradient_of_want(knowledge, want.name)
        widths[want.name] = COVERAGE * float(np.sqrt(max(gradient @ covariance @ gradient, 0.0)))
    return widths


def _gradient_of_want(knowledge: Knowledge, name: str) -> Array:
    gradient = np.zeros(len(knowledge.names))
    kind, _, rest = name.partition(".")
    if kind == "offset":
        own, _, reference = rest.partition(".")
        gradient[knowledge.names.index(f"crossing.{own}")] += 1.0
        gradient[knowledge.names.index(f"crossing.{reference}")] -= 1.0
    else:
        gradient[knowledge.names.index(name)] = 1.0
    return gradient


def satisfied(knowledge: Knowledge, wants: Sequence[Want]) -> bool:
    """Tell whether every wanted interval is inside its target."""
    widths = half_widths(knowledge, wants)
    return all(widths[want.name] <= want.half_width_steps for want in wants)


def _misfit(knowledge: Knowledge, wants: Sequence[Want]) -> float:
    """Return how far the intervals are from their targets: nearly the widest one's ratio to its own."""
    widths = half_widths(knowledge, wants)
    ratios = np.array([max(widths[want.name] / want.half_width_steps, 1.0) for want in wants])
    return float(np.sum(ratios**WIDEST_POWER) ** (1.0 / WIDEST_POWER))


def best_block(knowledge: Knowledge, blocks: Sequence[Block], wants: Sequence[Want]) -> Choice | None:
    """Return the block that shrinks the widest interval most for each second; None when all are in target.

    Ties go to the block given first, so that the choice is the same on replay.
    """
    if not blocks or satisfied(knowledge, wants):
        return None
    before = _misfit(knowledge, wants)
    rates = [
        (before - _misfit(after(knowledge, block.looks), wants)) / max(block.seconds, 1e-9)
        for block in blocks
    ]
    best = blocks[int(np.argmax(rates))]
    return Choice(best, half_widths(after(knowledge, best.looks), wants))


def blocks_around(
    knowledge: Knowledge,
    costs: Costs,
    at: PlannedLook | None,
    *,
    reach_px: float,
    low_limit_steps: float,
    high_limit_steps: float,
    warmth_c: float = 0.0,
    sides: Sequence[int] = (INWARD, OUTWARD),
) -> list[Block]:
    """Return the blocks worth weighing: on either side, below and above focus, one, some or all filters.

    Positions keep the spike error within ``reach_px`` and, overshoot included, within the limits.
    """
    value = dict(zip(knowledge.names, knowledge.values, strict=True))
    away = reach_px / max(abs(value["slope"]), 1e-12)
    found = []
    for group in _groups(knowledge, at):
        middle = float(np.mean([value[f"crossing.{name}"] for name in group]))
        for side in sides:
            shift = value["backlash"] if side == OUTWARD else 0.0
            for part in PARTS_OF_REACH:
                position = middle + shift + part * away
                turn = position - side * costs.overshoot_steps
                if not all(low_limit_steps <= p <= high_limit_steps for p in (position, turn)):
                    continue
                looks = tuple(PlannedLook(name, position, side, warmth_c) for name in group)
                if at is not None and _is_repeated(looks[0], at):
                    continue
                found.append(Block(looks, costs.seconds(looks, at)))
    return found


def _is_repeated(look: PlannedLook, at: PlannedLook) -> bool:
    """Tell whether a look would repeat the last one: what is common to both, a repetition cannot average."""
    same_place = abs(look.position_steps - at.position_steps) < 1.0
    return look.filter == at.filter and look.side == at.side and same_place


def _groups(knowledge: Knowledge, at: PlannedLook | None) -> list[tuple[str, ...]]:
    """Return each filter alone, then the two, three.. all whose crossings are least known.

    The wheel goes to and fro, from where it stands, so that a steady drift cancels between the filters.
    """
    filters = [name.partition(".")[2] for name in knowledge.names if name.startswith("crossing.")]
    variance = {
        name: knowledge.covariance[k][k]
        for name, k in ((f, knowledge.names.index(f"crossing.{f}")) for f in filters)
    }
    least_known = sorted(filters, key=lambda name: -variance[name])
    backwards = at is not None and at.filter in filters and 2 * filters.index(at.filter) >= len(filters)
    order = filters[::-1] if backwards else filters
    groups: list[tuple[str, ...]] = [(name,) for name in filters]
    for count in range(2, len(filters) + 1):
        kept = set(least_known[:count])
        groups.append(tuple(name for name in order if name in kept))
    return groups


def plan(
    knowledge: Knowledge,
    costs: Costs,
    wants: Sequence[Want],
    *,
    reach_px: float,
    low_limit_steps: float,
    high_limit_steps: float,
    budget_s: float,
    at: PlannedLook | None = None,
    sides: Sequence[int] = (INWARD, OUTWARD),
    warmth_c: float = 0.0,
    most_looks: int = 10_000,
) -> tuple[tuple[Block, ...], Knowledge]:
    """Return the blocks until every target holds, the budget ends or enough looks are named.

    With them comes what would be known then.
    """
    chosen: list[Block] = []
    spent = 0.0
    while True:
        left = most_looks - sum(len(block.looks) for block in chosen)
        blocks = blocks_around(
            knowledge,
            costs,
            at,
            reach_px=reach_px,
            low_limit_steps=low_limit_steps,
            high_limit_steps=high_limit_steps,
            warmth_c=warmth_c,
            sides=sides,
        )
        allowed = [b for b in blocks if spent + b.seconds <= budget_s and len(b.looks) <= left]
        choice = best_block(knowledge, allowed, wants)
        if choice is None:
            return tuple(chosen), knowledge
        chosen.append(choice.block)
        spent += choice.block.seconds
        knowledge = after(knowledge, choice.block.looks)
        at = choice.block.looks[-1]
