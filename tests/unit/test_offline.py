"""Frames and tables already taken: order, what is left out and why, and when a result is good enough."""

from __future__ import annotations

import csv
import json
import math
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from daemon.config import Config, config_from_dict
from daemon.frame_folder import read_frames
from daemon.frame_source import configured_filter, unbinned_pixel_um
from daemon.gathering import Gathered, InputUnusable
from daemon.measurement import FrameResult
from daemon.offline import Analysis, analyse
from daemon.position_keywords import candidates
from drivers.frames import write_frame
from drivers.header import FrameFacts
from routines.observations import INWARD

PIXELS = np.zeros((20, 30), np.uint16)


def config(outward: str = "rising", **fits: str) -> Config:
    names = (("L", 550), ("R", 635), ("G", 530), ("B", 455))
    return config_from_dict(
        {
            "schema": 1,
            "optics": {"focal_length_mm": 588, "aperture_mm": 112, "obstruction_ratio": 0, "pixel_um": 3.9},
            "camera": {
                "electrons_per_adu": 1,
                "read_noise_electrons": 2,
                "saturation_adu": 65000,
                "pedestal_adu": 500,
            },
            "fits": fits,
            "focuser": {"outward": outward},
            "filter": [
                {"name": name, "centre_nm": nm, "width_nm": 90, "exposure_s": 2, "reference": name == "L"}
                for name, nm in names
            ],
        }
    )


def frame(folder: Path, name: str, **cards: Any) -> Path:
    header = {"FILTER": "L", "EXPTIME": 2.0, "DATE-OBS": "2026-01-14T20:00:00", "FOCPOS": 100}
    header.update({key.replace("_", "-"): value for key, value in cards.items()})
    return write_frame(
        folder / name, PIXELS, {key: value for key, value in header.items() if value is not None}
    )


def measured(paths: Sequence[Path]) -> list[FrameResult]:
    """Stand in for the measurement: each frame's place in the list is its spike error."""
    return [
        FrameResult(str(path), method="mask", spike_error_px=float(number), spike_error_u_px=0.1)
        for number, path in enumerate(paths)
    ]


def read(folder: Path, settings: Config | None = None) -> Gathered:
    return read_frames(folder, settings or config(position="FOCPOS"), measured)


def test_frames_come_in_the_order_of_mid_exposure(tmp_path: Path) -> None:
    frame(tmp_path, "a.fits", DATE_OBS="2026-01-14T20:00:09", FOCPOS=30)
    frame(tmp_path, "b.fit", DATE_OBS="2026-01-14T20:00:01", EXPTIME=12.0, FOCPOS=20)
    frame(tmp_path, "c.FTS", DATE_OBS="2026-01-14T20:00:02", FOCPOS=10)
    (tmp_path / "notes.txt").write_text("seeing poor")
    looks = read(tmp_path).observations
    assert [look.position_steps for look in looks] == [10.0, 20.0, 30.0]
    assert [look.value_px for look in looks] == [0.0, 1.0, 2.0]
    assert looks[1].time_s is not None and math.isclose(looks[1].time_s, 1768420807.0)


def test_without_times_the_names_order_them_as_people_count(tmp_path: Path) -> None:
    for number in (10, 9, 1):
        frame(tmp_path, f"frame{number}.fits", DATE_OBS=None, FOCPOS=number)
    gathered = read(tmp_path)
    assert [look.position_steps for look in gathered.observations] == [1.0, 9.0, 10.0]
    assert "3 of 3 frames (the first is frame1.fits) do not tell their time" in gathered.remarks[0]


def test_what_is_no_usable_frame_is_left_out_by_name(tmp_path: Path) -> None:
    frame(tmp_path, "good.fits")
    frame(tmp_path, "z-filter.fits", FILTER="Z")
    frame(tmp_path, "no-filter.fits", FILTER=None)
    frame(tmp_path, "no-position.fits", FOCPOS=None)
    fits.PrimaryHDU(np.zeros((3, 4, 5), np.uint16)).writeto(tmp_path / "cube.fits")
    (tmp_path / "text.fits").write_text("not a frame")
    (tmp_path / "empty.fits").write_bytes(b"")
    (tmp_path / "short.fits").write_bytes((tmp_path / "good.fits").read_bytes()[:3000])
    gathered = read(tmp_path)
    assert [Path(look.path or "").name for look in gathered.observations] == ["good.fits"]
    told = "\n".join(gathered.left_out)
    for name, reason in {
        "z-filter": "the config does not know the filter 'Z'; it knows L, R, G, B",
        "no-filter": "no filter is named; it knows L, R, G, B",
        "no-position": "no position: its header has no number under FOCPOS",
        "cube": "is 3-D (5 x 4 x 3)",
        "text": "is not a FITS file",
        "empty": "is empty",
        "short": "is truncated",
    }.items():
        assert f"{tmp_path / name}.fits: {reason}" in told


def test_frame_that_measurement_refuses_keeps_its_row_and_flags(tmp_path: Path) -> None:
    frame(tmp_path, "dark.fits")

    def no_star(paths: Sequence[Path]) -> list[FrameResult]:
        return [FrameResult(str(path), flags=("no_star",), message="no star") for path in paths]

    (look,) = read_frames(tmp_path, config(position="FOCPOS"), no_star).observations
    assert (look.value_px, look.flags, look.measured) == (None, ("no_star",), False)


def test_missing_position_lists_what_changes_and_the_line_to_add(tmp_path: Path) -> None:
    for number, place in enumerate((200, 220, 240)):
        frame(
            tmp_path,
            f"{number}.fits",
            FOCPOS=None,
            FOCUSER=place,
            AIRT=4.0 + number / 10,
            GAIN=100 + number,
            CCD_TEMP=-10.0 + number,
            EXPTIME=2.0 + number,
            SITE=number * 0 + 7,
        )
    with pytest.raises(InputUnusable) as caught:
        read(tmp_path, config())
    reasons = caught.value.reasons
    assert "the config names no keyword for it" in reasons[0]
    assert "  FOCUSER: 200 to 240, 3 different values" in reasons
    assert "  AIRT: 4 to 4.2, 3 different values" in reasons
    assert reasons[-2:] == ("  [fits]", '  position = "FOCUSER"')
    told = "\n".join(reasons)
    assert not any(name in told for name in ("GAIN", "CCD-TEMP", "EXPTIME", "SITE"))
    with pytest.raises(InputUnusable, match="none has a number under WRONG"):
        read(tmp_path, config(position="WRONG"))


def test_candidates_put_the_likeliest_first() -> None:
    headers = [{"AIRT": 4.0 + n / 7, "COUNTER": n, "FOCSTEP": 100 * n, "MJD-OBS": 6e4 + n} for n in range(3)]
    assert [name for name, _ in candidates(headers)] == ["FOCSTEP", "COUNTER", "AIRT"]
    assert candidates(headers[:1]) == []


def test_position_that_nothing_can_tell_gets_advice(tmp_path: Path) -> None:
    frame(tmp_path, "one.fits", FOCPOS=None)
    with pytest.raises(
        InputUnusable, match="does the program that took the frames write the position at all"
    ):
        read(tmp_path, config())


def test_folder_without_frames_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputUnusable, match="holds no FITS frames"):
        read(tmp_path)
    (tmp_path / "L").mkdir()
    frame(tmp_path / "L", "a.fits")
    with pytest.raises(InputUnusable, match="there are some in its folders L"):
        read(tmp_path)


def test_own_frames_bring_side_travel_and_counts(tmp_path: Path) -> None:
    frame(tmp_path, "a.fits", FOCPOS=None, DT_POS=500, DT_SIDE=-1, DT_TRAV=120.0, DT_TEMP=3.5, DT_SIM=True)
    gathered = read(tmp_path, config("falling"))
    (look,) = gathered.observations
    assert (look.position_steps, look.side, look.travel_since_reversal_steps) == (-500.0, INWARD, 120.0)
    assert look.temperature_c == 3.5
    assert gathered.simulated


def test_temperature_that_frames_lack_is_remarked(tmp_path: Path) -> None:
    frame(tmp_path, "a.fits", CCD_TEMP=-10.0)
    gathered = read(tmp_path, config(position="FOCPOS", temperature="AIRT"))
    assert gathered.observations[0].temperature_c is None
    assert "1 of 1 frames have no number under AIRT" in gathered.remarks[0]


def test_filters_are_matched_by_name_and_never_guessed() -> None:
    settings = config()
    assert configured_filter(settings, "L") == "L"
    assert configured_filter(settings, " r ") == "R"
    assert configured_filter(settings, "Lum") is None
    assert configured_filter(settings, None) is None


def test_pixel_size_of_the_header_is_taken_in_the_reading_that_fits() -> None:
    settings = config()
    assert unbinned_pixel_um(settings, FrameFacts()) == 3.9
    assert unbinned_pixel_um(settings, FrameFacts(pixel_um=3.76)) == 3.76
    assert unbinned_pixel_um(settings, FrameFacts(pixel_um=7.8, binning=2)) == 3.9
    assert unbinned_pixel_um(settings, FrameFacts(pixel_um=3.9, binning=2)) == 3.9


class Train:
    """A focus train of our own for tables: a plain backlash, offsets, a straight response and noise.

    About 90 steps of play and these offsets are common practice for one geared refractor (no source).
    """

    def __init__(self, seed: int, play: float = 90.0, slope: float = 0.035) -> None:
        self.noise, self.play, self.slope = random.Random(seed), play, slope
        self.place = -math.inf
        self.offsets = {"L": 0.0, "R": 30.0, "G": -13.0, "B": -30.0}

    def look(self, motor: float, name: str) -> str:
        start = motor - self.play if self.place == -math.inf else self.place
        self.place = max(motor - self.play, min(motor, start))
        error = self.slope * (self.place - 20000 - self.offsets[name]) + self.noise.gauss(0.0, 0.05)
        return f"{motor},{name},{error:.4f}\n"


def sweep(train: Train, first: int = 19700, last: int = 20300, step: int = 20) -> list[str]:
    outward = range(first, last + 1, step)
    rows = [train.look(motor, name) for motor in outward for name in train.offsets]
    rows += [train.look(motor, "L") for motor in reversed(outward)]
    return rows + [train.look(motor, "L") for motor in outward]


def analysed(tmp_path: Path, rows: Sequence[str], settings: Config | None = None) -> Analysis:
    file = tmp_path / "sweep.csv"
    file.write_text("position_steps,filter,spike_error_px\n" + "".join(rows))
    return analyse(file, settings or config(), tmp_path / "out")


def test_common_practice_case_is_found_within_two_steps(tmp_path: Path) -> None:
    """From 20-step sweeps, dead zone first in each reversed pass (common practice, no source)."""
    train = Train(seed=4)
    analysis = analysed(tmp_path, sweep(train))
    assert analysis.exit_code == 0
    profile = json.loads((tmp_path / "out" / "profile.json").read_text())
    assert abs(profile["backlash_steps"]["value"] - 90.0) < 2.0
    for entry in profile["filters"]:
        assert abs(entry["offset_steps"]["value"] - train.offsets[entry["name"]]) < 2.0
    assert (tmp_path / "out" / "report.html").stat().st_size > 10_000
    with (tmp_path / "out" / "observations.csv").open(newline="") as stream:
        assert len(list(csv.DictReader(stream))) == len(sweep(Train(seed=4)))


def test_falling_counts_give_the_mirrored_profile(tmp_path: Path) -> None:
    rows = sweep(Train(seed=4))
    rising = analysed(tmp_path, rows).profile
    split = [row.split(",", 1) for row in rows]
    falling = analysed(
        tmp_path, [f"{40000 - int(at)},{rest}" for at, rest in split], config("falling")
    ).profile
    assert rising.backlash_steps is not None and falling.backlash_steps is not None
    assert falling.backlash_steps.value == pytest.approx(rising.backlash_steps.value, abs=1e-3)
    for one, other in zip(rising.filters, falling.filters, strict=True):
        assert one.offset_steps is not None and other.offset_steps is not None
        assert other.offset_steps.value == pytest.approx(-(one.offset_steps.value or 0.0), abs=1e-3)
        assert one.crossing_inward_steps is not None and other.crossing_inward_steps is not None
        mirrored = 40000 - (one.crossing_inward_steps.value or 0.0)
        assert other.crossing_inward_steps.value == pytest.approx(mirrored, abs=1e-3)


def test_written_table_gives_the_same_numbers_again(tmp_path: Path) -> None:
    analysed(tmp_path, sweep(Train(seed=5)))
    first = json.loads((tmp_path / "out" / "profile.json").read_text())
    analyse(tmp_path / "out" / "observations.csv", config(), tmp_path / "again")
    second = json.loads((tmp_path / "again" / "profile.json").read_text())
    del first["created"], second["created"]
    assert first == second


def test_results_never_overwrite_their_input(tmp_path: Path) -> None:
    analysed(tmp_path, sweep(Train(seed=5)))
    before = (tmp_path / "out" / "observations.csv").read_bytes()
    with pytest.raises(InputUnusable, match="would be overwritten"):
        analyse(tmp_path / "out" / "observations.csv", config(), tmp_path / "out")
    assert (tmp_path / "out" / "observations.csv").read_bytes() == before


def test_bad_rows_are_left_out_told_and_noted_in_the_profile(tmp_path: Path) -> None:
    rows = sweep(Train(seed=6))
    rows[20:20] = ["19800,L,none\n", "19800,Z,1\n"]
    analysis = analysed(tmp_path, rows)
    assert analysis.exit_code == 0
    assert len(analysis.gathered.left_out) == 2
    assert any(item.code == "left_out" and "2 rows" in item.message for item in analysis.profile.flags)


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ([], "nothing was measured"),
        (["100,L,1\n"], "only one position was visited"),
        (sweep(Train(seed=7))[: 31 * 4], "backlash: every pass went outward"),
        (
            [f"{place},L,{3 + place % 7 / 100}\n" for place in [*range(0, 600, 20), *range(600, 0, -20)]],
            "did not respond",
        ),
        (
            [f"{place},L,{1 + place % 3 / 100}\n" for place in [*range(0, 60, 10), *range(60, 0, -10)]],
            "past the dead zone",
        ),
    ],
    ids=["no rows", "one look", "no reversal", "never responds", "all in the dead zone"],
)
def test_what_cannot_be_told_is_null_with_its_reason(tmp_path: Path, rows: list[str], expected: str) -> None:
    analysis = analysed(tmp_path, rows)
    assert analysis.exit_code == 5
    assert expected in "\n".join(analysis.missing)
    assert analysis.profile.backlash_steps is None
    assert (tmp_path / "out" / "profile.json").exists()


def test_without_a_reversal_the_offsets_are_given_all_the_same(tmp_path: Path) -> None:
    analysis = analysed(tmp_path, sweep(Train(seed=7))[: 31 * 4])
    assert analysis.missing[0].startswith("backlash: ")
    assert len(analysis.missing) == 1
    assert all(entry.offset_steps is not None for entry in analysis.profile.filters)


def test_crossing_beyond_the_visited_positions_is_flagged(tmp_path: Path) -> None:
    analysis = analysed(tmp_path, sweep(Train(seed=8), first=20400, last=20900))
    assert any(item.code == "extrapolated" for item in analysis.profile.flags)
    best = analysis.profile.best_focus.position_steps
    assert best is not None and best.low95 < 20000.0 < best.high95


def test_moves_table_is_used_and_written_along(tmp_path: Path) -> None:
    rows = sweep(Train(seed=9))
    (tmp_path / "sweep.csv").write_text("position_steps,filter,spike_error_px\n" + "".join(rows))
    (tmp_path / "moves.csv").write_text("before_row,position_steps\n0,19400\n")
    out = tmp_path / "out"
    analysis = analyse(tmp_path / "sweep.csv", config(), out, tmp_path / "moves.csv")
    assert analysis.gathered.moves is not None and len(analysis.gathered.moves) == 1
    with (out / "observations.csv").open(newline="") as stream:
        assert [row["moves_before"] for row in csv.DictReader(stream)][:2] == ["19400", "none"]


def test_single_frame_or_nothing_is_refused(tmp_path: Path) -> None:
    path = frame(tmp_path, "a.fits")
    with pytest.raises(InputUnusable, match="is a single frame; give the folder"):
        analyse(path, config(), tmp_path / "out")
    with pytest.raises(InputUnusable, match="no such file or folder"):
        analyse(tmp_path / "absent", config(), tmp_path / "out")
    assert not (tmp_path / "out").exists()
