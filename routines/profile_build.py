"""From a joint fit and the facts of a rig to the profile: units, conventions, and a reason for every null.

The fit's positions rise outward; this is where they become the controller's counts. What the fit cannot
know (step size, zones, the overshoot to use, rules in plain words) is worked out here.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from routines.convention import Outward, quantity_to_counts
from routines.flags import Flag, flag
from routines.observations import Observation
from routines.optics import Band, Mask, Optics, seeing_focus_zone_um
from routines.profile import (
    SCHEMA_NAME,
    WHOLE_PROFILE,
    BestFocus,
    Coefficient,
    Compensation,
    Evidence,
    FilterEntry,
    Limits,
    Measured,
    OffsetsCovariance,
    Profile,
    ProfileMethod,
    Proof,
    Side,
    Star,
    null_paths,
)
from routines.profile_reasons import fit_flags_in_document, flag_entries, reason_for_null
from routines.profile_rules import approach_rule, expiry, rules_in_words
from routines.profile_scale import (
    critical_zone_steps,
    step_from_slope,
    step_size,
    step_sizes_in_words,
)
from routines.quantity import Quantity

if TYPE_CHECKING:
    from routines.estimate.result import JointFit

LEAST_MARGIN_STEPS = 5.0
MARGIN_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class FilterFacts:
    """One configured filter: its band and its place in the wheel."""

    band: Band
    slot: int | None = None

    @property
    def name(self) -> str:
        """Return the filter's configured name."""
        return self.band.name


@dataclass(frozen=True, slots=True)
class ProfileFacts:
    """What the profile says beside the fit.

    ``mask`` is given only where the frames settled which way its quarters tilt; ``step_um`` comes from the
    config; ``measured_step_um`` from another way to see it. ``limits`` are (low, high) in the controller's
    counts. ``overshoot_steps`` is the configured bound, used where no backlash is known. ``cut_short`` says
    why the run ended before its routine did.
    """

    rig: str
    created: datetime
    software: str
    filters: tuple[FilterFacts, ...]
    reference_filter: str
    optics: Optics
    evidence_sha256: str
    simulated: bool = False
    method: ProfileMethod = "mask"
    outward: Outward = "rising"
    epoch: int | None = None
    mask: Mask | None = None
    step_um: float | None = None
    measured_step_um: Quantity | None = None
    final_side: Side = "inward"
    overshoot_steps: float | None = None
    limits: tuple[float, float] | None = None
    compensation: Compensation = "unknown"
    star_name: str | None = None
    star_colour_bv_mag: float | None = None
    seeing_fwhm_um: float | None = None
    altitude_deg: float | None = None
    run: str | None = None
    mask_minus_width_steps: Mapping[str, Quantity | None] = field(default_factory=dict)
    proof: Mapping[str, Any] = field(default_factory=dict)
    cut_short: str | None = None


def evidence_digest(observations: Sequence[Observation]) -> str:
    """Return the SHA-256 of the observations' JSON, one a line: equal data, equal digest."""
    digest = hashlib.sha256()
    for item in observations:
        digest.update(json.dumps(item.as_dict(), sort_keys=True).encode())
        digest.update(b"\n")
    return digest.hexdigest()


def overshoot_to_use(fit: JointFit, configured_steps: float | None) -> tuple[int | None, list[Flag]]:
    """Return the whole steps to go past a target: upper bound of play, the whole transition and a margin.

    Without a transition its bound is twice the play, since no play is negative and engagement ends at
    B + w/2. Without a backlash the configured bound is used, and without one there is none to give.
    """
    plays = (fit.backlash_steps, fit.lost_motion_to_outward_steps, fit.lost_motion_to_inward_steps)
    if fit.backlash_steps is None:
        if configured_steps is None:
            return None, []
        note = "overshoot taken from the config, since the backlash is not known"
        return math.ceil(configured_steps), [flag("from_config", "overshoot_steps", note)]
    bound = max(item.high95 for item in plays if item is not None)
    transition = bound if fit.transition_steps is None else fit.transition_steps.high95
    margin = max(LEAST_MARGIN_STEPS, MARGIN_SHARE * bound)
    return math.ceil(bound + transition + margin), []


def _measured(quantity: Quantity | None) -> Measured | None:
    return None if quantity is None else Measured.of(quantity)


def _in_counts(quantity: Quantity | None, outward: Outward) -> Quantity | None:
    return None if quantity is None else quantity_to_counts(quantity, outward)


def _measured_steps(fit: JointFit, facts: ProfileFacts) -> tuple[Quantity | None, ...]:
    from_slope = step_from_slope(fit.slope_px_per_step, facts.optics, facts.mask)
    return (from_slope, facts.measured_step_um)


def _filter_entry(
    fit: JointFit, facts: ProfileFacts, item: FilterFacts, step_um: Quantity | None
) -> FilterEntry:
    def in_counts(numbers: Mapping[str, Quantity | None]) -> Measured | None:
        return _measured(_in_counts(numbers.get(item.name), facts.outward))

    return FilterEntry(
        name=item.name,
        slot=item.slot,
        offset_steps=in_counts(fit.offsets_steps),
        crossing_inward_steps=in_counts(fit.crossings_inward_steps),
        crossing_outward_steps=in_counts(fit.crossings_outward_steps),
        mask_minus_width_steps=in_counts(facts.mask_minus_width_steps),
        critical_focus_zone_steps=_measured(critical_zone_steps(item.band, facts.optics, step_um)),
        observations=fit.observed.get(item.name, 0),
    )


def _coefficient(fit: JointFit, outward: Outward) -> Coefficient | None:
    quantity = _in_counts(fit.temperature_coefficient_steps_per_c, outward)
    if quantity is None:
        return None
    seen = fit.temperature_range
    return Coefficient(
        **Measured.of(quantity).model_dump(),
        valid_from_c=None if seen is None else seen.valid_from_c,
        valid_to_c=None if seen is None else seen.valid_to_c,
    )


def _best_focus(fit: JointFit, facts: ProfileFacts, entries: tuple[FilterEntry, ...]) -> BestFocus:
    """Choose the final side before the other one, and the reference filter before the others."""
    wanted = sorted(entries, key=lambda entry: entry.name != facts.reference_filter)
    sides: tuple[Side, ...] = ("inward", "outward") if facts.final_side == "inward" else ("outward", "inward")
    known = ((entry.name, side, entry.crossing(side)) for side in sides for entry in wanted)
    nothing = (facts.reference_filter, facts.final_side, None)
    name, branch, position = next((item for item in known if item[2] is not None), nothing)
    temperature = fit.reference_temperature_c
    return BestFocus(filter=name, branch=branch, position_steps=position, temperature_c=temperature)


def _compensation(fit: JointFit, facts: ProfileFacts) -> Compensation:
    suspected = any(item.code == "compensating_controller" for item in fit.flags)
    return "suspected" if suspected and facts.compensation == "unknown" else facts.compensation


def _star(facts: ProfileFacts) -> Star:
    seeing = facts.seeing_fwhm_um
    return Star(
        name=facts.star_name,
        colour_bv_mag=facts.star_colour_bv_mag,
        seeing_fwhm_um=seeing,
        seeing_focus_zone_um=None if seeing is None else seeing_focus_zone_um(seeing, facts.optics),
    )


def _evidence(fit: JointFit, facts: ProfileFacts) -> Evidence:
    table = None
    if fit.offsets_order:
        table = OffsetsCovariance(filters=fit.offsets_order, steps2=fit.offsets_covariance_steps2)
    count = sum(fit.observed.values())
    return Evidence(run=facts.run, observations=count, sha256=facts.evidence_sha256, offsets_covariance=table)


def _general_flags(fit: JointFit, facts: ProfileFacts) -> Iterator[Flag]:
    known = {item.code for item in fit.flags}
    if facts.simulated:
        yield flag("simulated", WHOLE_PROFILE)
    if facts.measured_step_um is not None:
        yield flag("step_by_width", "step_um", step_sizes_in_words(_measured_steps(fit, facts)))
    if facts.cut_short is not None:
        yield Flag("cut_short", WHOLE_PROFILE, f"the run ended before its routine did: {facts.cut_short}")
    if fit.reference_temperature_c is None and "temperature_unknown" not in known:
        yield flag("temperature_unknown", "reference_temperature_c")


def build_profile(fit: JointFit, facts: ProfileFacts) -> Profile:
    """Return the profile of a fit; every null carries a flag, added here where the fit gave none."""
    step_um, step_flags = step_size(facts.step_um, _measured_steps(fit, facts))
    overshoot, overshoot_flags = overshoot_to_use(fit, facts.overshoot_steps)
    fields = {
        **_identity(fit, facts),
        **_mechanics(fit, facts, step_um, overshoot),
        **_filters_and_temperature(fit, facts, step_um),
        "proof": Proof(**facts.proof),
    }
    fields["rules"] = _rules(fields)
    fields["expires_if"] = expiry(fields["temperature_coefficient_steps_per_c"])
    own = fit_flags_in_document(fit, facts.outward)
    given = flag_entries([*own, *step_flags, *overshoot_flags, *_general_flags(fit, facts)])
    draft = Profile.model_construct(**fields, flags=given)
    missing = [path for path in null_paths(draft) if draft.reason_for(path) is None]
    reasons = flag_entries([reason_for_null(path, fit, facts.reference_filter, given) for path in missing])
    return Profile(**fields, flags=given + reasons)


def _identity(fit: JointFit, facts: ProfileFacts) -> dict[str, Any]:
    limits = facts.limits
    return {
        "schema_name": SCHEMA_NAME,
        "rig": facts.rig,
        "created": facts.created,
        "software": facts.software,
        "simulated": facts.simulated,
        "method": facts.method,
        "outward": facts.outward,
        "epoch": facts.epoch,
        "reference_filter": facts.reference_filter,
        "reference_temperature_c": fit.reference_temperature_c,
        "final_side": facts.final_side,
        "limits": None if limits is None else Limits(low_steps=limits[0], high_steps=limits[1]),
        "controller_compensation": _compensation(fit, facts),
        "star": _star(facts),
        "altitude_deg": facts.altitude_deg,
        "evidence": _evidence(fit, facts),
    }


def _mechanics(
    fit: JointFit, facts: ProfileFacts, step_um: Quantity | None, overshoot: int | None
) -> dict[str, Any]:
    return {
        "step_um": _measured(step_um),
        "slope_px_per_step": _measured(_in_counts(fit.slope_px_per_step, facts.outward)),
        "backlash_steps": _measured(fit.backlash_steps),
        "transition_steps": _measured(fit.transition_steps),
        "lost_motion_to_outward_steps": _measured(fit.lost_motion_to_outward_steps),
        "lost_motion_to_inward_steps": _measured(fit.lost_motion_to_inward_steps),
        "overshoot_steps": overshoot,
    }


def _filters_and_temperature(fit: JointFit, facts: ProfileFacts, step_um: Quantity | None) -> dict[str, Any]:
    entries = tuple(_filter_entry(fit, facts, item, step_um) for item in facts.filters)
    return {
        "filters": entries,
        "best_focus": _best_focus(fit, facts, entries),
        "temperature_coefficient_steps_per_c": _coefficient(fit, facts.outward),
    }


def _rules(fields: dict[str, Any]) -> tuple[str, ...]:
    return rules_in_words(
        best=fields["best_focus"],
        reference_filter=fields["reference_filter"],
        backlash=fields["backlash_steps"],
        transition=fields["transition_steps"],
        coefficient=fields["temperature_coefficient_steps_per_c"],
        reference_c=fields["reference_temperature_c"],
        approach=approach_rule(fields["final_side"], fields["overshoot_steps"], fields["outward"]),
    )
