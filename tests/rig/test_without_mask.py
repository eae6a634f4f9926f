"""Routines without a mask on the simulated rig, from bytes on its lines to the number, beside its truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.conductor import RunEnd
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import default_config
from drivers.simulated.truth import TrueNumbers, true_numbers
from drivers.simulated.width_shift import narrowest_um
from routines.profile import Profile
from routines.scripts.recheck import KnownFocus, Recheck

RIG = "refractor-112"


def narrowest_steps(truth: TrueNumbers, side: int = -1) -> float:
    """Return where the reference filter's stars are narrowest on a side, early in the night."""
    name = truth.reference_filter
    glass = truth.rig.glass(name)
    apart_um = narrowest_um(truth.rig.telescope, glass) - truth.place_offset_steps(name) * truth.step_um
    return truth.met_crossing_steps(name, side, 60.0) + (apart_um + glass.focus_um) / truth.step_um


def run(out: Path, seed: int, options: StageOptions) -> tuple[RunEnd, Profile | None]:
    with rehearsing(default_config(), seed, out=out, options=options) as stage:
        stage.perform()
        return stage.end, stage.concluded()


@pytest.mark.parametrize("seed", [3])
def test_focus_by_width_is_where_the_rig_has_it(tmp_path: Path, seed: int) -> None:
    options = StageOptions(surrogate=True, routine="find_focus_by_width")
    end, profile = run(tmp_path, seed, options)
    assert end.state == "done", end.result
    expected = narrowest_steps(true_numbers(RIG, seed))
    # The drive's once-a-turn error, up to a few steps, is no part of the widths' own u.
    assert end.result["position_steps"] == pytest.approx(expected, abs=3.0 * end.result["u_steps"] + 2.0)
    assert profile is not None and profile.method == "width"
    assert profile.slope_px_per_step is None and profile.backlash_steps is None
    assert all(item.value_px is None or item.method == "width" for item in end.ledger.observations)


def known_to(truth: TrueNumbers, off_steps: float) -> Recheck:
    """Return what a profile of the rig would say, its focus wrong by so much."""
    name = truth.reference_filter
    mask, other = (truth.met_crossing_steps(name, side, 60.0) for side in (-1, 1))
    return Recheck(
        known=KnownFocus(
            position_steps=mask + off_steps,
            u_steps=1.3,
            overshoot_steps=200.0,
            half_zone_steps=0.5 * truth.critical_focus_zone_steps[name],
            slope_px_per_step=truth.slope_px_per_step,
            other_side_steps=other + off_steps,
            other_side_u_steps=0.5,
            mask_minus_width_steps=mask - narrowest_steps(truth),
            mask_minus_width_u_steps=0.5,
        )
    )


@pytest.mark.parametrize(("routine", "off_steps"), [("recheck", 40.0), ("recheck_by_mask", 0.0)])
def test_a_check_tells_whether_the_profile_holds(tmp_path: Path, routine: str, off_steps: float) -> None:
    how = known_to(true_numbers(RIG, 2), off_steps)
    end, _ = run(tmp_path, 2, StageOptions(surrogate=True, routine=routine, how=how))
    assert end.state == "done", end.result
    check = end.result["recheck"]
    assert check["verdict"] == ("moved" if off_steps else "holds"), check
    assert check["shift_steps"] == pytest.approx(-off_steps, abs=3.0 * check["shift_u_steps"] + 2.0)
    measured = [item for item in end.ledger.observations if item.measured]
    assert len(measured) <= (8 if off_steps else 4)
    assert check.get("backlash_verdict", "holds") == "holds"


def test_a_check_by_real_frames_takes_the_mask_off_first(tmp_path: Path) -> None:
    how = known_to(true_numbers(RIG, 1), 0.0)
    end, profile = run(tmp_path, 1, StageOptions(routine="recheck", how=how))
    assert end.state == "done", end.result
    first, *others = end.ledger.observations
    assert first.flags == ("mask_present",) and first.value_px is None
    assert all(item.measured for item in others) and len(others) <= 6
    check = end.result["recheck"]
    assert check["verdict"] == "holds"
    assert check["shift_steps"] == pytest.approx(0.0, abs=3.0 * check["shift_u_steps"])
    assert profile is not None and profile.method == "width"
    assert (tmp_path / "report.html").exists()
