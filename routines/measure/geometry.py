"""How a mask is cut and sits behind which optics, and how that changes, in the terms that frames tell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from routines.measure.frequencies import SeeingProfile
from routines.measure.model import MaskedStar
from routines.measure.templates import Window, make_templates
from routines.optics import Band, Mask, Optics

Terms = NDArray[np.float64]
Phases = tuple[float, float, float]

ORIENTATION, APERTURE, SLITS = 0, 4, (5, 6, 7)
# Of each term (deg, fraction, deg, duty, fraction, three phases) a change that an image follows linearly.
PROBE = np.array([0.2, 0.003, 0.15, 0.01, 0.01, 0.02, 0.02, 0.02])
PROBE.flags.writeable = False
# Wavelengths so far apart in the spikes of the first orders leave one or two per cent of an image.
_SEARCH_SPACING_PX = 2.8
# Of frequencies beyond, a star blurred over three pixels holds two hundredths.
_SEARCH_SPARE_PER_PX = 0.4


@dataclass(frozen=True, slots=True)
class Geometry:
    """The optics and mask as the frames show them, with the kind of seeing that fits them."""

    optics: Optics
    mask: Mask
    profile: SeeingProfile = "kolmogorov"
    pixel_share: float = 1.0


def changed(geometry: Geometry, steps: Terms) -> Geometry:
    """Return the geometry after steps in (deg, fraction, deg, duty, fraction, and three phases)."""
    mask, optics = geometry.mask, geometry.optics
    mask = replace(
        mask,
        orientation_deg=mask.orientation_deg + float(steps[0]),
        slit_period_mm=mask.slit_period_mm * (1.0 + float(steps[1])),
        arm_angle_deg=mask.arm_angle_deg + float(steps[2]),
        slit_duty=float(np.clip(mask.slit_duty + steps[3], 0.2, 0.8)),
        slit_phases=_turned(mask.slit_phases, steps[5:]),
    )
    return replace(
        geometry, mask=mask, optics=replace(optics, aperture_mm=optics.aperture_mm * (1 + float(steps[4])))
    )


def _turned(phases: Phases, steps: Terms) -> Phases:
    straight, upper, lower = ((phase + float(step)) % 1.0 for phase, step in zip(phases, steps, strict=True))
    return straight, upper, lower


def apart(geometry: Geometry, believed: Geometry) -> Terms:
    """Return how far a geometry lies from the believed one, in the terms of `changed`; slits anywhere."""
    mask, other = geometry.mask, believed.mask
    return np.array(
        [
            mask.orientation_deg - other.orientation_deg,
            mask.slit_period_mm / other.slit_period_mm - 1.0,
            mask.arm_angle_deg - other.arm_angle_deg,
            mask.slit_duty - other.slit_duty,
            geometry.optics.aperture_mm / believed.optics.aperture_mm - 1.0,
            *(0.0,) * 3,
        ]
    )


def with_mirrored_duty(geometry: Geometry) -> Geometry:
    """Return the geometry with slits and bars exchanged in width.

    Both have orders of the same strength but for the zeroth, and no small step leads from one to the other:
    at equal widths the even orders vanish.
    """
    return replace(geometry, mask=replace(geometry.mask, slit_duty=1.0 - geometry.mask.slit_duty))


def searching_star(geometry: Geometry, band: Band, window: Window, reach_um: float) -> MaskedStar:
    """Return a star whose templates cover the whole search, good enough to start from: to two per cent."""
    templates = make_templates(
        geometry.optics,
        geometry.mask,
        band,
        window,
        reach_um,
        coarse=True,
        spacing_px=_SEARCH_SPACING_PX,
        spare_per_px=_SEARCH_SPARE_PER_PX,
    )
    return MaskedStar(templates, geometry.profile, geometry.pixel_share)
