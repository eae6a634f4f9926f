"""The curve of star width against distance from focus, and what its arms say about the size of a step.

Far from focus a star's image is the cone of light cut by the sensor: a disc, or a ring behind an obstruction,
that grows in proportion to the defocus. Near focus the air and diffraction keep it from shrinking further. A
hyperbola joins the two. A Gaussian of seeing spread over a disc follows one of a slightly higher power
(2.4 instead of 2), so that the power is fitted too, within what that allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from routines.estimate.play import Array
from routines.optics import Optics
from routines.quantity import Quantity

# Nominal focal length and clear aperture are each good to about a percent (common practice).
GEOMETRY_RELATIVE_U = 0.02
# By how much a defocused star is narrower than geometry says, in units of lambda N.
DEFICIT, DEFICIT_U = 0.75, 0.35
_LEAST_RATIO = 1e-9


@dataclass(frozen=True, slots=True)
class CurveAt:
    """Widths (n, px) and their derivatives by distance, least width, slope and power, each (n)."""

    width: Array
    by_distance: Array
    by_least: Array
    by_slope: Array
    by_power: Array


def width_curve(distance: Array, least_px: Array, slope: Array, power: float) -> CurveAt:
    """Return least * (1 + q^p)^(1/p) with q = slope * |distance| / least; p = 2 is the plain hyperbola.

    ``distance`` (n) is in steps from the minimum, ``least_px`` and ``slope`` (px per step) are (n) each.
    """
    q = np.maximum(slope * np.abs(distance) / least_px, _LEAST_RATIO)
    raised = q**power
    width = least_px * (1.0 + raised) ** (1.0 / power)
    arm = (width / least_px) ** (1.0 - power) * q ** (power - 1.0)
    by_power = width * (raised * np.log(q) / (power * (1.0 + raised)) - np.log1p(raised) / power**2)
    return CurveAt(
        width,
        arm * slope * np.sign(distance),
        (width / least_px) ** (1.0 - power),
        arm * np.abs(distance),
        by_power,
    )


def arm_px_per_um(optics: Optics) -> float:
    """Return how fast the half-flux diameter grows far from focus, in px for a micrometre of defocus.

    Geometry: the disc's diameter is dz / N, evenly lit between the obstruction e and 1 of its radius; half
    of its light lies within sqrt((1 + e^2) / 2) of the radius.
    """
    share = math.sqrt((1.0 + optics.obstruction_ratio**2) / 2.0)
    return share / optics.focal_ratio / optics.pixel_um


def step_from_arm(
    arm_px_per_step: Quantity | None, far_width_px: float | None, wavelength_um: float, optics: Optics
) -> Quantity | None:
    """Return the step size (um at the sensor) from the slope of the arms, or None.

    ``far_width_px`` is how wide the looks are that the slope rests on. Light is a wave: half of a defocused
    star's light lies within a little less than geometry says, by about three quarters of lambda N between one
    wave of defocus and four (Fresnel's integral over the pupil, computed for obstructions of 0 and 0.33).
    """
    arm = arm_px_per_step
    if arm is None or arm.value is None or arm.u is None or arm.value <= 0.0 or not far_width_px:
        return None
    spot_px = wavelength_um * optics.focal_ratio / optics.pixel_um
    step_um = arm.value / arm_px_per_um(optics) * (1.0 + DEFICIT * spot_px / far_width_px)
    relative = math.hypot(arm.u / arm.value, GEOMETRY_RELATIVE_U)
    return Quantity.gaussian(step_um, step_um * math.hypot(relative, DEFICIT_U * spot_px / far_width_px))
