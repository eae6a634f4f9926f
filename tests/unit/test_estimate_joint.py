"""The joint fit on small tables: what it finds, what it refuses and with which reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.estimate.sides import PassCrossings, slip_flag
from routines.observations import Move, Observation
from routines.quantity import Quantity

CROSSING = {"L": 10.0, "R": 45.0, "S": -20.0}
SETUP = FitSetup(filters=("L", "R", "S"), reference_filter="L", longest_play_steps=200.0)
BACKLASH, SLOPE, NOISE_PX = 60.0, 0.12, 0.05


def sweep(
    passes: Iterable[Sequence[float]],
    *,
    filters: str = "LRS",
    seed: int = 1,
    backlash: float = BACKLASH,
    u_px: float | None = NOISE_PX,
    alpha: float = 0.0,
    warming_c: float = 0.0,
    start: float = -1000.0,
) -> list[Observation]:
    """A rig with one rigid play, swept without any move that is not in the table."""
    rng = np.random.default_rng(seed)
    tube, looks = start, []
    positions = [position for one in passes for position in one]
    count = len(positions) * len(filters)
    for position in positions:
        tube = min(position, max(tube, position - backlash))
        for name in filters:
            warmth = warming_c * len(looks) / count
            value = SLOPE * (tube - CROSSING[name] - alpha * warmth) + NOISE_PX * rng.normal()
            looks.append(
                Observation(len(looks), name, float(position), value_px=value, u_px=u_px,
                            temperature_c=8.0 + warmth)
            )  # fmt: skip
    return looks


def out(low: float = -100.0, high: float = 200.0, step: float = 20.0) -> np.ndarray:
    return np.arange(low, high + 1.0, step)


def back(low: float = -100.0, high: float = 200.0, step: float = 20.0) -> np.ndarray:
    return out(low, high, step)[::-1]


def fit(looks: Sequence[Observation], moves: Sequence[Move] | None = None) -> JointFit:
    return fit_jointly(looks, moves, SETUP)


def codes(result: JointFit) -> set[str]:
    return {flag.code for flag in result.flags}


def agrees(found: Quantity | None, truth: float) -> bool:
    return found is not None and abs(found.value - truth) < 4.0 * (found.u or 0.0)


def test_finds_everything_from_out_in_out() -> None:
    result = fit(sweep([out(), back(), out()]))
    assert agrees(result.backlash_steps, BACKLASH)
    assert agrees(result.slope_px_per_step, SLOPE)
    assert agrees(result.lost_motion_to_outward_steps, BACKLASH)
    assert agrees(result.lost_motion_to_inward_steps, BACKLASH)
    for name, crossing in CROSSING.items():
        assert agrees(result.crossings_inward_steps[name], crossing)
        assert agrees(result.crossings_outward_steps[name], crossing + BACKLASH)
    assert agrees(result.offsets_steps["R"], 35.0)
    assert result.offsets_steps["L"].value == 0.0
    assert result.offsets_order == ("R", "S")
    assert not any(flag.is_refusal and "temperature" not in flag.field for flag in result.flags)
    assert result.observed == {"L": 48, "R": 48, "S": 48}
    assert len(result.rows) == 144


def test_offsets_covariance_matches_their_uncertainties() -> None:
    result = fit(sweep([out(), back()]))
    diagonal = np.sqrt(np.diag(np.array(result.offsets_covariance_steps2)))
    assert diagonal == pytest.approx([result.offsets_steps[n].u for n in ("R", "S")], rel=1e-6)
    assert result.offsets_covariance_steps2[0][1] > 0.0  # both lean on the same reference


def test_without_own_uncertainty_the_scatter_serves() -> None:
    result = fit(sweep([out(), back()], u_px=None))
    assert agrees(result.backlash_steps, BACKLASH)
    assert result.scatter_px["L"] == pytest.approx(NOISE_PX, rel=0.4)


def test_one_way_gives_that_branch_and_offsets_but_no_backlash() -> None:
    result = fit(sweep([out()], start=1000.0))
    assert result.backlash_steps is None
    assert "no_reversal" in codes(result)
    assert agrees(result.crossings_outward_steps["L"], CROSSING["L"] + BACKLASH)
    assert result.crossings_inward_steps["L"] is None
    assert agrees(result.offsets_steps["S"], -30.0)
    inward = fit(sweep([back()]))
    assert agrees(inward.crossings_inward_steps["L"], CROSSING["L"])
    assert inward.crossings_outward_steps["L"] is None


def twice_outward(entry: float, seed: int) -> tuple[list[Observation], list[Move]]:
    """Two passes outward, each entered by a reversal at ``entry`` that the moves tell of."""
    one_pass = out(0.0, 240.0)
    looks = sweep([[entry], one_pass, [entry], one_pass], filters="L", seed=seed, start=entry)
    path = [look.position_steps for look in looks]
    seen = [look for look in looks if look.position_steps != entry]
    renumbered = [replace(look, number=number) for number, look in enumerate(seen)]
    number, moves = 0, []
    for position in path:
        moves.append(Move(number, position))
        number += position != entry
    return renumbered, moves


def test_noise_in_the_first_looks_of_passes_one_way_is_no_play_that_ends_just_there() -> None:
    told = [fit(*twice_outward(entry=-130.0, seed=seed)) for seed in range(40)]
    assert [seed for seed, result in enumerate(told) if result.backlash_steps is not None] == []
    assert all("no_reversal" in codes(result) for result in told)


def test_passes_one_way_tell_the_play_when_they_begin_inside_it() -> None:
    result = fit(*twice_outward(entry=-10.0, seed=1))
    assert agrees(result.backlash_steps, BACKLASH)


def test_too_short_a_pass_one_way() -> None:
    result = fit(sweep([back(), out(-100.0, -60.0, 10.0)]))
    assert result.backlash_steps is None
    assert "pass_too_short" in codes(result)
    assert agrees(result.offsets_steps["R"], 35.0)


def test_one_filter_each_way_confounds_backlash_with_offset() -> None:
    inward = sweep([back()], filters="LS")
    outward = [replace(o, number=o.number + 32) for o in sweep([out(260.0, 560.0)], filters="R", start=190.0)]
    result = fit([*inward, *outward])
    assert result.backlash_steps is None
    assert result.offsets_steps["R"] is None
    assert agrees(result.offsets_steps["S"], -30.0)
    assert agrees(result.crossings_inward_steps["L"], CROSSING["L"])
    assert result.crossings_outward_steps["L"] is None
    assert agrees(result.crossings_outward_steps["R"], CROSSING["R"] + BACKLASH)
    told = {(flag.code, flag.field) for flag in result.flags}
    assert {("not_identifiable", "backlash_steps"), ("not_identifiable", "offsets_steps.R")} <= told


def test_all_in_the_dead_zone() -> None:
    result = fit(sweep([out(0.0, 40.0, 5.0), back(0.0, 40.0, 5.0)], start=-20.0))
    assert result.backlash_steps is None
    assert all(value is None for value in result.offsets_steps.values())
    assert "all_in_dead_zone" in codes(result)


def test_a_drawtube_that_never_responds_is_no_huge_backlash() -> None:
    result = fit(sweep([out(), back()], backlash=5000.0, start=-2000.0))
    assert result.backlash_steps is None
    [reason] = [flag for flag in result.flags if flag.code == "does_not_follow"]
    for cause in ("lock", "coupling", "frozen", "end stop"):
        assert cause in reason.message


def test_a_response_far_below_the_expected_slope_is_no_response() -> None:
    setup = replace(SETUP, expected_slope_px_per_step=2.0)
    assert "does_not_follow" in codes(fit_jointly(sweep([out(), back()]), None, setup))


@pytest.mark.parametrize("u_px", [0.05, None])
def test_five_looks_that_follow_the_motor_are_a_response(u_px: float | None) -> None:
    rng = np.random.default_rng(4)
    looks = [
        Observation(
            k,
            "L",
            1000.0 + 20.0 * k,
            value_px=0.05 * 20.0 * (k - 2) + 0.05 * rng.normal(),
            u_px=u_px,
            time_s=30.0 * k,
            temperature_c=10.0 - 0.01 * k,
        )
        for k in range(5)
    ]
    result = fit_jointly(looks, None, FitSetup(("L",), "L"))
    assert agrees(result.crossings_outward_steps["L"], 1040.0)
    assert result.backlash_steps is None
    assert "no_reversal" in codes(result)


def test_slopes_that_contradict_each_other() -> None:
    looks = sweep([out(), back()])
    turned = [replace(o, value_px=-o.value_px) if o.number >= 48 else o for o in looks]
    result = fit(turned)
    assert result.backlash_steps is None
    assert "slopes_contradict" in codes(result)


def test_the_sign_of_a_whole_table_is_free() -> None:
    looks = sweep([out(), back()])
    plain, turned = fit(looks), fit([replace(o, value_px=-o.value_px) for o in looks])
    assert turned.backlash_steps.value == pytest.approx(plain.backlash_steps.value, rel=1e-6)
    assert turned.slope_px_per_step.value == pytest.approx(-plain.slope_px_per_step.value, rel=1e-6)


def test_slope_that_differs_by_filter_is_told_and_fitted() -> None:
    looks = sweep([out(), back()])
    steep = [replace(o, value_px=o.value_px * 1.1) if o.filter == "R" else o for o in looks]
    result = fit(steep)
    assert "slope_differs" in codes(result)
    assert result.slopes_px_per_step["R"].value == pytest.approx(1.1 * SLOPE, rel=0.02)
    assert agrees(result.crossings_inward_steps["R"], CROSSING["R"])


def test_outliers_of_any_size_are_named_and_change_nothing() -> None:
    looks = sweep([out(), back(), out()])
    rows = (3, 30, 77, 100, 143)
    sizes = (0.8, -3.0, 40.0, -1e4, 1e9)
    spoilt = [
        replace(o, value_px=o.value_px + sizes[rows.index(o.number)]) if o.number in rows else o
        for o in looks
    ]
    clean, result = fit(looks), fit(spoilt)
    assert set(rows) <= set(result.outliers)
    assert len(result.outliers) <= len(rows) + 1
    assert {f"observation {row}" for row in rows} <= {flag.field for flag in result.flags}
    assert len(result.rows) == len(looks)
    assert abs(result.backlash_steps.value - clean.backlash_steps.value) < 0.5 * clean.backlash_steps.u


@pytest.mark.parametrize(("count", "code"), [(0, "no_observations"), (1, "one_position")])
def test_next_to_nothing(count: int, code: str) -> None:
    result = fit(sweep([out()])[:count])
    assert code in codes(result)
    assert result.backlash_steps is None


@pytest.mark.parametrize("count", range(2, 30, 3))
def test_few_rows_never_raise(count: int) -> None:
    fit(sweep([out(), back()])[:count])


def test_unmeasured_and_unknown_rows_are_left_out() -> None:
    looks = sweep([out(), back()])
    extra = [
        replace(looks[0], number=900, value_px=None),
        replace(looks[0], number=901, filter="unheard of"),
        replace(looks[0], number=902, value_px=float("nan")),
        replace(looks[0], number=903, method="width"),
    ]
    result = fit([*looks, *extra])
    assert max(row.number for row in result.rows) < 900
    assert agrees(result.backlash_steps, BACKLASH)


def test_a_filter_not_observed_is_null_with_its_reason() -> None:
    result = fit(sweep([out(), back()], filters="LR"))
    assert result.offsets_steps["S"] is None
    assert ("not_observed", "offsets_steps.S") in {(f.code, f.field) for f in result.flags}


def test_reference_not_observed() -> None:
    result = fit(sweep([out(), back()], filters="RS"))
    assert "reference_not_observed" in codes(result)
    assert result.offsets_steps["R"] is None
    assert agrees(result.backlash_steps, BACKLASH)


def test_positions_that_never_cross_zero_are_extrapolated() -> None:
    result = fit(sweep([out(100.0, 400.0), back(100.0, 400.0)]))
    assert {"extrapolated"} <= codes(result)
    near = fit(sweep([out(), back()]))
    crossing = result.crossings_inward_steps["S"]
    assert agrees(crossing, CROSSING["S"])
    assert crossing.u > 1.5 * near.crossings_inward_steps["S"].u


def test_no_play_at_all_is_an_upper_limit_and_may_be_compensated() -> None:
    result = fit(sweep([out(), back(), out()], backlash=0.0))
    assert result.backlash_steps.is_upper_limit
    assert result.backlash_steps.high95 < 2.0
    assert {"upper_limit", "compensating_controller"} <= codes(result)
    [note] = [flag for flag in result.flags if flag.code == "compensating_controller"]
    # Neither of the two can be told from the other by looks of one night: both are named, with what tells.
    for words in ("the controller compensates", "gravity holds", "cannot tell which", "off and look again"):
        assert words in note.message
    assert "look again with the drawtube level" in note.message


def test_crossings_the_wrong_way_round_are_a_controllers_doing() -> None:
    """Outward looks find the drawtube 15 steps too far: neither play nor load can do that."""
    looks = sweep([out(), back(), out(), back()], backlash=0.0)
    rows = 3 * len(out())
    over = [
        replace(o, value_px=o.value_px + (SLOPE * 15.0 if (o.number // rows) % 2 == 0 else 0.0))
        for o in looks
    ]
    [note] = [flag for flag in fit(over).flags if flag.code == "compensating_controller"]
    assert "more than the play" in note.message
    assert "gravity" not in note.message


def test_temperature_effect_from_out_in_out() -> None:
    result = fit(sweep([out(), back(), out(), back()], alpha=9.0, warming_c=-3.0))
    assert agrees(result.temperature_coefficient_steps_per_c, 9.0)
    assert agrees(result.backlash_steps, BACKLASH)
    assert result.temperature_range.valid_from_c == pytest.approx(5.0, abs=0.2)
    assert result.temperature_range.valid_to_c == pytest.approx(8.0, abs=0.2)


def test_cooling_between_one_pass_each_way_widens_the_backlash() -> None:
    steady = fit(sweep([back(), out()]))
    cooling = fit(sweep([back(), out()], alpha=9.0, warming_c=-3.0))
    assert agrees(cooling.backlash_steps, BACKLASH)
    assert cooling.backlash_steps.u > 1.15 * steady.backlash_steps.u


def test_constant_temperature_tells_no_coefficient() -> None:
    result = fit(sweep([out(), back()]))
    assert result.temperature_coefficient_steps_per_c is None
    assert "temperature_constant" in codes(result)


def test_slip_between_passes_is_told() -> None:
    looks = sweep([out(), back(), out(), back(), out()])
    slipped = [
        replace(o, value_px=o.value_px + SLOPE * 5.0 * (o.number // 48), temperature_c=None) for o in looks
    ]
    assert "slip" in codes(fit(slipped))
    assert "slip" not in codes(fit(looks))


@pytest.mark.parametrize("cause", ["slips", "sags"])
def test_what_the_drift_goes_with_is_named_where_it_can_be_told(cause: str) -> None:
    travel = np.array([0.0, 10.0, 1000.0, 1010.0, 1100.0, 1110.0])
    when = np.array([0.0, 600.0, 700.0, 1300.0, 3600.0, 4200.0])
    clues = {
        "with the outward travel, as when the drawtube slips": travel,
        "with time, as when a load sags": when,
    }
    drift = 0.02 * travel if cause == "slips" else 0.005 * when
    branch = np.array([80.0, 0.0] * 3)
    crossings = PassCrossings(drift + branch, np.diag([0.0] + [0.25] * 5), (1, -1) * 3, 40.0, tuple(range(6)))
    told = slip_flag(crossings, clues)
    assert told is not None
    assert cause in told.message
    assert ("slips" if cause == "sags" else "sags") not in told.message
    unsure = slip_flag(crossings, dict.fromkeys(clues, travel))
    assert unsure is not None
    assert "something slips or sags" in unsure.message


def test_periodic_error_of_the_drive_is_told_with_its_period() -> None:
    fine = [out(step=6.0), back(step=6.0)]
    looks = sweep(fine)
    wavy = [
        replace(o, value_px=o.value_px + SLOPE * 3.0 * np.sin(2.0 * np.pi * o.position_steps / 48.0))
        for o in looks
    ]
    [note] = [flag for flag in fit(wavy).flags if flag.code == "periodic_error"]
    assert (
        "every 48 steps" in note.message
        or "every 47 steps" in note.message
        or "every 49 steps" in note.message
    )
    assert "periodic_error" not in codes(fit(looks))


def test_scatter_beyond_the_frames_own_is_told() -> None:
    result = fit(sweep([out(), back()], u_px=0.2 * NOISE_PX))
    assert "extra_scatter" in codes(result)
    honest = fit(sweep([out(), back()]))
    assert result.backlash_steps.u == pytest.approx(honest.backlash_steps.u, rel=0.4)


def test_known_moves_give_the_backlash_from_one_side_alone() -> None:
    """Two outward passes with the return on record: the dead zone's length is known."""
    looks = sweep([back(-140.0, -100.0, 40.0)], filters="L")
    tail = [
        replace(o, number=o.number + 2) for o in sweep([out(-140.0, 160.0, 10.0)], filters="L", start=-140.0)
    ]
    result = fit([*looks, *tail], [Move(0, 400.0)])
    assert agrees(result.backlash_steps, BACKLASH)


def test_hidden_overshoots_do_not_disturb() -> None:
    """Every other pass begins with an overshoot that nobody wrote down."""
    rng = np.random.default_rng(8)
    tube, looks = 0.0, []
    for positions, overshoot in ((out(), -300.0), (back(), None), (out(), -130.0), (back(), 500.0)):
        visits = [*([overshoot] if overshoot is not None else []), *positions]
        for position in visits:
            tube = min(position, max(tube, position - BACKLASH))
            if position != overshoot:
                value = SLOPE * (tube - 10.0) + NOISE_PX * rng.normal()
                looks.append(Observation(len(looks), "L", float(position), value_px=value, u_px=NOISE_PX))
    result = fit(looks)
    assert agrees(result.backlash_steps, BACKLASH)
    assert agrees(result.crossings_inward_steps["L"], 10.0)
    assert result.outliers == ()


def test_rows_say_what_the_fit_made_of_them() -> None:
    result = fit(sweep([out(), back()]))
    for row in result.rows:
        assert row.fitted_px + row.residual_px == pytest.approx(row.value_px)
        assert 0.0 <= row.weight <= 1.0
        assert row.total_u_px >= NOISE_PX
    turn = next(row for row in result.rows if row.number == 54)
    assert turn.engaged == 0.0
    assert {curve.filter for curve in result.curves} == set("LRS")


def test_numbers_of_a_slipping_drawtube_allow_for_the_slip() -> None:
    looks = sweep([out(), back(), out(), back(), out()])
    slipped = [
        replace(o, value_px=o.value_px + SLOPE * 5.0 * (o.number // 48), temperature_c=None) for o in looks
    ]
    found, steady = fit(slipped), fit([replace(o, temperature_c=None) for o in looks])
    # A steady slip is a straight line from pass to pass, which these passes tell as well as the play. By how
    # much it is unsteady is left: three tenths of 5 steps, were nothing but the crossings to tell the play.
    assert steady.backlash_steps.u < found.backlash_steps.u < 0.3 * 5.0 / 4.0
    assert agrees(found.backlash_steps, BACKLASH)
    assert agrees(found.lost_motion_to_outward_steps, BACKLASH)
    assert agrees(found.lost_motion_to_inward_steps, BACKLASH)
    # Crossings hold for the middle of the looks, where the zero had moved by ten steps.
    assert agrees(found.crossings_inward_steps["L"], CROSSING["L"] - 10.0)


def test_a_zero_that_wanders_otherwise_widens_what_it_disturbs() -> None:
    looks = [replace(o, temperature_c=None) for o in sweep([out(), back(), out(), back(), out()])]
    places = (0.0, 6.0, 9.0, 4.0, -2.0)
    wandered = [replace(o, value_px=o.value_px + SLOPE * places[o.number // 48]) for o in looks]
    found = fit(wandered)
    assert "slip" in codes(found)
    assert found.backlash_steps.u > 5.0 * fit(looks).backlash_steps.u
    assert agrees(found.backlash_steps, BACKLASH)


@pytest.mark.parametrize("lost_steps", [0.03, 0.06])
def test_a_slip_too_small_to_be_told_moves_no_number_out_of_its_interval(lost_steps: float) -> None:
    """Four passes, alternately each way, would take half of what goes lost in each for play."""
    looks = [replace(o, temperature_c=None) for o in sweep([out(), back(), out(), back()], seed=2)]
    slipped = [replace(o, value_px=o.value_px + SLOPE * lost_steps * (o.number // 48)) for o in looks]
    found, steady = fit(slipped), fit(looks)
    assert not {"slip", "not_repeated"} & codes(found)
    moved = abs(found.backlash_steps.value - steady.backlash_steps.value)
    assert moved < 0.1 * steady.backlash_steps.u


def test_two_passes_cannot_tell_a_slip_and_say_so_of_the_numbers_it_moves() -> None:
    once, twice = fit(sweep([out(), back()])), fit(sweep([out(), back(), out()]))
    about = {flag.field for flag in once.flags if flag.code == "not_repeated"}
    assert {"backlash_steps", "lost_motion_to_inward_steps", "crossings_steps.L"} <= about
    assert not {"all", "offsets_steps.R"} & about
    assert "not_repeated" not in codes(twice)


def test_a_steady_cooling_is_a_caution_of_the_coefficient_alone() -> None:
    def cooled(warmth: np.ndarray) -> JointFit:
        looks = [
            replace(o, time_s=20.0 * k, temperature_c=8.0 + c, value_px=o.value_px - SLOPE * 9.0 * c)
            for k, (o, c) in enumerate(zip(passes, warmth, strict=True))
        ]
        return fit(looks)

    passes = sweep([out(), back(), out(), back()])
    part = np.arange(len(passes)) / len(passes)
    steady, returned = cooled(-3.0 * part), cooled(-3.0 * np.sin(np.pi * part))
    assert {flag.field for flag in steady.flags if flag.code == "drift_confounded"} == {
        "temperature_coefficient_steps_per_c"
    }
    assert "drift_confounded" not in codes(returned)
    for found in (steady, returned):
        assert agrees(found.temperature_coefficient_steps_per_c, 9.0)
        assert agrees(found.backlash_steps, BACKLASH)


def test_a_filters_own_slope_is_known_as_its_own_looks_tell_it() -> None:
    found = fit(sweep([out(), back(), out()]))
    common = found.slope_px_per_step
    for own in found.slopes_px_per_step.values():
        assert agrees(own, SLOPE)
        # A third of the looks each: about the root of three times the common u.
        assert 1.5 * common.u < own.u < 2.0 * common.u


def steeper_in_red(looks: Sequence[Observation], share: float) -> list[Observation]:
    """The same looks, outward, with the slope of one filter larger by a share."""
    by = share * SLOPE
    return [
        replace(o, value_px=o.value_px + by * (o.position_steps - BACKLASH - CROSSING["R"]))
        if o.filter == "R"
        else o
        for o in looks
    ]


@pytest.mark.parametrize("seed", range(5))
def test_an_offset_seen_far_from_focus_allows_for_slopes_that_differ_unseen(seed: int) -> None:
    found = fit(steeper_in_red(sweep([out(200.0, 260.0, 10.0)], seed=seed), 0.01))
    assert "slope_differs" not in codes(found)
    assert agrees(found.offsets_steps["R"], CROSSING["R"] - CROSSING["L"])
    assert agrees(found.crossings_outward_steps["R"], BACKLASH + CROSSING["R"])


def test_an_offset_seen_alike_on_both_sides_of_focus_does_not_hang_on_the_slope() -> None:
    far = fit(sweep([out(200.0, 260.0, 10.0)]))
    around = fit(sweep([out(60.0, 120.0, 10.0)]))
    assert around.offsets_steps["R"].u < 0.3 * far.offsets_steps["R"].u


def test_crossings_hold_at_the_mean_of_the_readings() -> None:
    looks = sweep([out(), back(), out()])
    read = [replace(o, temperature_c=10.0 + (2.0 if o.number >= 100 else 0.0)) for o in looks]
    mean = np.mean([o.temperature_c for o in read])
    assert fit(read).reference_temperature_c == pytest.approx(mean, abs=1e-6)


def test_a_constant_error_of_the_thermometer_is_no_part_of_the_crossing() -> None:
    """Focus was where it was while so much was read: noise in the readings' mean does not widen it."""
    rng = np.random.default_rng(4)
    looks = sweep([out(), back(), out()], alpha=60.0, warming_c=3.0)
    noisy = [replace(o, temperature_c=o.temperature_c + 0.1 * rng.normal()) for o in looks]
    crossing = fit(noisy).crossings_inward_steps["L"]
    # The mean of the readings is off by 0.1 deg C over the root of their number: half a step by itself.
    assert crossing.u < 0.8 * 60.0 * 0.1 / np.sqrt(len(looks))


def test_filters_seen_one_after_the_other_are_compared_among_their_own_passes() -> None:
    """With a filter to each group of passes, a slip within a group is told, one between groups is not."""
    groups = [sweep([out(), back(), out()], filters=name, seed=k) for k, name in enumerate("LR")]
    looks = [look for group in groups for look in group]
    numbered = [replace(look, number=k, temperature_c=None) for k, look in enumerate(looks)]
    found = fit(numbered)
    told = {(flag.code, flag.field) for flag in found.flags}
    assert ("not_interleaved", "offsets_steps.R") in told
    assert {("not_interleaved", f"crossings_steps.{name}") for name in "LR"} <= told
    assert not {"slip", "not_repeated"} & codes(found)
    assert agrees(found.lost_motion_to_inward_steps, BACKLASH)
    slipped = [
        replace(o, value_px=o.value_px + (SLOPE * 4.0 if o.number % 48 > 31 else 0.0)) for o in numbered
    ]
    assert "slip" in codes(fit(slipped))


def test_a_play_that_ends_otherwise_on_one_side_is_told_and_followed() -> None:
    """Creep past the end of the play, outward only: a drawtube that hangs back and then gives way."""
    looks = sweep([out(step=10.0), back(step=10.0)] * 2)
    rows = len(out(step=10.0)) * 3

    def creep(number: int) -> float:
        outward = (number // rows) % 2 == 0
        past = (number % rows) // 3 * 10.0 - BACKLASH
        return 6.0 * max(0.0, 1.0 - abs(past) / 40.0) if outward and number >= 2 * rows else 0.0

    crept = [replace(o, value_px=o.value_px - SLOPE * creep(o.number), temperature_c=None) for o in looks]
    found = fit(crept)
    [note] = [flag for flag in found.flags if flag.code == "play_shape"]
    assert "outward side" in note.message
    assert agrees(found.backlash_steps, BACKLASH)
    assert "play_shape" not in codes(fit(looks))


def test_a_believed_lag_widens_the_coefficient_where_the_cooling_was_uneven() -> None:
    looks = sweep([out(), back(), out()])
    warmth = 3.0 * (np.arange(len(looks)) / len(looks)) ** 2
    timed = [
        replace(o, time_s=20.0 * k, temperature_c=8.0 + c, value_px=o.value_px - SLOPE * 5.0 * c)
        for k, (o, c) in enumerate(zip(looks, warmth, strict=True))
    ]
    told = [
        fit_jointly(timed, None, replace(SETUP, lag_u_s=lag_u)).temperature_coefficient_steps_per_c.u
        for lag_u in (0.0, 170.0)
    ]
    assert told[1] > 1.5 * told[0]


def test_looks_that_are_over_before_a_tube_follows_tell_no_coefficient() -> None:
    """The same looks, over ten minutes or over an hour, where a lag may well be five."""
    looks = sweep([out(), back(), out()], alpha=9.0, warming_c=-3.0)
    found = {}
    for lasting_s in (600.0, 3600.0):
        timed = [replace(o, time_s=lasting_s * k / len(looks)) for k, o in enumerate(looks)]
        found[lasting_s] = fit_jointly(timed, None, replace(SETUP, lag_u_s=300.0))
    assert agrees(found[3600.0].temperature_coefficient_steps_per_c, 9.0)
    assert found[600.0].temperature_coefficient_steps_per_c is None
    [reason] = [flag for flag in found[600.0].flags if flag.code == "temperature_constant"]
    assert "too soon" in reason.message
