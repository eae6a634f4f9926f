"""The rig's hidden numbers, its truth, and that the world obeys the truth it tells."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drivers.simulated.camera_room import CameraRoom
from drivers.simulated.mask_shift import mask_crossing_um
from drivers.simulated.parameters import BUILT_IN, load_rig
from drivers.simulated.surrogate import surrogate_look
from drivers.simulated.truth import INWARD, OUTWARD, TrueNumbers, true_numbers, truth_of
from drivers.simulated.world import Shot, World, defocus_um
from routines.optics import critical_focus_zone_um, grating_order_um, spike_error_px_per_um


@pytest.fixture(params=BUILT_IN)
def truth(request: pytest.FixtureRequest) -> TrueNumbers:
    return true_numbers(request.param, 11)


@pytest.mark.parametrize("name", BUILT_IN)
def test_a_seed_is_one_rig_and_night(name: str) -> None:
    assert load_rig(name, 5) == load_rig(name, 5)
    assert load_rig(name, 5) != load_rig(name, 6)


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_seed_is_a_plausible_rig(name: str) -> None:
    for seed in range(40):
        rig = load_rig(name, seed)
        # 50 to 150 steps of play are common practice, and more than the critical focus zone.
        zone = critical_focus_zone_um(0.55, rig.telescope.optics) / rig.tube.step_um
        assert 50.0 <= rig.train.lost_motion_steps <= 150.0 and rig.train.lost_motion_steps > zone
        margin = 1000 + rig.train.lost_motion_steps
        assert rig.motor.lowest + margin < rig.motor.start_count < rig.motor.highest - margin
        orders = [
            grating_order_um(1.0, g.band.centre_nm * 1e-3, rig.telescope.optics, rig.telescope.mask)
            for g in rig.filters
        ]
        assert max(orders) / rig.telescope.optics.pixel_um < 100.0
        assert rig.glass(rig.reference_filter).focus_um == 0.0


def test_truth_is_told_in_the_profiles_words(truth: TrueNumbers) -> None:
    assert truth.offsets_steps[truth.reference_filter] == 0.0
    assert set(truth.offsets_steps) == {glass.band.name for glass in truth.rig.filters}
    optics, mask = truth.rig.telescope.optics, truth.rig.telescope.mask
    assert truth.slope_px_per_step == pytest.approx(spike_error_px_per_um(optics, mask) * truth.step_um)
    crossing = truth.crossing_steps("L", INWARD, 0.0)
    assert truth.crossing_steps("L", OUTWARD, 0.0) - crossing == pytest.approx(truth.backlash_steps)


def drive(world: World, position_steps: float) -> None:
    world.focuser.go(round(world.rig.motor.outward * position_steps))
    world.advance(600.0)


def steady(truth: TrueNumbers) -> World:
    """Return the rig's world with the drive's error and the weather stilled."""
    rig = truth.rig
    train = replace(rig.train, periodic_steps=0.0)
    return World(replace(rig, train=train, weather=replace(rig.weather, waves=())))


@pytest.mark.parametrize("side", [INWARD, OUTWARD])
@pytest.mark.parametrize("filter_name", ["L", "R", "Ha"])
def test_world_is_in_focus_where_the_truth_says(truth: TrueNumbers, side: int, filter_name: str) -> None:
    world = steady(truth)
    told = truth_of(world.rig)
    target = told.crossing_steps(filter_name, side, 0.0)
    drive(world, target - side * 400.0)
    drive(world, target)
    off_um = world.rig.defocus_um(world.train.place_steps, filter_name, world.rig.weather.tube_c(0.0))
    shift = mask_crossing_um(world.rig.telescope, world.rig.glass(filter_name))
    assert off_um - shift == pytest.approx(0.0, abs=0.6 * told.step_um)  # a count is a whole step


def test_cooling_moves_focus_by_the_coefficient(truth: TrueNumbers) -> None:
    rig = truth.rig
    there = rig.defocus_um(rig.tube.best_steps, "L", rig.tube.reference_c)
    cooler = rig.defocus_um(rig.tube.best_steps, "L", rig.tube.reference_c - 2.0)
    moved = (there - cooler) / truth.step_um
    assert moved == pytest.approx(-2.0 * truth.temperature_coefficient_steps_per_c)


def test_met_crossing_counts_the_drives_error_in(truth: TrueNumbers) -> None:
    met = truth.met_crossing_steps("R", INWARD, 100.0)
    assert met + truth.drive_error_steps(met) == pytest.approx(
        truth.crossing_steps("R", INWARD, 100.0), abs=1e-3
    )


def test_mirrored_rig_has_counts_that_fall_outward(tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_text('base = "refractor-112"\nmirrored = true\n')
    mirrored, straight = load_rig(str(file), 4), load_rig("refractor-112", 4)
    world = World(mirrored)
    before = world.train.place_steps
    world.focuser.go(mirrored.motor.start_count - 1000)
    world.advance(60.0)
    assert world.train.place_steps > before + 500.0
    told, other = truth_of(mirrored), truth_of(straight)
    assert told.backlash_steps == other.backlash_steps
    counts = -told.crossing_steps("L", INWARD, 0.0)
    assert counts == pytest.approx(other.crossing_steps("L", INWARD, 0.0), abs=60.0)
    start = mirrored.defocus_um(World(mirrored).train.place_steps, "L", mirrored.weather.tube_c(0.0))
    assert abs(start) < 100.0 * mirrored.tube.step_um


def test_start_is_near_focus_whatever_the_slack() -> None:
    for seed in range(20):
        rig = load_rig("refractor-112", seed)
        world = World(rig)
        assert (
            abs(rig.defocus_um(world.train.place_steps, "L", rig.weather.tube_c(0.0)))
            < 90.0 * rig.tube.step_um
        )


def shot(truth: TrueNumbers, number: int, off_um: float = 0.0, **changes: object) -> Shot:
    rig = truth.rig
    tube_c = rig.tube.reference_c
    place = rig.tube.best_steps + (rig.glass("R").focus_um + off_um) / rig.tube.step_um
    made = Shot(number, 4.0, 0.0, "R", "R", (place,) * 12, tube_c, 60.0, True, 0.0, 1.0, 0, 5.0)
    return replace(made, **changes)  # type: ignore[arg-type]  # any field


def test_no_filter_in_the_beam_means_a_dark_frame(truth: TrueNumbers) -> None:
    frame = CameraRoom(truth.rig).frame(shot(truth, 1, filter_name=None))
    assert abs(float(np.median(frame)) - truth.rig.detector.pedestal_adu) < 3.0
    assert math.isnan(defocus_um(truth.rig, shot(truth, 1, filter_name=None))[0])


def test_cloud_dims_the_star(truth: TrueNumbers) -> None:
    room = CameraRoom(truth.rig)
    clear, cloudy = (room.frame(shot(truth, 2, transparency=t)).astype(float) for t in (1.0, 0.02))
    pedestal = truth.rig.detector.pedestal_adu
    assert cloudy.max() - pedestal < 0.4 * (clear.max() - pedestal)


def test_surrogate_is_unbiased_and_says_its_scatter(truth: TrueNumbers) -> None:
    rig = truth.rig
    crossing = mask_crossing_um(rig.telescope, rig.glass("R"))
    scale = spike_error_px_per_um(rig.telescope.optics, rig.telescope.mask)
    looks = [surrogate_look(rig, shot(truth, n, 80.0), np.random.default_rng(n)) for n in range(400)]
    off = np.array([look["value_px"] - scale * (80.0 - crossing) for look in looks])
    told = np.array([look["u_px"] for look in looks])
    assert float(np.median(off)) == pytest.approx(0.0, abs=4.0 * float(told.mean()) / 20.0)
    spread = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    assert 0.75 < spread / float(told.mean()) < 1.15


def test_surrogate_has_nothing_to_say_without_light_or_mask(truth: TrueNumbers) -> None:
    rng = np.random.default_rng(1)
    cases = {
        "no_star": shot(truth, 1, transparency=0.0),
        "too_faint": shot(truth, 1, transparency=800.0 / (truth.rig.stars.star_rate * 90.0 * 0.93 * 4.0)),
        "ambiguous": shot(truth, 1, 3000.0),
    }
    for code, what in cases.items():
        look = surrogate_look(truth.rig, what, rng)
        assert look["value_px"] is None and look["flags"] == [code]


def test_rig_that_is_not_there_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(ValueError, match="reflector-190"):
        load_rig("lens-9", 1)
