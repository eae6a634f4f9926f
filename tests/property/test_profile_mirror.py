"""Whichever way the controller counts, the profile says the same about the same focus train."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from profile_cases import BANDS, case_facts, case_fit

from routines.advice import AdviceRequest, advise
from routines.estimate.result import JointFit, TemperatureRange
from routines.profile import Measured, Profile, profile_from_json, profile_schema
from routines.profile_build import build_profile
from routines.quantity import Quantity
from routines.verdict import judge

NAMES = [band.name for band in BANDS]
VALIDATOR = jsonschema.Draft202012Validator(profile_schema())


def quantities(low: float, high: float) -> st.SearchStrategy[Quantity | None]:
    value = st.floats(low, high, allow_subnormal=False)
    known = st.builds(Quantity.gaussian, value, st.floats(0.01, 20.0))
    return st.one_of(st.none(), known)


def limits_or(strategy: st.SearchStrategy[Quantity | None]) -> st.SearchStrategy[Quantity | None]:
    return st.one_of(strategy, st.builds(Quantity.upper_limit, st.floats(0.1, 50.0)))


@st.composite
def fits(draw: st.DrawFn) -> JointFit:
    per_filter = st.fixed_dictionaries({name: quantities(-60.0, 60.0) for name in NAMES})
    crossings = st.fixed_dictionaries({name: quantities(1000.0, 30000.0) for name in NAMES})
    return case_fit(
        backlash_steps=draw(limits_or(quantities(50.0, 250.0))),
        transition_steps=draw(limits_or(quantities(45.0, 60.0))),
        slope_px_per_step=draw(quantities(0.01, 0.5)),
        offsets_steps=draw(per_filter),
        crossings_inward_steps=draw(crossings),
        crossings_outward_steps=draw(crossings),
        temperature_coefficient_steps_per_c=draw(quantities(-10.0, 10.0)),
        temperature_range=TemperatureRange(1.0, 9.0),
    )


def same(number: Measured | None, other: Measured | None, sign: int) -> bool:
    if number is None or other is None:
        return number is None and other is None
    mirrored = Measured.of(number.quantity.scaled(sign))
    return mirrored.model_dump() == pytest.approx(Measured.of(other.quantity).model_dump())


@given(fits())
def test_falling_counts_mirror_positions_and_leave_sizes_alone(fit: JointFit) -> None:
    rising = build_profile(fit, case_facts(limits=None))
    falling = build_profile(fit, case_facts(limits=None, outward="falling"))
    for name in ("backlash_steps", "transition_steps", "step_um", "lost_motion_to_outward_steps"):
        assert same(getattr(rising, name), getattr(falling, name), 1)
    for name in ("slope_px_per_step", "temperature_coefficient_steps_per_c"):
        assert same(getattr(rising, name), getattr(falling, name), -1)
    for one, other in zip(rising.filters, falling.filters, strict=True):
        for name in ("offset_steps", "crossing_inward_steps", "crossing_outward_steps"):
            assert same(getattr(one, name), getattr(other, name), -1)
        assert same(one.critical_focus_zone_steps, other.critical_focus_zone_steps, 1)
    assert rising.overshoot_steps == falling.overshoot_steps
    assert same(rising.best_focus.position_steps, falling.best_focus.position_steps, -1)
    assert [item.weight for item in judge(rising).findings] == [
        item.weight for item in judge(falling).findings
    ]


@given(fits(), st.sampled_from(["rising", "falling"]), st.sampled_from(["inward", "outward"]))
def test_every_profile_fits_the_published_schema_and_round_trips(
    fit: JointFit, outward: str, side: str
) -> None:
    profile = build_profile(fit, case_facts(outward=outward, final_side=side))
    text = profile.to_json()
    VALIDATOR.validate(json.loads(text))
    assert profile_from_json(text) == profile
    assert judge(profile).headline


@given(st.sampled_from(NAMES), st.floats(-20.0, 30.0), st.sampled_from(["inward", "outward"]))
def test_advice_mirrors_too(name: str, temperature_c: float, side: str) -> None:
    request = AdviceRequest(filter=name, temperature_c=temperature_c)
    moves = {}
    for outward, sign in (("rising", 1), ("falling", -1)):
        profile = build_profile(case_fit(), case_facts(limits=None, outward=outward, final_side=side))
        moves[outward] = [sign * move.position_steps for move in advise(profile, request).moves]
    assert moves["rising"] == moves["falling"]


def test_the_outward_crossing_is_the_smaller_count_when_counts_fall() -> None:
    profile: Profile = build_profile(case_fit(), case_facts(outward="falling"))
    for entry in profile.filters:
        assert entry.crossing_outward_steps is not None and entry.crossing_inward_steps is not None
        assert (entry.crossing_outward_steps.value or 0.0) < (entry.crossing_inward_steps.value or 0.0)
    assert profile.backlash_steps is not None and (profile.backlash_steps.value or 0.0) > 0.0
