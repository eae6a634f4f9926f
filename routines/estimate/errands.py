"""Answers a script's errand: which looks to make next, from what the joint fit knows by now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from routines.errand import Errand, NextLooks, Place
from routines.estimate.next_look import Costs, PlannedLook, Want, half_widths, plan
from routines.estimate.result import JointFit, Knowledge
from routines.observations import Observation
from routines.quantity import Quantity

# A prediction is trusted for how it falls with further looks; for how wide an interval is now, the fit's own
# interval is. Beyond these ratios of the two the fit is in no state to plan from.
_RATIO_RANGE = (0.5, 4.0)


def answered(ask: dict[str, Any], fit: JointFit, looks: Sequence[Observation]) -> dict[str, Any]:
    """Return the answer to an errand in plain data, from the fit of everything seen so far."""
    errand = Errand.from_dict(ask)
    if fit.knowledge is None:
        return NextLooks().as_dict()
    intervals = {"backlash": fit.backlash_steps}
    intervals |= {f"offset.{name}.{fit.reference_filter}": value for name, value in fit.offsets_steps.items()}
    return next_looks(errand, fit.knowledge, _half_widths(intervals), _warmth_c(fit, looks)).as_dict()


def _half_widths(intervals: Mapping[str, Quantity | None]) -> dict[str, float]:
    return {
        name: 0.5 * (found.high95 - found.low95) for name, found in intervals.items() if found is not None
    }


def _warmth_c(fit: JointFit, looks: Sequence[Observation]) -> float:
    """Return the latest temperature above the reference, 0 where neither is known."""
    latest = next((seen.temperature_c for seen in reversed(looks) if seen.temperature_c is not None), None)
    reference = fit.reference_temperature_c
    return 0.0 if latest is None or reference is None else latest - reference


def next_looks(
    errand: Errand, knowledge: Knowledge, now_steps: Mapping[str, float], warmth_c: float = 0.0
) -> NextLooks:
    """Return the looks to make next, at most ``errand.most_looks``.

    ``now_steps`` holds the half-widths of the intervals as they are, by the names of `Want`; what is missing
    there is taken from the knowledge.
    """
    value = dict(zip(knowledge.names, knowledge.values, strict=True))
    wants = wanted(errand, knowledge, errand.targets_steps(value["slope"]))
    if not wants:
        return NextLooks()
    predicted = half_widths(knowledge, wants)
    now = {name: now_steps.get(name, width) for name, width in predicted.items()}
    targets = {want.name: want.half_width_steps for want in wants}
    if all(now[name] <= targets[name] for name in targets):
        return NextLooks((), True, now, targets, now)
    ratio = {name: float(np.clip(now[name] / max(predicted[name], 1e-9), *_RATIO_RANGE)) for name in now}
    scaled = [replace(want, half_width_steps=want.half_width_steps / ratio[want.name]) for want in wants]
    blocks, after = plan(
        _only(knowledge, errand.filters),
        costs_of(errand),
        scaled,
        reach_px=errand.reach_px,
        low_limit_steps=errand.low_limit_steps,
        high_limit_steps=errand.high_limit_steps,
        budget_s=errand.left_s,
        at=None if errand.at is None else _planned(errand.at, warmth_c),
        sides=errand.sides,
        warmth_c=warmth_c,
        most_looks=errand.most_looks,
    )
    places = tuple(
        Place(look.filter, float(round(look.position_steps)), look.side)
        for block in blocks
        for look in block.looks
    )
    expected = half_widths(after, wants)
    return NextLooks(places, False, now, targets, {name: ratio[name] * expected[name] for name in expected})


def wanted(errand: Errand, knowledge: Knowledge, targets: Mapping[str, float]) -> list[Want]:
    """Return what the errand wants, of what there is knowledge about."""
    wants = [Want("backlash", targets["backlash"])] if "backlash" in errand.wants else []
    reference = errand.reference_filter
    seen = reference in errand.filters and f"crossing.{reference}" in knowledge.names
    if "offsets" in errand.wants and seen:
        wants += [
            Want(f"offset.{name}.{reference}", targets["offsets"])
            for name in errand.filters
            if name != reference and f"crossing.{name}" in knowledge.names
        ]
    return wants


def costs_of(errand: Errand) -> Costs:
    """Return the errand's costs."""
    return Costs(
        dict(zip(errand.filters, errand.exposures_s, strict=True)),
        errand.readout_s,
        errand.wheel_s,
        errand.settle_s,
        errand.seconds_per_step,
        errand.overshoot_steps,
    )


def _planned(place: Place, warmth_c: float) -> PlannedLook:
    return PlannedLook(place.filter, place.position_steps, place.side, warmth_c)


def _only(knowledge: Knowledge, filters: Sequence[str]) -> Knowledge:
    """Return what is known without the filters that are not to be looked through."""
    kept = [
        k
        for k, name in enumerate(knowledge.names)
        if not name.startswith("crossing.") or name.partition(".")[2] in filters
    ]
    return replace(
        knowledge,
        names=tuple(knowledge.names[k] for k in kept),
        values=tuple(knowledge.values[k] for k in kept),
        covariance=tuple(tuple(knowledge.covariance[i][j] for j in kept) for i in kept),
    )
