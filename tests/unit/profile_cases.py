"""A made-up rig and night for the tests of profile, verdict, advice and report.

Numbers are invented. The looks are drawn from the same model that the document describes, so that pictures
made from them look like a night; nothing here tests the estimation.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from routines.estimate.fitted import FittedCurve, FittedRow
from routines.estimate.result import JointFit, TemperatureRange
from routines.flags import flag
from routines.observations import INWARD, OUTWARD, Observation
from routines.optics import Band, Mask, Optics
from routines.profile_build import FilterFacts, ProfileFacts, evidence_digest
from routines.quantity import Quantity

OPTICS = Optics(focal_length_mm=588.0, aperture_mm=112.0, obstruction_ratio=0.0, pixel_um=3.9)
MASK = Mask(slit_period_mm=4.4, arm_angle_deg=20.0)
BANDS = (
    Band("L", 550.0, 280.0),
    Band("R", 640.0, 90.0),
    Band("G", 530.0, 80.0),
    Band("B", 450.0, 90.0),
    Band("Ha", 656.0, 6.0),
)
OFFSETS = {"L": 0.0, "R": 18.4, "G": -5.2, "B": -21.7, "Ha": 24.9}
BACKLASH, TRANSITION, SLOPE, CROSSING, ALPHA, T_REF = 86.0, 9.0, -0.065, 15230.0, -3.6, 11.4


def case_facts(**changes: Any) -> ProfileFacts:
    facts: dict[str, Any] = {
        "rig": "balcony refractor",
        "created": datetime(2026, 3, 14, 22, 5, tzinfo=UTC),
        "software": "drawtube 0.1.0",
        "filters": tuple(FilterFacts(band, slot) for slot, band in enumerate(BANDS)),
        "reference_filter": "L",
        "optics": OPTICS,
        "evidence_sha256": evidence_digest(()),
        "mask": MASK,
        "limits": (0.0, 40000.0),
    }
    return ProfileFacts(**{**facts, **changes})


def case_fit(**changes: Any) -> JointFit:
    """Return a fit with every number known, or with some replaced."""
    rng = np.random.default_rng(5)
    names = [band.name for band in BANDS]
    inward = {name: Quantity.gaussian(CROSSING + OFFSETS[name] + rng.normal(0, 0.5), 0.6) for name in names}
    offsets = {name: Quantity.gaussian(OFFSETS[name], 0.7) for name in names}
    offsets["L"] = Quantity(0.0, 0.0, 0.0, 0.0)
    fit: dict[str, Any] = {
        "backlash_steps": Quantity.gaussian(86.3, 0.8),
        "transition_steps": Quantity.gaussian(8.4, 2.6),
        "slope_px_per_step": Quantity.gaussian(SLOPE, 0.0004),
        "lost_motion_to_outward_steps": Quantity.gaussian(86.6, 1.1),
        "lost_motion_to_inward_steps": Quantity.gaussian(86.0, 1.2),
        "offsets_steps": offsets,
        "crossings_inward_steps": inward,
        "crossings_outward_steps": {
            name: Quantity.gaussian((item.value or 0.0) + 86.3, 0.9) for name, item in inward.items()
        },
        "temperature_coefficient_steps_per_c": Quantity.gaussian(ALPHA, 0.9),
        "temperature_range": TemperatureRange(9.8, 12.1),
        "reference_temperature_c": T_REF,
        "reference_filter": "L",
        "slopes_px_per_step": {name: Quantity.gaussian(SLOPE, 0.0004) for name in names},
        "offsets_order": tuple(names[1:]),
        "offsets_covariance_steps2": tuple(
            tuple(0.2 + (0.29 if i == j else 0.0) for j in range(4)) for i in range(4)
        ),
        "observed": dict.fromkeys(names, 40),
        "flags": (flag("extra_scatter", "slope_px_per_step"),),
        "rows": (),
    }
    return JointFit(**{**fit, **changes})


def _trail(lag: float, travel: float, side: int) -> float:
    """Return the lag after ``travel`` on a side, from the lag at the reversal (sharp play, for pictures)."""
    return min(BACKLASH, lag + travel) if side == OUTWARD else max(0.0, lag - travel)


def case_night(seed: int = 3) -> tuple[list[Observation], tuple[FittedRow, ...]]:
    """Return the looks of an in-out-in night with all filters, and the rows of a fit that knows the truth."""
    rng = np.random.default_rng(seed)
    looks, rows = [], []
    lag, motor, number, time_s = 0.0, CROSSING + 260.0, 0, 0.0
    for index, (side, end) in enumerate(((INWARD, -240.0), (OUTWARD, 340.0), (INWARD, -240.0))):
        while (motor - (CROSSING + end)) * side < 0:
            motor += 20.0 * side
            lag = _trail(lag, 20.0, side)
            for band in BANDS:
                temperature = 12.1 - time_s / 3000.0
                tube = motor - lag
                true = SLOPE * (tube - CROSSING - OFFSETS[band.name] - ALPHA * (temperature - T_REF))
                error = rng.normal(0.0, 0.06) + (1.4 if number in (37, 142) else 0.0)
                looks.append(
                    Observation(
                        number=number,
                        filter=band.name,
                        position_steps=motor,
                        value_px=true + error,
                        u_px=0.05,
                        side=side,
                        temperature_c=round(temperature, 2),
                        time_s=time_s,
                        path=f"night/look-{number:04d}.fits",
                        pass_id=index,
                    )
                )
                weight = 0.02 if abs(error) > 1.0 else 1.0
                rows.append(
                    FittedRow(
                        number=number,
                        filter=band.name,
                        position_steps=motor,
                        value_px=true + error,
                        fitted_px=true,
                        residual_px=error,
                        total_u_px=0.06,
                        weight=weight,
                        tube_place_steps=tube,
                        pass_index=index,
                        side=side,
                        engaged=1.0 if lag == (BACKLASH if side == OUTWARD else 0.0) else 0.4,
                    )
                )
                number += 1
                time_s += 11.0
    return looks, tuple(rows)


def case_curves() -> tuple[FittedCurve, ...]:
    """Return straight fitted lines of both branches."""
    curves = []
    for index, (side, lag) in enumerate(((INWARD, 0.0), (OUTWARD, BACKLASH))):
        for band in BANDS:
            places = tuple(CROSSING + lag + x for x in (-200.0, 0.0, 200.0))
            values = tuple(SLOPE * (x - lag - CROSSING - OFFSETS[band.name]) for x in places)
            curves.append(FittedCurve(band.name, side, index, places, values))
    return tuple(curves)
