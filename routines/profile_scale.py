"""How large a step is at the sensor, and how many steps the focus zones are.

The step size comes from the config, from the slope of the spike error (geometry of the mask), or from
another measurement; where two are known they check each other.
"""

from __future__ import annotations

import math

from routines.flags import Flag, flag
from routines.optics import Band, Mask, Optics, critical_focus_zone_um, spike_error_px_per_um
from routines.quantity import Quantity
from routines.wording import format_quantity, short

# Nominal focal length, clear aperture and arm angle are each good to about a percent (common practice).
GEOMETRY_RELATIVE_U = 0.02
AGREEMENT = 3.0


def step_from_slope(slope: Quantity | None, optics: Optics, mask: Mask | None) -> Quantity | None:
    """Return the step size (um) from a slope in px per step and the mask's geometry, or None."""
    if slope is None or mask is None or slope.value is None or slope.u is None or slope.value == 0.0:
        return None
    step_um = abs(slope.value) / spike_error_px_per_um(optics, mask)
    relative = math.hypot(slope.u / slope.value, GEOMETRY_RELATIVE_U)
    return Quantity.gaussian(step_um, step_um * relative)


def step_size(
    configured_um: float | None, measured: tuple[Quantity | None, ...]
) -> tuple[Quantity | None, list[Flag]]:
    """Return the step size with its flags: the configured one first, then the measured in their order."""
    known = [item for item in measured if item is not None and item.value is not None]
    if configured_um is not None:
        given = Quantity(configured_um, 0.0, configured_um, configured_um)
        notes = [flag("from_config", "step_um", "step size taken from the config, not measured")]
        return given, notes + _disagreements(given, known)
    if not known:
        return None, [flag("scale_unknown", "step_um", _WHY_UNKNOWN)]
    return known[0], _disagreements(known[0], known[1:])


_WHY_UNKNOWN = (
    "the size of a step at the sensor is not known: give optics.step_um, or frames of a mask from which it "
    "can be worked out"
)


def step_sizes_in_words(measured: tuple[Quantity | None, ...]) -> str:
    """Return the two independent step sizes, from the mask and from the widths, with their uncertainties."""
    by_mask, by_width = measured
    words = f"the growth of star width far from focus makes a step {format_quantity(by_width, 'um')}"
    if by_mask is None:
        return words
    return f"{words}, the slope of the mask's spike error {format_quantity(by_mask, 'um')}"


def _disagreements(chosen: Quantity, others: list[Quantity]) -> list[Flag]:
    """Flag every other step size that lies beyond three standard uncertainties of the chosen one."""
    found = []
    for other in others:
        if chosen.value is None or other.value is None or chosen.u is None or other.u is None:
            continue
        allowed = AGREEMENT * math.hypot(chosen.u, other.u, GEOMETRY_RELATIVE_U * chosen.value)
        if abs(other.value - chosen.value) > allowed:
            words = (
                f"the step size in use, {short(chosen.value)} um, disagrees with the frames' "
                f"{format_quantity(other, 'um')}: check focal length, aperture and pixel size in the config"
            )
            found.append(flag("step_disagrees", "step_um", words))
    return found


def zone_steps(zone_um: float, step_um: Quantity | None) -> Quantity | None:
    """Return a depth of focus in steps; None without a step size."""
    if step_um is None or step_um.value is None or step_um.u is None or step_um.low95 <= 0.0:
        return None
    value = zone_um / step_um.value
    return Quantity(
        value, value * step_um.u / step_um.value, zone_um / step_um.high95, zone_um / step_um.low95
    )


def critical_zone_steps(band: Band, optics: Optics, step_um: Quantity | None) -> Quantity | None:
    """Return a filter's critical focus zone, in steps, at the centre of its band."""
    return zone_steps(critical_focus_zone_um(band.centre_nm * 1e-3, optics), step_um)
