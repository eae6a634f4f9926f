"""What frames are compared with, kept under a key: taken up again to the digit, and never trusted blindly."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from measure_cases import BANDS, MASK, OPTICS, SIZE_PX, made, star_model, state

from daemon import preparations
from daemon.desk import Desk
from daemon.preparations import FOLDER, PreparationShelf
from daemon.rehearse import default_config
from routines.measure import preparation
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.measure.preparation import arrays_of, preparation_key, prepared, templates_from
from routines.measure.templates import Templates, Window, make_templates
from routines.optics import Band

WINDOW, REACH_UM, BAND = Window.around(SIZE_PX), 100.0, BANDS["Ha"]


class Room(NamedTuple):
    """What a disk tells of itself, as far as anybody asks."""

    free: int


@pytest.fixture(scope="module")
def drawn() -> Templates:
    return make_templates(OPTICS, MASK, BAND, WINDOW, REACH_UM)


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> PreparationShelf:
    """Return a shelf on a disk with room."""
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Room(2 * preparations.LEAST_FREE_BYTES))
    return PreparationShelf(tmp_path)


def kept_in(folder: Path) -> list[str]:
    return sorted(path.stem for path in (folder / FOLDER).iterdir())


def forbidden(*arguments: Any, **settings: Any) -> Templates:
    raise AssertionError("drawn, though it was kept")


def knowing(shelf: PreparationShelf | None, *, brief: bool = False) -> MaskMeter:
    meter = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS, shelf=shelf)
    meter.restore(Learnt(Geometry(OPTICS, MASK), True, True, frames=4, brief=brief))
    return meter


def test_a_meter_takes_up_what_another_has_drawn_and_reads_the_same_to_the_digit(
    shelf: PreparationShelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cutout = made(star_model(), state(40.0, 1e5), 3)
    readings = [knowing(None).measure(cutout), knowing(shelf).measure(cutout)]
    assert len(kept_in(tmp_path)) == 1
    monkeypatch.setattr(preparation, "make_templates", forbidden)
    readings.append(knowing(shelf).measure(cutout))
    assert readings[0].defocus_um is not None
    assert len({(one.defocus_um, one.defocus_u_um, one.mismatch, one.width_px) for one in readings}) == 1


def test_another_filter_or_mask_is_drawn_for_itself(shelf: PreparationShelf, tmp_path: Path) -> None:
    meter = knowing(shelf)
    meter.star("Ha", SIZE_PX)
    meter.star("G", SIZE_PX)
    meter.restore(Learnt(Geometry(OPTICS, replace(MASK, slit_duty=0.49)), True, True, frames=4))
    meter.star("Ha", SIZE_PX)
    assert len(kept_in(tmp_path)) == 3


def test_what_serves_but_the_first_looks_is_not_kept(shelf: PreparationShelf, tmp_path: Path) -> None:
    knowing(shelf, brief=True).star("Ha", SIZE_PX)
    assert not (tmp_path / FOLDER).exists()


CHANGED: dict[str, dict[str, Any]] = {
    "focal_length": {"optics": replace(OPTICS, focal_length_mm=588.1)},
    "aperture": {"optics": replace(OPTICS, aperture_mm=111.9)},
    "obstruction": {"optics": replace(OPTICS, obstruction_ratio=0.1)},
    "pixel": {"optics": replace(OPTICS, pixel_um=3.76)},
    "period": {"mask": replace(MASK, slit_period_mm=3.6000001)},
    "arm": {"mask": replace(MASK, arm_angle_deg=20.1)},
    "duty": {"mask": replace(MASK, slit_duty=0.49)},
    "orientation": {"mask": replace(MASK, orientation_deg=33.1)},
    "tilt": {"mask": replace(MASK, tilt=-1)},
    "phases": {"mask": replace(MASK, slit_phases=(0.0, 0.01, 0.0))},
    "centre": {"band": Band("Ha", 656.4, 6.0)},
    "width": {"band": Band("Ha", 656.3, 7.0)},
    "cutout": {"window": replace(WINDOW, cutout_px=WINDOW.cutout_px - 2)},
    "grid": {"window": replace(WINDOW, grid_px=WINDOW.grid_px + 4)},
    "reach": {"reach_um": REACH_UM + 0.1},
}
SAME: dict[str, Any] = {
    "optics": OPTICS, "mask": MASK, "band": BAND, "window": WINDOW, "reach_um": REACH_UM,
}  # fmt: skip


def test_a_key_hangs_on_all_that_is_drawn_and_not_on_a_filters_name(monkeypatch: pytest.MonkeyPatch) -> None:
    keys = [preparation_key(**{**SAME, **change}) for change in CHANGED.values()]
    assert len({preparation_key(**SAME), *keys}) == len(CHANGED) + 1
    assert preparation_key(**{**SAME, "band": replace(BAND, name="Halpha")}) == preparation_key(**SAME)
    before = preparation_key(**SAME)
    monkeypatch.setattr(preparation, "DRAWING", preparation.DRAWING + 1)
    assert preparation_key(**SAME) != before


def test_whoever_changes_what_is_drawn_must_give_it_another_number(drawn: Templates) -> None:
    """Should this fail: raise `DRAWING`, then put here what is drawn now.

    The values are this project's own, of one drawing; nothing outside is claimed by them.
    """
    rung = drawn.transfer[3]
    assert preparation.DRAWING == 1
    assert drawn.transfer.shape == (6, 384, 193)
    assert rung[2, 5] == pytest.approx(0.58467 - 0.025588j, abs=1e-5)
    assert rung[-7, 11] == pytest.approx(0.389955 + 0.041445j, abs=1e-5)


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda whole: b"",
        lambda whole: whole[: len(whole) // 2],
        lambda whole: whole[:5000] + bytes(4) + whole[5004:],
        lambda whole: b"not a preparation at all",
        lambda whole: whole.replace(b"PK\x01\x02\x2d\x03\x2d", b"PK\x01\x02\x2d\x03\xff"),
        lambda whole: b"\x93NUMPY\x01\x00" + whole[whole.index(b"NUMPY") + 7 :],
        lambda whole: whole.replace(b"(6, 384, 193)", b"(9999, 999, 9)"),
    ],
)
def test_what_is_damaged_is_drawn_again_and_replaced(
    spoilt: Any, shelf: PreparationShelf, tmp_path: Path, drawn: Templates
) -> None:
    prepared(OPTICS, MASK, BAND, WINDOW, REACH_UM, shelf)
    (path,) = (tmp_path / FOLDER).iterdir()
    whole = path.read_bytes()
    damaged = spoilt(whole)
    assert damaged != whole
    path.write_bytes(damaged)
    again = prepared(OPTICS, MASK, BAND, WINDOW, REACH_UM, shelf)
    assert np.array_equal(again.transfer, drawn.transfer) and again.step_um == drawn.step_um
    assert path.read_bytes() == whole


@pytest.mark.parametrize(
    "change",
    [
        {"transfer": np.zeros((3, 4), np.complex64)},
        {"transfer": np.zeros((6, 384, 192), np.complex64)},
        {"transfer": np.zeros((6, 384, 193), np.complex128)},
        {"transfer": np.zeros((1, 384, 193), np.complex64)},
        {"transfer": np.full((6, 384, 193), np.nan, np.complex64)},
        {"step_um": np.float64(0.0)},
        {"step_um": np.array([1.0, 2.0])},
        {"step_um": np.array("wide")},
    ],
)
def test_arrays_that_do_not_fit_are_not_taken(change: dict[str, Any], drawn: Templates) -> None:
    arrays = dict(arrays_of(drawn))
    assert templates_from(arrays, WINDOW, REACH_UM) is not None
    assert templates_from({**arrays, **change}, WINDOW, REACH_UM) is None
    assert templates_from({}, WINDOW, REACH_UM) is None


def test_the_shelf_is_bounded_and_gives_up_what_was_used_longest_ago(
    shelf: PreparationShelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    array = {"transfer": np.zeros(25_000, np.complex64)}
    monkeypatch.setattr(preparations, "MOST_BYTES", 3 * 210_000)
    for age, key in enumerate(("a", "b", "c")):
        shelf.keep(key, array)
        os.utime(tmp_path / FOLDER / f"{key}.npz", (1e9 + age, 1e9 + age))
    (tmp_path / FOLDER / "half.77.part").write_bytes(bytes(9))
    os.utime(tmp_path / FOLDER / "half.77.part", (1e9 - 1, 1e9 - 1))
    assert shelf.find("a") is not None
    shelf.keep("d", array)
    assert kept_in(tmp_path) == ["a", "c", "d"]


def test_a_disk_that_is_nearly_full_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, drawn: Templates
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Room(preparations.LEAST_FREE_BYTES))
    PreparationShelf(tmp_path).keep("a", arrays_of(drawn))
    assert kept_in(tmp_path) == []


def test_a_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path: Path, drawn: Templates) -> None:
    (tmp_path / FOLDER).write_text("a file where the folder should be")
    shelf = PreparationShelf(tmp_path)
    again = prepared(OPTICS, MASK, BAND, WINDOW, REACH_UM, shelf)
    assert np.array_equal(again.transfer, drawn.transfer)


def test_the_workers_desk_keeps_them_in_the_state_folder(tmp_path: Path) -> None:
    meter = Desk(default_config(), measures=False, state=tmp_path)._new_meter()
    assert isinstance(meter._shelf, PreparationShelf) and meter._shelf._folder == tmp_path / FOLDER
    assert Desk(default_config(), measures=False)._new_meter()._shelf is None
