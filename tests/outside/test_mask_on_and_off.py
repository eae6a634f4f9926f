"""The mask put back turned by half a turn, left off, or forgotten on: poppy's frames, as a run meets them."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path

import gallery
import pytest
from masked_star import recorded, turned
from sweeps import Look, config_text, write_folder

from daemon.config import Config, load_config
from daemon.fitting import Fitting
from daemon.measurement import FrameMeter
from routines.measure.cutout import Detector, cut
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.optics import Band, Mask, Optics

pytestmark = pytest.mark.timeout(600)

MASK = "[mask]\nslit_period_mm = 3.6\narm_angle_deg = 20"
POSITIONS_UM = (-95.0, -35.0, 55.0, 96.0, 60.0, -90.0)


def config_in(folder: Path) -> Config:
    path = folder / "rig.toml"
    path.write_text(config_text(gallery.REFRACTOR, {"H": gallery.NARROW}, MASK))
    return load_config(path)


def meter_in(folder: Path) -> FrameMeter:
    return FrameMeter(config_in(folder))


def look(defocus_um: float, number: int, half_turns: int = 0, masked: bool = True) -> Look:
    mask = turned(gallery.MASK, 180.0 * half_turns) if masked else None
    electrons = gallery.in_frame(gallery.star(defocus_um, mask=mask))
    return Look("H", defocus_um, defocus_um, recorded(electrons, gallery.SENSOR, 1000 + number))


def test_a_mask_put_back_half_a_turn_round_is_noticed_at_the_first_pair(tmp_path: Path) -> None:
    # Facts of optics: turning the mask by half a turn turns the image by as much, which is what the opposite
    # defocus shows (see test_turning_the_mask_turns_the_image). From the fourth frame on it sits turned.
    looks = [look(z, number, half_turns=number // 3) for number, z in enumerate(POSITIONS_UM)]
    meter = meter_in(tmp_path)
    paths = write_folder(looks, tmp_path)
    results = [meter.measure_next(path) for path in paths]
    assert ["mask_turned" in result.flags for result in results] == [False, False, False, False, True, False]
    known_by_now = meter.revised()
    assert "mask_turned" in known_by_now[3].flags
    for result, z in zip(known_by_now, POSITIONS_UM, strict=True):
        assert result.defocus_um is not None and result.defocus_u_um is not None
        assert abs(result.defocus_um - z) < 3.0 * result.defocus_u_um
    for path, z in zip(paths[2:4], POSITIONS_UM[2:4], strict=True):
        again, _ = meter.look_again(path)
        assert again.defocus_um is not None and abs(again.defocus_um - z) < 8.0


def test_half_a_turn_within_a_folder_is_told_and_its_frames_signed_as_the_first(tmp_path: Path) -> None:
    looks = [look(z, number, half_turns=number // 3) for number, z in enumerate(POSITIONS_UM)]
    paths = write_folder(looks, tmp_path)
    # The order in which they are named is not that in which they were taken.
    shuffled = [4, 0, 5, 2, 3, 1]
    results = meter_in(tmp_path).measure_all([paths[k] for k in shuffled])
    told = {k for k, result in zip(shuffled, results, strict=True) if "mask_turned" in result.flags}
    assert told == {3, 4}
    for k, result in zip(shuffled, results, strict=True):
        assert result.defocus_um is not None and result.defocus_u_um is not None
        assert abs(result.defocus_um - POSITIONS_UM[k]) < 3.0 * result.defocus_u_um


@pytest.mark.parametrize("half_turns", [0, 1])
def test_the_fitting_of_an_earlier_night_gives_the_sign_back(half_turns: int, tmp_path: Path) -> None:
    true_deg = gallery.MASK.orientation_deg % 360.0 + 180.0 * half_turns
    paths = write_folder([look(-35.0, 0, half_turns), look(55.0, 1, half_turns)], tmp_path)
    remembered = Fitting(true_deg % 360.0 + 1.5, "an earlier run", "2026-03-13T20:00:00+00:00")
    meter = FrameMeter(config_in(tmp_path), remembered)
    results = [meter.measure_next(path) for path in paths]
    assert meter.orientation_deg() == pytest.approx(true_deg % 360.0, abs=0.5)
    for result, z in zip(results, (-35.0, 55.0), strict=True):
        assert result.defocus_um is not None and abs(result.defocus_um - z) < 8.0
        assert "sign_unchecked" in result.flags and "sign_unknown" not in result.flags


def test_a_mask_put_on_at_another_angle_is_a_new_fitting(tmp_path: Path) -> None:
    path = write_folder([look(55.0, 1)], tmp_path)[0]
    elsewhere = Fitting((gallery.MASK.orientation_deg + 200.0) % 360.0, "an earlier run", "")
    meter = FrameMeter(config_in(tmp_path), elsewhere)
    result = meter.measure_next(path)
    assert "sign_unknown" in result.flags and "sign_unchecked" not in result.flags
    orientation = meter.orientation_deg()
    assert orientation is not None and orientation < 180.5


def test_a_mask_routine_says_at_once_that_there_is_no_mask(tmp_path: Path) -> None:
    path = write_folder([look(40.0, 1, masked=False)], tmp_path)[0]
    result = meter_in(tmp_path).measure_next(path, "mask")
    assert result.flags == ("no_mask_pattern",) and not result.measured
    assert result.message == "a star was found but no mask pattern around it"


def test_a_mask_taken_off_during_a_run_is_said_at_the_next_frame(tmp_path: Path) -> None:
    meter = meter_in(tmp_path)
    results = [
        meter.measure_next(path, "mask")
        for path in write_folder([look(-95.0, 0), look(55.0, 1), look(55.0, 2, masked=False)], tmp_path)
    ]
    assert [result.measured for result in results] == [True, True, False]
    assert "no_mask_pattern" in results[-1].flags


@pytest.mark.parametrize("defocus_um", [55.0, -95.0])
def test_a_width_routine_says_at_once_that_the_mask_is_still_on(defocus_um: float, tmp_path: Path) -> None:
    path = write_folder([look(defocus_um, 1)], tmp_path)[0]
    result = meter_in(tmp_path).measure_next(path, "width")
    assert result.flags == ("mask_present",) and not result.measured
    assert result.message is not None and "take the mask off" in result.message


@pytest.mark.parametrize(("defocus_um", "electrons"), [(0.0, 4e6), (58.0, 2e7), (0.0, 8e7)])
def test_a_saturated_star_without_a_mask_is_not_taken_for_the_masks(
    defocus_um: float, electrons: float
) -> None:
    # Its core is left out as saturated; what remains, rings and the far wings, must not be read as spikes.
    turn, shift = gallery.MASK.orientation_deg, gallery.MASK.shift_periods
    geometry = Geometry(
        Optics(588.0, 112.0, 0.0, 3.9), Mask(3.6, 20.0, 0.48, turn, 1, (shift,) * 3), "gaussian"
    )
    meter = MaskMeter(geometry.optics, MaskHint(3.6, 20.0), {"H": Band("H", 656.3, 7.0)})
    meter.restore(Learnt(geometry, sign_known=True, tilt_decided=True, frames=4, mismatch=0.01))
    star = gallery.star(defocus_um, mask=None) / gallery.NARROW.electrons
    frame = recorded(gallery.in_frame(star * electrons), gallery.SENSOR, 11)
    middle = [corner + gallery.STAMP_PX / 2 for corner in gallery.CORNER]
    cutout = cut(frame, middle[1], middle[0], 192, Detector(1.0, 1.6, 65535.0, 500.0), "H", 4.0)
    assert cutout.saturated_px > 0
    assert meter.measure(cutout).flags == ("no_mask_pattern",)


def test_a_sharp_frame_is_read_though_it_follows_frames_from_far_out_of_focus(tmp_path: Path) -> None:
    """A search for focus steps to either side of where it began: a far frame, a near one, a far one."""
    beyond_um = (480.0, 760.0, 4.0, 1100.0, 1900.0)
    meter = meter_in(tmp_path)
    paths = write_folder([look(z, number) for number, z in enumerate(beyond_um)], tmp_path)
    results = [meter.measure_next(path, "mask") for path in paths]
    assert [result.measured for result in results] == [False, False, True, False, False]
    sharp = results[2]
    assert sharp.defocus_um is not None and abs(sharp.defocus_um - 4.0) < 4.0


@pytest.fixture(scope="module")
def knowing(tmp_path_factory: pytest.TempPathFactory) -> FrameMeter:
    """Return a meter that two frames near focus have taught the mask; each test goes on with a copy of it."""
    folder = tmp_path_factory.mktemp("near")
    meter = meter_in(folder)
    near = write_folder([look(-60.0, 0), look(40.0, 1)], folder)
    assert all(meter.measure_next(path, "mask").measured for path in near)
    return meter


@pytest.mark.parametrize("defocus_um", [480.0, 550.0, -620.0])
def test_a_frame_from_beyond_the_reach_gives_no_number_even_where_the_mask_is_known(
    defocus_um: float, knowing: FrameMeter, tmp_path: Path
) -> None:
    """Six to nine zones out the spikes are smeared bars; a bright part of them is not the star."""
    meter = deepcopy(knowing)
    (beyond,) = write_folder([look(defocus_um, 16 if defocus_um == 550.0 else 2)], tmp_path)
    assert not meter.measure_next(beyond, "mask").measured
