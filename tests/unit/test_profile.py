"""The profile document: units, conventions, and a reason for every null."""

from __future__ import annotations

import json
import math

import jsonschema
import pytest
from profile_cases import BANDS, MASK, OPTICS, case_facts, case_fit, case_night
from pydantic import ValidationError

from routines.estimate.result import JointFit
from routines.flags import flag
from routines.observations import Observation
from routines.optics import Optics, spike_error_px_per_um
from routines.profile import Measured, Profile, null_paths, profile_from_json, profile_schema
from routines.profile_build import build_profile, evidence_digest, overshoot_to_use
from routines.profile_scale import step_from_slope, step_size, zone_steps
from routines.quantity import Quantity


def valid(profile: Profile) -> None:
    jsonschema.Draft202012Validator(profile_schema()).validate(json.loads(profile.to_json()))


def test_the_schema_itself_is_valid_and_names_the_contract() -> None:
    schema = profile_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["properties"]["schema"]["const"] == "drawtube-profile/1"
    assert set(schema["required"]) == set(schema["properties"])


# The fields that the contract lists, in its order.
CONTRACT = """
schema rig created software simulated method outward epoch reference_filter reference_temperature_c step_um
slope_px_per_step backlash_steps transition_steps lost_motion_to_outward_steps lost_motion_to_inward_steps
final_side overshoot_steps limits controller_compensation filters best_focus
temperature_coefficient_steps_per_c star altitude_deg rules expires_if proof flags evidence
"""


def test_a_full_profile_has_every_field_of_the_contract_and_round_trips() -> None:
    profile = build_profile(case_fit(), case_facts())
    valid(profile)
    document = json.loads(profile.to_json())
    assert list(document) == CONTRACT.split()
    assert list(document["filters"][0]) == [
        "name",
        "slot",
        "offset_steps",
        "crossing_inward_steps",
        "crossing_outward_steps",
        "mask_minus_width_steps",
        "critical_focus_zone_steps",
        "observations",
    ]
    assert list(document["best_focus"]) == ["filter", "branch", "position_steps", "temperature_c"]
    assert profile_from_json(profile.to_json()) == profile


def test_an_empty_fit_gives_a_document_of_nulls_each_with_its_reason() -> None:
    profile = build_profile(JointFit(), case_facts(mask=None))
    valid(profile)
    paths = list(null_paths(profile))
    assert "backlash_steps" in paths
    assert "filters.Ha.offset_steps" in paths
    assert "overshoot_steps" in paths
    assert all(profile.reason_for(path) for path in paths)
    assert profile.reason_for("filters.R.offset_steps") == "this filter was not observed"
    assert "optics.step_um" in (profile.reason_for("step_um") or "")


def test_the_fits_own_reason_wins_over_ours() -> None:
    words = "the focuser never reversed: 12 looks, all moving inward"
    fit = case_fit(backlash_steps=None, flags=(flag("no_reversal", "backlash_steps", words),))
    profile = build_profile(fit, case_facts())
    assert profile.reason_for("backlash_steps") == words
    assert [item.code for item in profile.flags if item.field == "backlash_steps"] == ["no_reversal"]


def test_a_note_does_not_explain_a_null() -> None:
    fit = case_fit(backlash_steps=None, flags=(flag("few_observations", "backlash_steps"),))
    codes = {item.code for item in build_profile(fit, case_facts()).flags if item.field == "backlash_steps"}
    assert codes == {"few_observations", "not_identifiable"}


def test_a_null_without_a_reason_is_refused() -> None:
    document = build_profile(case_fit(), case_facts()).as_dict()
    document["backlash_steps"] = None
    with pytest.raises(ValidationError, match="null without a flag that says why: backlash_steps"):
        Profile.model_validate(document)


def test_unknown_keys_and_other_versions_are_refused() -> None:
    document = build_profile(case_fit(), case_facts()).as_dict()
    with pytest.raises(ValidationError, match="extra_forbidden"):
        Profile.model_validate({**document, "backlash": 12})
    with pytest.raises(ValidationError, match="drawtube-profile/1"):
        Profile.model_validate({**document, "schema": "drawtube-profile/2"})


@pytest.mark.parametrize(
    "number",
    [
        {"value": 5.0, "u": None, "low95": 1.0, "high95": 9.0},
        {"value": 5.0, "u": 1.0, "low95": 6.0, "high95": 9.0},
        {"value": None, "u": None, "low95": 1.0, "high95": 9.0},
        {"value": 5.0, "u": -1.0, "low95": 1.0, "high95": 9.0},
        {"value": float("nan"), "u": 1.0, "low95": 1.0, "high95": 9.0},
    ],
)
def test_impossible_numbers_are_refused(number: dict[str, float | None]) -> None:
    with pytest.raises(ValidationError):
        Measured.model_validate(number)


def test_an_upper_limit_has_its_own_form() -> None:
    profile = build_profile(case_fit(backlash_steps=Quantity.upper_limit(4.0)), case_facts())
    valid(profile)
    expected = {"value": None, "u": None, "low95": 0.0, "high95": 4.0}
    assert profile.as_dict()["backlash_steps"] == expected


def test_step_size_follows_from_slope_and_mask() -> None:
    per_um = spike_error_px_per_um(OPTICS, MASK)
    slope = Quantity.gaussian(-2.5 * per_um, 0.01 * 2.5 * per_um)
    step = step_from_slope(slope, OPTICS, MASK)
    assert step is not None
    assert step.value == pytest.approx(2.5)
    assert step.u == pytest.approx(2.5 * math.hypot(0.01, 0.02))


def test_no_settled_mask_and_no_configured_step_means_no_scale() -> None:
    profile = build_profile(case_fit(), case_facts(mask=None))
    assert profile.step_um is None
    assert all(entry.critical_focus_zone_steps is None for entry in profile.filters)
    assert {item.code for item in profile.flags} >= {"scale_unknown"}


def test_a_configured_step_is_kept_and_checked() -> None:
    step, flags = step_size(4.0, (Quantity.gaussian(4.1, 0.05),))
    assert step == Quantity(4.0, 0.0, 4.0, 4.0)
    assert [item.code for item in flags] == ["from_config"]
    # The two layouts of a mask differ by 44 % at 20 degrees: the check has to see that.
    _, flags = step_size(4.0, (Quantity.gaussian(4.0 * 1.44, 0.05),))
    assert [item.code for item in flags] == ["from_config", "step_disagrees"]


# Rayleigh's quarter-wave depth worked by hand: F/5 at 550 nm, 4 * 0.55 * 25 = 55 um; 11 steps of 5 um.
def test_zone_in_steps_of_a_worked_case() -> None:
    optics = Optics(500.0, 100.0, 0.0, 4.0)
    profile = build_profile(case_fit(), case_facts(optics=optics, step_um=5.0))
    zone = profile.filters[0].critical_focus_zone_steps
    assert BANDS[0].centre_nm == 550.0
    assert zone is not None and zone.value == pytest.approx(11.0)


def test_zone_interval_turns_round_with_the_step() -> None:
    zone = zone_steps(60.0, Quantity(3.0, 0.3, 2.4, 3.6))
    assert zone == Quantity(20.0, 2.0, pytest.approx(60 / 3.6), pytest.approx(25.0))  # type: ignore[arg-type]  # approx equals a number


def test_overshoot_takes_the_upper_bound_the_transition_and_a_margin() -> None:
    fit = case_fit(
        backlash_steps=Quantity(90.0, 2.0, 86.0, 94.0),
        transition_steps=Quantity(8.0, 1.0, 6.0, 10.0),
        lost_motion_to_outward_steps=None,
        lost_motion_to_inward_steps=None,
    )
    assert overshoot_to_use(fit, None) == (math.ceil(94 + 10 + 9.4), [])
    without = case_fit(
        backlash_steps=Quantity.upper_limit(3.0),
        transition_steps=None,
        lost_motion_to_outward_steps=None,
        lost_motion_to_inward_steps=None,
    )
    assert overshoot_to_use(without, None) == (3 + 3 + 5, [])


def test_overshoot_without_backlash_comes_from_the_config_and_says_so() -> None:
    steps, flags = overshoot_to_use(case_fit(backlash_steps=None), 180.0)
    assert steps == 180
    assert [item.code for item in flags] == ["from_config"]


def test_best_focus_is_the_reference_on_the_final_side() -> None:
    profile = build_profile(case_fit(), case_facts(final_side="outward"))
    entry = profile.filter_named("L")
    assert entry is not None
    assert profile.best_focus.branch == "outward"
    assert profile.best_focus.position_steps == entry.crossing_outward_steps


def test_rules_name_the_numbers_and_the_direction() -> None:
    rising = build_profile(case_fit(), case_facts())
    falling = build_profile(case_fit(), case_facts(outward="falling"))
    assert "counts falling" in rising.rules[0] and f"{rising.overshoot_steps} steps above" in rising.rules[0]
    assert (
        "counts rising" in falling.rules[0] and f"{falling.overshoot_steps} steps below" in falling.rules[0]
    )
    assert any("offset of the new filter - offset of the old filter" in rule for rule in rising.rules)


def test_the_fits_own_field_names_become_the_documents() -> None:
    flags = (
        flag("all_in_dead_zone", "all"),
        flag("not_observed", "offsets_steps.Ha"),
        flag("extrapolated", "crossings_steps.R"),
        flag("reference_not_observed", "offsets_steps"),
    )
    fit = case_fit(offsets_steps={"L": None, "R": None}, flags=flags)
    found = [(item.code, item.field) for item in build_profile(fit, case_facts()).flags[:5]]
    assert found == [
        ("all_in_dead_zone", "profile"),
        ("not_observed", "filters.Ha.offset_steps"),
        ("extrapolated", "filters.R"),
        ("reference_not_observed", "filters.L.offset_steps"),
        ("reference_not_observed", "filters.R.offset_steps"),
    ]


def test_outliers_are_told_at_the_controllers_positions() -> None:
    looks, rows = case_night()
    fit = case_fit(rows=rows, outliers=(37,), flags=(flag("outlier", "observation 37", "at 15330"),))
    told = build_profile(fit, case_facts(outward="falling")).flags[0]
    far = rows[37].residual_px / rows[37].total_u_px
    assert f"at {-looks[37].position_steps:g})" in told.message and f"{far:+.1f}" in told.message


def test_without_the_final_side_best_focus_is_told_on_the_other() -> None:
    fit = case_fit(
        backlash_steps=None,
        crossings_inward_steps={},
        flags=(flag("no_reversal", "backlash_steps", "every pass went outward"),),
    )
    profile = build_profile(fit, case_facts())
    assert profile.best_focus.branch == "outward"
    assert profile.reason_for("filters.R.crossing_inward_steps") == "every pass went outward"
    assert profile.reason_for("transition_steps") is None and profile.transition_steps is not None


def test_good_enough_means_backlash_and_every_observed_filters_offset() -> None:
    assert build_profile(case_fit(), case_facts()).is_good_enough
    limit = case_fit(backlash_steps=Quantity.upper_limit(4.0), temperature_coefficient_steps_per_c=None)
    assert build_profile(limit, case_facts()).is_good_enough
    assert not build_profile(case_fit(backlash_steps=None), case_facts()).is_good_enough
    unseen = case_fit(offsets_steps={"L": Quantity(0, 0, 0, 0)}, observed={"L": 9})
    assert build_profile(unseen, case_facts()).is_good_enough
    seen = case_fit(offsets_steps={"L": Quantity(0, 0, 0, 0)}, observed={"L": 9, "R": 1})
    assert not build_profile(seen, case_facts()).is_good_enough
    assert not build_profile(JointFit(), case_facts()).is_good_enough


def test_a_suspected_compensation_is_recorded_unless_the_config_knows() -> None:
    fit = case_fit(flags=(flag("compensating_controller", "backlash_steps"),))
    assert build_profile(fit, case_facts()).controller_compensation == "suspected"
    assert build_profile(fit, case_facts(compensation="controller")).controller_compensation == "controller"


def test_equal_observations_have_equal_digests() -> None:
    looks = [Observation(0, "L", 100.0, value_px=1.0), Observation(1, "L", 120.0, value_px=0.5)]
    assert evidence_digest(looks) == evidence_digest(list(looks))
    assert evidence_digest(looks) != evidence_digest(looks[:1])
    assert len(evidence_digest(looks)) == 64
