"""Tables of spike errors and of moves: what is read, and each bad row by its line and reason."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.config import Config, config_from_dict
from daemon.gathering import Gathered, InputUnusable
from daemon.observation_table import observations_csv
from daemon.spike_table import read_moves, read_spike_errors
from routines.observations import INWARD, OUTWARD, Move, Observation

HEADER = "position_steps,filter,spike_error_px\n"


def config(outward: str = "rising") -> Config:
    names = (("L", 550), ("R", 635))
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
            "focuser": {"outward": outward},
            "filter": [
                {"name": name, "centre_nm": nm, "width_nm": 90, "exposure_s": 2, "reference": name == "L"}
                for name, nm in names
            ],
        }
    )


def read(tmp_path: Path, content: str | bytes, outward: str = "rising") -> Gathered:
    file = tmp_path / "sweep.csv"
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_spike_errors(file, config(outward))


def refused(tmp_path: Path, content: str | bytes) -> str:
    with pytest.raises(InputUnusable) as caught:
        read(tmp_path, content)
    assert all(str(tmp_path / "sweep.csv") in reason for reason in caught.value.reasons)
    return str(caught.value)


def test_least_table_is_read_in_row_order(tmp_path: Path) -> None:
    gathered = read(tmp_path, HEADER + "100,L,-1.5\n\n120.5,R,2e-1\n")
    first, second = gathered.observations
    assert (first.number, first.position_steps, first.filter, first.value_px) == (0, 100.0, "L", -1.5)
    assert (second.number, second.position_steps, second.value_px, second.u_px) == (1, 120.5, 0.2, None)
    assert (gathered.moves, gathered.left_out, gathered.rows) == (None, (), 2)


def test_optional_columns_in_any_order_with_mark_and_spaces(tmp_path: Path) -> None:
    content = (
        "\ufefftemperature_c, time ,filter,spike_error_u_px,spike_error_px,position_steps\r\n"
        "4.5, 2026-01-14T20:00:00 ,L,0.05,1,7\r\n,,l,,1,8\r\n"
    )
    first, second = read(tmp_path, content).observations
    assert (first.temperature_c, first.u_px, first.time_s) == (4.5, 0.05, 1768420800.0)
    assert (second.temperature_c, second.time_s, second.filter) == (None, None, "L")


def test_time_with_a_zone_is_turned_to_utc(tmp_path: Path) -> None:
    rows = "1,L,1,2026-01-14T20:00:00Z\n2,L,1,2026-01-14T21:00:00+01:00\n"
    first, second = read(tmp_path, HEADER.strip() + ",time\n" + rows).observations
    assert first.time_s == second.time_s


def test_falling_counts_are_turned_outward(tmp_path: Path) -> None:
    (look,) = read(tmp_path, HEADER + "100,L,1\n", outward="falling").observations
    assert look.position_steps == -100.0


def test_each_bad_row_is_named_and_the_others_are_kept(tmp_path: Path) -> None:
    rows = [
        "1,L,1",
        "2,L",
        "x,L,1",
        '"1,5",L,1',
        "nan,L,1",
        "inf,L,1",
        "1e99,L,1",
        "1_0,L,1",
        "3,Z,1",
        "3,,1",
        "3,L,",
        "3,L,1,9",
        "4,L,1",
    ]
    gathered = read(tmp_path, HEADER + "\n".join(rows) + "\n")
    assert [look.number for look in gathered.observations] == [0, 12]
    told = "\n".join(sorted(gathered.left_out, key=lambda line: int(line.split(":")[1])))
    expected = [
        ":3: has 2 cells; the header has 3 columns",
        ":4: position_steps is 'x', which is not a number",
        ":5: position_steps is '1,5', which is not a number; write it without commas",
        ":6: position_steps is 'nan'",
        ":7: position_steps is 'inf'",
        ":8: position_steps is '1e99'; it must be from -1e+08 to 1e+08 steps",
        ":9: position_steps is '1_0'",
        ":10: the config does not know the filter 'Z'; it knows L, R",
        ":11: filter is empty",
        ":12: spike_error_px is empty",
        ":13: has 4 cells",
    ]
    assert len(gathered.left_out) == len(expected)
    for line, want in zip(told.splitlines(), expected, strict=True):
        assert want in line


@pytest.mark.parametrize(
    ("column", "cell", "reason"),
    [
        ("time", "2026-01-14", "write it as 2026-01-31T22:15:00"),
        ("spike_error_u_px", "0", "it must be above 0"),
        ("spike_error_u_px", "-1", "it must be from 0"),
        ("temperature_c", "300", "it must be from -100 to 100 C"),
        ("side", "left", "it must be one of outward, inward"),
        ("marker", "yes", "it must be one of 0, 1"),
        ("flags", "pretty", "'pretty', which is no known flag"),
        ("moves_before", "12 x", "positions between spaces"),
    ],
)
def test_optional_cells_are_checked_too(tmp_path: Path, column: str, cell: str, reason: str) -> None:
    gathered = read(tmp_path, HEADER.strip() + f",{column}\n1,L,1,{cell}\n")
    assert gathered.observations == ()
    assert reason in gathered.left_out[0]


def test_file_that_is_no_such_table_is_refused(tmp_path: Path) -> None:
    assert "is empty" in refused(tmp_path, "")
    assert "is empty" in refused(tmp_path, " \n\n")
    assert "separated by semicolons" in refused(tmp_path, "position_steps;filter;spike_error_px\n1;L;1\n")
    assert ":2: is not UTF-8 text" in refused(tmp_path, HEADER.encode() + b"1,\xff,1\n")
    assert "position_steps is there 2 times" in refused(tmp_path, "position_steps," + HEADER)
    told = refused(tmp_path, "position,filtre,error\n1,L,2\n")
    assert 'lacks the column position_steps; is it "position"?' in told
    assert 'lacks the column filter; is it "filtre"?' in told
    assert "lacks the column spike_error_px" in told
    with pytest.raises(InputUnusable, match="No such file"):
        read_spike_errors(tmp_path / "absent.csv", config())


def test_broken_quote_ends_the_table_and_says_so(tmp_path: Path) -> None:
    gathered = read(tmp_path, HEADER + '1,L,1\n2,"L,1\n3,L,1\n')
    assert len(gathered.observations) == 1
    assert "cannot be read as CSV" in gathered.left_out[0]


def test_remarks_on_what_changes_nothing(tmp_path: Path) -> None:
    content = (
        HEADER.strip() + ",time,temprature_c\n1,L,1,2026-01-14T20:00:10,4\n2,L,1,2026-01-14T20:00:00,4\n"
    )
    gathered = read(tmp_path, content)
    told = "\n".join(gathered.remarks)
    assert "times run backwards at line 3" in told
    assert "the column 'temprature_c' is not used; is temperature_c meant?" in told
    assert "no data rows" in "\n".join(read(tmp_path, HEADER).remarks)


def moves(tmp_path: Path, content: str, table: str = HEADER + "10,L,1\n20,L,1\n") -> tuple[Move, ...]:
    looks = read(tmp_path, table)
    file = tmp_path / "moves.csv"
    file.write_text(content)
    return read_moves(file, looks.observations, looks.rows, config())


def test_moves_by_row_and_by_time(tmp_path: Path) -> None:
    by_row = moves(tmp_path, "before_row,position_steps\n0,400\n1,300\n1,20\n2,5\n")
    assert by_row == (Move(0, 400.0), Move(1, 300.0), Move(1, 20.0), Move(2, 5.0))
    timed = HEADER.strip() + ",time\n10,L,1,2026-01-14T20:00:10\n20,L,1,2026-01-14T20:00:30\n"
    by_time = moves(
        tmp_path,
        "time,position_steps\n2026-01-14T20:00:00,400\n2026-01-14T20:00:20,300\n2026-01-14T20:01:00,5\n",
        timed,
    )
    assert by_time == (Move(0, 400.0), Move(1, 300.0), Move(2, 5.0))


def test_moves_refer_to_data_rows_with_the_bad_ones_counted(tmp_path: Path) -> None:
    table = HEADER + "10,L,1\nbad,L,1\n20,L,1\n"
    assert moves(tmp_path, "before_row,position_steps\n2,300\n", table) == (Move(2, 300.0),)


def test_history_with_a_hole_is_refused_whole(tmp_path: Path) -> None:
    with pytest.raises(InputUnusable) as caught:
        moves(tmp_path, "before_row,position_steps\n0,400\n9,300\n0.5,1\n,2\n1,x\n")
    told = "\n".join(caught.value.reasons)
    for expected in (
        ":3: before_row is '9'; it must be from 0 to 2",
        ":4: before_row is 0.5; it must be a whole number",
        ":5: neither before_row nor time is given",
        ":6: position_steps is 'x'",
        "nothing was computed",
    ):
        assert expected in told
    with pytest.raises(InputUnusable, match="lacks the column before_row"):
        moves(tmp_path, "position_steps\n4\n")
    with pytest.raises(InputUnusable, match="not every look has one"):
        moves(tmp_path, "time,position_steps\n2026-01-14T20:00:00,400\n")


@pytest.mark.parametrize("outward", ["rising", "falling"])
def test_our_own_table_comes_back_whole(tmp_path: Path, outward: str) -> None:
    looks = (
        Observation(
            0, "L", 100.0, "mask", -1.25, 0.05, OUTWARD, 40.0, 4.5, 1768420800.5, 2.0, 2e6, 1, True, "a.fits"
        ),
        Observation(
            1, "R", 80.5, "mask", None, None, INWARD, 19.5, None, None, 2.0, flags=("no_star", "clipped")
        ),
    )
    history = (Move(0, 350.0), Move(0, 100.0), Move(2, 7.0))
    text = observations_csv(looks, config(outward), history, simulated=True)
    gathered = read(tmp_path, text, outward)
    assert gathered.observations == looks
    assert gathered.moves == history[:2]
    assert gathered.simulated
    assert read(tmp_path, observations_csv(looks, config(outward)), outward).moves is None


def test_moves_within_a_table_with_holes_are_not_used(tmp_path: Path) -> None:
    content = HEADER.strip() + ",moves_before\n1,L,1,300 1\n2,Z,1,none\n3,L,1,none\n"
    gathered = read(tmp_path, content)
    assert gathered.moves is None
    assert "no history" in "\n".join(gathered.remarks)
