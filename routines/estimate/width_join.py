"""Mask and width looks in one fit: play and temperature effect are shared, the places of focus are not.

The mask's likelihood is carried by its mean and covariance, which the widths' fit takes as what is known of
backlash and temperature effect; what the widths add flows back into the mask's numbers. That is the joint fit
in the normal approximation. A mask's crossing and the least width truly differ (aberrations), by filter: the
difference is a number of its own and never forced to zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.fitted import Values
from routines.estimate.play import Array
from routines.estimate.result import JointFit, Knowledge
from routines.estimate.width import WidthFit, fit_widths
from routines.estimate.width_problem import Mechanics, WidthSetup
from routines.flags import Flag, flag
from routines.observations import Move, Observation
from routines.quantity import Quantity
from routines.wording import format_quantity

# Beyond this many standard deviations the two do not share one play, whatever the reason.
DISAGREE = 3.5
_BOTH = 2


@dataclass(frozen=True, slots=True)
class _Shared:
    """Backlash and temperature effect by the mask alone and with the widths; how the mask's numbers follow.

    ``follow`` (k, 2) is by how much each of the knowledge's numbers moves with those two.
    """

    names: tuple[str, ...]
    before: Array
    before_covariance: Array
    after: Array
    after_covariance: Array
    follow: Array
    own: Array

    @property
    def moved(self) -> Array:
        """Return what the widths changed (2)."""
        return self.after - self.before

    def row(self, name: str) -> int:
        """Return where a number stands in the knowledge."""
        return self.names.index(name)


def with_widths(
    fit: JointFit, observations: Sequence[Observation], moves: Sequence[Move] | None, setup: WidthSetup
) -> JointFit:
    """Return the fit with the width looks in it; the same fit where there are none.

    ``fit`` is that of the mask looks among the observations (of nothing, where there are none: then the
    numbers are the widths'). Positions rise outward.
    """
    setup = replace(setup, reference_temperature_c=fit.reference_temperature_c)
    alone = fit_widths(observations, moves, setup)
    if alone is None:
        return fit
    if not sum(fit.observed.values()):
        return _by_widths_alone(fit, alone)
    mechanics = mechanics_of(fit)
    if mechanics is None or fit.knowledge is None:
        return _side_by_side(fit, alone)
    if _disagree(fit.backlash_steps, alone.backlash_steps):
        words = (
            f"by star width the backlash is {format_quantity(alone.backlash_steps, 'steps')}, by the mask "
            f"{format_quantity(fit.backlash_steps, 'steps')}: they were not joined"
        )
        told = flag("methods_disagree", "backlash_steps", words)
        return replace(_side_by_side(fit, alone), flags=(*fit.flags, told))
    widths = fit_widths(observations, moves, replace(setup, mechanics=mechanics))
    if widths is None or widths.knowledge is None:
        return _side_by_side(fit, alone)
    shared = _shared(fit.knowledge, widths)
    widths = replace(widths, mask_minus_width_steps=_differences(shared, fit.knowledge, widths))
    return _updated(replace(fit, width=widths, flags=(*fit.flags, *_lonely(fit, widths))), shared)


def mechanics_of(fit: JointFit) -> Mechanics | None:
    """Return what a mask's fit tells of play and temperature effect, None where it tells no play."""
    known = fit.knowledge
    if known is None or fit.backlash_steps is None:
        return None
    places = [known.names.index("backlash"), known.names.index("alpha")]
    covariance = tuple(tuple(known.covariance[i][j] for j in places) for i in places)
    transition = fit.transition_steps
    width = 0.0
    if transition is not None:
        width = 0.5 * transition.high95 if transition.value is None else transition.value
    return Mechanics(
        known.values[places[0]],
        known.values[places[1]],
        ((covariance[0][0], covariance[0][1]), (covariance[1][0], covariance[1][1])),
        width,
    )


def _shared(known: Knowledge, widths: WidthFit) -> _Shared:
    assert widths.knowledge is not None
    covariance = np.array(known.covariance)
    places = [known.names.index("backlash"), known.names.index("alpha")]
    inner = covariance[np.ix_(places, places)]
    follow = covariance[:, places] @ np.linalg.pinv(inner)
    own = covariance - follow @ inner @ follow.T
    told = np.array(widths.knowledge.covariance)
    return _Shared(
        known.names,
        np.array([known.values[k] for k in places]),
        inner,
        np.array(widths.knowledge.values[:_BOTH]),
        told[:_BOTH, :_BOTH],
        follow,
        own,
    )


def _disagree(mask: Quantity | None, width: Quantity | None) -> bool:
    """Tell whether the two plays differ by more than their uncertainties explain."""
    if mask is None or width is None:
        return False
    if mask.value is None or width.value is None or mask.u is None or width.u is None:
        # Of an upper limit only its upper end is known.
        low = max(item.low95 for item in (mask, width))
        return low > DISAGREE / 1.96 * min(item.high95 for item in (mask, width))
    return abs(mask.value - width.value) > DISAGREE * math.hypot(mask.u, width.u)


def _differences(shared: _Shared, known: Knowledge, widths: WidthFit) -> Values:
    """Return crossing minus least width for each filter that has both."""
    told = widths.knowledge
    assert told is not None
    covariance = np.array(told.covariance)
    found: Values = dict.fromkeys(widths.observed)
    for name in found:
        crossing, minimum = f"crossing.{name}", f"minimum.{name}"
        if crossing not in known.names or minimum not in told.names:
            continue
        row, place = shared.row(crossing), told.names.index(minimum)
        follow = shared.follow[row]
        value = known.values[row] + float(follow @ shared.moved) - told.values[place]
        variance = float(shared.own[row, row]) + covariance[place, place]
        variance += float(follow @ shared.after_covariance @ follow)
        variance -= 2.0 * float(follow @ covariance[:_BOTH, place])
        found[name] = Quantity.gaussian(value, math.sqrt(max(variance, 0.0)), widths.coverage_factor)
    return found


def _side_by_side(fit: JointFit, widths: WidthFit) -> JointFit:
    """Return the fit with the widths' beside it, differences taken on a side that both tell."""
    found: Values = dict.fromkeys(widths.observed)
    for name in found:
        for crossings, minima in (
            (fit.crossings_inward_steps, widths.minima_inward_steps),
            (fit.crossings_outward_steps, widths.minima_outward_steps),
        ):
            crossing, minimum = crossings.get(name), minima.get(name)
            if crossing is None or minimum is None or found[name] is not None:
                continue
            assert crossing.value is not None and minimum.value is not None
            u = math.hypot(crossing.u or 0.0, minimum.u or 0.0)
            found[name] = Quantity.gaussian(crossing.value - minimum.value, u, widths.coverage_factor)
    return replace(fit, width=replace(widths, mask_minus_width_steps=found))


def _updated(fit: JointFit, shared: _Shared) -> JointFit:
    """Return the fit with what the widths told of the play, in every number that follows it."""
    gained = shared.before_covariance[0, 0] - shared.after_covariance[0, 0]
    if gained < 0.01 * shared.before_covariance[0, 0] or fit.backlash_steps is None:
        return fit
    rows = {name: _follow_of(shared, name) for name in shared.names}
    backlash = np.array([1.0, 0.0])
    inward = {name: rows.get(f"crossing.{name}") for name in fit.crossings_inward_steps}
    outward = {name: None if row is None else row + backlash for name, row in inward.items()}
    reference = inward.get(fit.reference_filter)
    offsets = {
        name: None if row is None or reference is None or name == fit.reference_filter else row - reference
        for name, row in inward.items()
    }
    return replace(
        fit,
        backlash_steps=_moved(fit.backlash_steps, backlash, shared),
        slope_px_per_step=_moved(fit.slope_px_per_step, rows["slope"], shared),
        temperature_coefficient_steps_per_c=_moved(
            fit.temperature_coefficient_steps_per_c, rows["alpha"], shared
        ),
        crossings_inward_steps=_all_moved(fit.crossings_inward_steps, inward, shared),
        crossings_outward_steps=_all_moved(fit.crossings_outward_steps, outward, shared),
        offsets_steps=_all_moved(fit.offsets_steps, offsets, shared),
    )


def _follow_of(shared: _Shared, name: str) -> Array:
    return np.asarray(shared.follow[shared.row(name)])


def _all_moved(values: Values, rows: dict[str, Array | None], shared: _Shared) -> Values:
    return {name: _moved(value, rows.get(name), shared) for name, value in values.items()}


def _moved(quantity: Quantity | None, row: Array | None, shared: _Shared) -> Quantity | None:
    """Return a quantity shifted and narrowed as the play was; its interval keeps its shape."""
    if quantity is None or row is None or quantity.value is None or not quantity.u:
        return quantity
    shift = float(row @ shared.moved)
    gained = float(row @ (shared.before_covariance - shared.after_covariance) @ row)
    share = math.sqrt(min(max(1.0 - gained / quantity.u**2, 0.01), 1.0))
    value = quantity.value + shift
    below, above = quantity.value - quantity.low95, quantity.high95 - quantity.value
    return Quantity(value, share * quantity.u, value - share * below, value + share * above)


def _lonely(fit: JointFit, widths: WidthFit) -> list[Flag]:
    """Return what to say of filters that were seen through the open aperture alone."""
    notes = []
    for name, count in widths.observed.items():
        if count and not fit.observed.get(name, 0):
            offset = widths.offsets_steps.get(name)
            told = "" if offset is None or offset.value is None else f" ({offset.value:.1f} steps by width)"
            words = f"{name} was looked at without the mask only{told}"
            notes.append(flag("not_observed", f"offsets_steps.{name}", words))
    return notes


def _by_widths_alone(nothing: JointFit, widths: WidthFit) -> JointFit:
    """Return a fit whose numbers are the widths'."""
    kept = [
        item
        for item in nothing.flags
        if item.code not in ("no_observations", "reference_not_observed") and item.code != "not_observed"
    ]
    kept += [
        flag("not_observed", f"offsets_steps.{name}") for name, count in widths.observed.items() if not count
    ]
    if not widths.observed.get(nothing.reference_filter, 0):
        kept.append(flag("reference_not_observed", "offsets_steps"))
    return replace(
        nothing,
        backlash_steps=widths.backlash_steps,
        offsets_steps=widths.offsets_steps,
        crossings_inward_steps=widths.minima_inward_steps,
        crossings_outward_steps=widths.minima_outward_steps,
        temperature_coefficient_steps_per_c=widths.temperature_coefficient_steps_per_c,
        reference_temperature_c=widths.reference_temperature_c,
        offsets_order=widths.offsets_order,
        offsets_covariance_steps2=widths.offsets_covariance_steps2,
        observed=widths.observed,
        rows=widths.rows,
        curves=widths.curves,
        outliers=widths.outliers,
        flags=(*kept, *(_renamed(item) for item in widths.flags), *_not_by_width(widths)),
        width=widths,
        degrees_of_freedom=widths.degrees_of_freedom,
    )


def _renamed(item: Flag) -> Flag:
    """Return a flag about the widths as one about the profile's own numbers."""
    if item.field == "widths":
        return Flag(item.code, "all", item.message)
    number = item.field.removeprefix("widths.")
    if number == item.field or number == "backlash_steps":
        return Flag(item.code, number, item.message)
    return Flag(item.code, f"offsets_steps.{number}", item.message)


def _not_by_width(widths: WidthFit) -> list[Flag]:
    words = "star widths have no sign: a slope belongs to the spike error"
    notes = [flag("single_method", "slope_px_per_step", words)]
    if widths.temperature_coefficient_steps_per_c is None:
        notes.append(flag("temperature_constant", "temperature_coefficient_steps_per_c"))
    if widths.backlash_steps is not None:
        notes += [
            flag("single_method", f"{name}_steps", "star widths tell the play as a whole only")
            for name in ("transition", "lost_motion_to_outward", "lost_motion_to_inward")
        ]
    return notes
