"""What repeating cannot shrink: how far a mask's crossing depends on the telescope and the star's colour.

Aberrations deform the spikes, and the star's colour weighs a broad band whose focus runs with wavelength, so
that two sound ways to read one pattern differ. It belongs to a filter and not to a frame: it enters the
crossings and the offsets, and cancels in backlash and slope.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from routines.estimate.fitted import Values
from routines.estimate.result import JointFit
from routines.quantity import Quantity

# As shares of a filter's critical focus zone: what differs from filter to filter, and what all share. From
# rendered frames of telescopes with a thirtieth to a fiftieth of a wave of each low aberration, read by fits
# that weigh the pattern's parts differently.
CROSSING_SHARE_OF_ZONE = 0.025
COMMON_SHARE_OF_ZONE = 0.05


# A geared stepper errs once a turn of each wheel, by a part of a step to a few steps (common practice). A
# fifth of a step is taken as its standard uncertainty where the residuals show nothing.
USUAL_DRIVE_U_STEPS = 0.2


def with_drive_error(fit: JointFit) -> JointFit:
    """Return a fit whose backlash, crossings and slope include what the drive's own error may do to them.

    The two crossings that make a backlash lie at different places of the drive, so both err; the slope errs
    by the same over the stretch that was looked at.
    """
    u = USUAL_DRIVE_U_STEPS
    if fit.drive_error is not None:
        u = max(u, fit.drive_error.amplitude_steps / math.sqrt(2.0))
    both = math.sqrt(2.0) * u
    return replace(
        fit,
        backlash_steps=widened(fit.backlash_steps, both),
        lost_motion_to_outward_steps=widened(fit.lost_motion_to_outward_steps, both),
        lost_motion_to_inward_steps=widened(fit.lost_motion_to_inward_steps, both),
        crossings_inward_steps=_each_widened(fit.crossings_inward_steps, dict.fromkeys(fit.observed, u)),
        crossings_outward_steps=_each_widened(fit.crossings_outward_steps, dict.fromkeys(fit.observed, u)),
        slope_px_per_step=widened(fit.slope_px_per_step, _slope_u(fit, both)),
    )


def _slope_u(fit: JointFit, drive_u_steps: float) -> float:
    """Return what the drive's error does to the slope (px/step) over the stretch that was looked at."""
    places = [row.tube_place_steps for row in fit.rows]
    stretch = max(places) - min(places) if places else 0.0
    if fit.slope_px_per_step is None or not fit.slope_px_per_step.value or stretch <= 0.0:
        return 0.0
    return abs(fit.slope_px_per_step.value) * drive_u_steps / stretch


def with_crossing_systematics(
    fit: JointFit, u_steps: Mapping[str, float], common_u_steps: float = 0.0
) -> JointFit:
    """Return a fit whose crossings and offsets include each filter's own systematic uncertainty (steps).

    What all filters share widens the crossings and cancels in the offsets.
    """
    crossing_u = {name: math.hypot(u, common_u_steps) for name, u in u_steps.items()}
    reference_u = u_steps.get(fit.reference_filter, 0.0)
    offsets = {
        name: value
        if name == fit.reference_filter
        else widened(value, math.hypot(u_steps.get(name, 0.0), reference_u))
        for name, value in fit.offsets_steps.items()
    }
    return replace(
        fit,
        offsets_steps=offsets,
        crossings_inward_steps=_each_widened(fit.crossings_inward_steps, crossing_u),
        crossings_outward_steps=_each_widened(fit.crossings_outward_steps, crossing_u),
        offsets_covariance_steps2=_covariance(fit, u_steps, reference_u),
    )


def _each_widened(values: Values, u_steps: Mapping[str, float]) -> Values:
    return {name: widened(value, u_steps.get(name, 0.0)) for name, value in values.items()}


def widened(quantity: Quantity | None, extra_u: float) -> Quantity | None:
    """Return a quantity with an independent uncertainty added; its interval keeps its own shape."""
    if quantity is None or quantity.value is None or quantity.u is None:
        return quantity
    below, above = quantity.value - quantity.low95, quantity.high95 - quantity.value
    extra = 1.959964 * extra_u
    return Quantity(
        quantity.value,
        math.hypot(quantity.u, extra_u),
        quantity.value - math.hypot(below, extra),
        quantity.value + math.hypot(above, extra),
    )


def _covariance(
    fit: JointFit, u_steps: Mapping[str, float], reference_u: float
) -> tuple[tuple[float, ...], ...]:
    """Return the offsets' covariance with the filters' own part and the shared part of the reference."""
    if not fit.offsets_covariance_steps2:
        return fit.offsets_covariance_steps2
    rows = []
    for i, name in enumerate(fit.offsets_order):
        row = list(fit.offsets_covariance_steps2[i])
        if name != fit.reference_filter:
            row = [
                value + (reference_u**2 if other != fit.reference_filter else 0.0)
                for other, value in zip(fit.offsets_order, row, strict=True)
            ]
            row[i] += u_steps.get(name, 0.0) ** 2
        rows.append(tuple(row))
    return tuple(rows)
