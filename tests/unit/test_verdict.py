"""What matters for an optics, in words, and the numbers to type elsewhere."""

from __future__ import annotations

from typing import Any

import pytest
from profile_cases import case_facts, case_fit

from routines.estimate.result import JointFit
from routines.flags import flag
from routines.profile import Profile
from routines.profile_build import build_profile
from routines.quantity import Quantity
from routines.verdict import Finding, Verdict, focus_zones, judge


def profile_of(facts: dict[str, Any] | None = None, **fit: Any) -> Profile:
    return build_profile(case_fit(**fit), case_facts(**(facts or {})))


def finding(verdict: Verdict, topic: str) -> Finding:
    return next(item for item in verdict.findings if item.topic == topic)


def test_backlash_larger_than_half_the_zone_matters() -> None:
    verdict = judge(profile_of())
    found = finding(verdict, "backlash")
    assert found.weight == "matters"
    assert "86.3 ± 0.8 steps" in found.sentences[0]
    assert verdict.headline.startswith("Matters on this rig: backlash (86 steps)")


def test_both_kinds_of_program_are_told_what_an_error_does() -> None:
    words = " ".join(finding(judge(profile_of()), "backlash").sentences)
    assert "enter 86" in words
    assert "too much is no better than too little" in words
    assert "only an upper bound matters" in words
    assert "Enter 112 or more" in words


def test_entries_that_stay_in_the_zone_leave_room_for_the_uncertainty() -> None:
    profile = profile_of(
        {"step_um": 1.0}, backlash_steps=Quantity(100.0, 2.0, 96.0, 104.0), transition_steps=None
    )
    half = focus_zones(profile)[0].half_steps
    words = finding(judge(profile), "backlash").sentences[1]
    # At either end the true backlash may be at the far end of its interval and the miss is still half a zone.
    assert f"Entries from {104.0 - half:.0f} to {96.0 + half:.0f} stay in the zone." in words


def test_a_backlash_too_uncertain_to_add_is_called_so() -> None:
    verdict = judge(profile_of(backlash_steps=Quantity.gaussian(90.0, 12.0)))
    assert "not known well enough" in finding(verdict, "backlash").sentences[1]


def test_an_upper_limit_far_below_the_zone_does_not_matter() -> None:
    verdict = judge(profile_of({"step_um": 0.2}, backlash_steps=Quantity.upper_limit(5.0)))
    found = finding(verdict, "backlash")
    assert found.weight == "no"
    assert "enter 0" in found.sentences[1]
    assert "backlash (at most 5.0 steps)" in verdict.headline


def test_an_unknown_backlash_gives_its_reason() -> None:
    fit = {"backlash_steps": None, "flags": (flag("no_reversal", "backlash_steps"),)}
    found = finding(judge(profile_of(**fit)), "backlash")
    assert found.weight == "unknown"
    assert found.sentences == (
        "Backlash is not known: the focuser never reversed, so backlash cannot be told.",
    )


def test_each_filter_is_held_against_its_own_zone() -> None:
    offsets = {
        "L": Quantity(0.0, 0.0, 0.0, 0.0),
        "R": Quantity.gaussian(18.4, 0.7),
        "G": Quantity.gaussian(0.4, 0.3),
        "B": Quantity.gaussian(-6.0, 0.7),
        "Ha": None,
    }
    words = " ".join(finding(judge(profile_of(offsets_steps=offsets)), "offsets").sentences)
    assert "From L to R: leaving the offset out ends out of focus." in words
    assert "From L to B: leaving the offset out uses up part of the focus zone." in words
    assert "From L to G: in focus where the reference is" in words
    assert "Not known: Ha." in words


def test_temperature_is_told_in_degrees_on_the_safe_side() -> None:
    coefficient = Quantity(-3.0, 0.5, -4.0, -2.0)
    profile = profile_of(temperature_coefficient_steps_per_c=coefficient)
    half = focus_zones(profile)[0].half_steps
    found = finding(judge(profile), "temperature")
    assert found.weight == "matters"
    tenths = int(half / 4.0 * 10.0) / 10.0
    assert f"within {tenths:.1f} C" in found.sentences[0]


def test_a_coefficient_that_may_be_nought_names_no_correction() -> None:
    profile = profile_of({"step_um": 0.4}, temperature_coefficient_steps_per_c=Quantity.gaussian(0.1, 0.3))
    found = finding(judge(profile), "temperature")
    assert found.weight == "no"
    assert "Too little to tell from none" in found.sentences[0]


def test_seeing_counts_where_it_hides_more_than_diffraction() -> None:
    sharp, soft = (profile_of({"seeing_fwhm_um": fwhm}) for fwhm in (0.5, 20.0))
    assert {zone.limited_by for zone in focus_zones(sharp)} == {"diffraction"}
    assert {zone.limited_by for zone in focus_zones(soft)} == {"seeing"}
    assert focus_zones(soft)[0].total_steps > focus_zones(sharp)[0].total_steps


def test_without_a_scale_nothing_is_judged_but_numbers_are_still_given() -> None:
    verdict = judge(profile_of({"mask": None}))
    assert {item.weight for item in verdict.findings} == {"unknown"}
    assert "cannot be held against the focus zone" in verdict.headline
    assert [entry.value for entry in verdict.entries if entry.label == "backlash"] == ["86"]


def test_an_empty_fit_has_a_verdict_too() -> None:
    verdict = judge(build_profile(JointFit(), case_facts()))
    assert verdict.entries == ()
    fit = JointFit(flags=(flag("no_observations", "all"),))
    headline = judge(build_profile(fit, case_facts())).headline
    assert headline == "Nothing could be told: nothing was measured."
    assert all(item.weight == "unknown" for item in verdict.findings)


@pytest.mark.parametrize(("outward", "expected"), [("rising", ("+18", "-18")), ("falling", ("-18", "+18"))])
def test_entries_are_whole_and_in_both_conventions(outward: str, expected: tuple[str, str]) -> None:
    entries = {entry.label: entry for entry in judge(profile_of({"outward": outward})).entries}
    assert (entries["offset R"].value, entries["offset R"].opposite) == expected
    assert entries["offset L"].value == "0"
    assert entries["overshoot"].opposite is None
    assert entries["temperature"].value in ("-3.6", "+3.6")
