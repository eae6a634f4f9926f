"""Whatever was looked at, the joint fit's answer becomes a valid profile, a verdict and a report."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import jsonschema
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from profile_cases import BANDS, case_facts, case_night

from daemon.profile_commands import profile_text
from daemon.report import render_report
from routines.estimate.joint import FitSetup, fit_jointly
from routines.observations import Observation
from routines.profile import profile_schema
from routines.profile_build import build_profile

NAMES = tuple(band.name for band in BANDS)
SETUP = FitSetup(filters=NAMES, reference_filter="L")
VALIDATOR = jsonschema.Draft202012Validator(profile_schema())
NIGHT = case_night()[0]

looks = st.lists(
    st.builds(
        Observation,
        number=st.just(0),
        filter=st.sampled_from([*NAMES, "unheard of"]),
        position_steps=st.integers(0, 400).map(float),
        value_px=st.one_of(st.none(), st.floats(-30.0, 30.0)),
        u_px=st.one_of(st.none(), st.floats(0.01, 2.0)),
        temperature_c=st.one_of(st.none(), st.floats(-10.0, 20.0)),
    ),
    max_size=25,
)


def goes_all_the_way(observations: list[Observation], outward: str) -> None:
    fit = fit_jointly(observations, None, SETUP)
    profile = build_profile(fit, case_facts(outward=outward, limits=None))
    VALIDATOR.validate(json.loads(profile.to_json()))
    assert profile_text(profile)
    assert render_report(profile, fit, observations).endswith("</html>\n")


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(looks, st.sampled_from(["rising", "falling"]))
def test_arbitrary_looks(observations: list[Observation], outward: str) -> None:
    numbered = [
        Observation(**{**item.as_dict(), "number": n, "flags": ()}) for n, item in enumerate(observations)
    ]
    goes_all_the_way(numbered, outward)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, len(NIGHT) - 1), st.integers(1, 200), st.integers(1, 9))
def test_pieces_of_a_night(start: int, count: int, stride: int) -> None:
    goes_all_the_way(NIGHT[start : start + count * stride : stride], "rising")
