"""Arbitrary bytes into every parser that meets a file from outside: only the documented errors come out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.config import Config, ConfigErrors, config_from_dict, parse_config
from daemon.gathering import InputUnusable
from daemon.spike_table import read_spike_errors
from drivers.frames import FrameUnreadable, read_frame, write_frame

quietly = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
RIG = config_from_dict(
    {
        "schema": 1,
        "optics": {"focal_length_mm": 588, "aperture_mm": 112, "obstruction_ratio": 0, "pixel_um": 3.9},
        "camera": {
            "electrons_per_adu": 1,
            "read_noise_electrons": 2,
            "saturation_adu": 65000,
            "pedestal_adu": 500,
        },
        "filter": [{"name": "L", "centre_nm": 550, "width_nm": 300, "exposure_s": 2}],
    }
)
SOUND = (
    b"schema = 1\n[optics]\nfocal_length_mm = 588\naperture_mm = 112\nobstruction_ratio = 0\npixel_um = 3.9\n"
)


@quietly
@given(st.binary(max_size=400) | st.binary(max_size=80).map(lambda tail: SOUND + tail))
def test_config_of_any_bytes_is_refused_in_words(content: bytes) -> None:
    try:
        assert isinstance(parse_config(content, file="x.toml"), Config)
    except ConfigErrors as errors:
        assert errors.problems
        assert all(str(problem).startswith("x.toml") for problem in errors.problems)


toml_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=3),
    max_leaves=8,
)
tables = st.sampled_from(
    ["schema", "optics", "mask", "fits", "camera", "filter", "focuser", "limits", "gates"]
)
keys = st.sampled_from(
    [
        "name",
        "pixel_um",
        "slit_period_mm",
        "reference",
        "low_steps",
        "high_steps",
        "temperature",
        "plane",
        "mosaic",
    ]
)


@quietly
@given(
    st.dictionaries(
        tables,
        toml_values | st.dictionaries(keys, toml_values) | st.lists(st.dictionaries(keys, toml_values)),
        max_size=9,
    )
)
def test_config_of_any_tables_is_refused_in_words(raw: dict[str, object]) -> None:
    try:
        config_from_dict(raw, file="x.toml")
    except ConfigErrors as errors:
        assert "x.toml" in str(errors)


cells = st.text(alphabet="0123456789.-+eEnaif,;\"'\n\r\t \x00é", max_size=8) | st.sampled_from(
    ["L", "1", "2.5"]
)
headers = st.sampled_from(
    ["position_steps,filter,spike_error_px", "position_steps,filter,spike_error_px,time"]
)


@quietly
@given(
    st.binary(max_size=200)
    | st.tuples(headers, st.lists(st.lists(cells, max_size=5), max_size=6)).map(
        lambda made: "\n".join([made[0], *(",".join(row) for row in made[1])]).encode()
    )
)
def test_table_of_any_bytes_is_read_or_refused(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "sweep.csv"
    file.write_bytes(content)
    try:
        gathered = read_spike_errors(file, RIG)
    except InputUnusable as error:
        assert error.reasons
        return
    assert all(str(file) in line for line in gathered.left_out)
    assert len(gathered.observations) + len(gathered.left_out) >= gathered.rows
    for look in gathered.observations:
        assert look.filter == "L"
        assert abs(look.position_steps) <= 1e8


def _frame(folder: Path) -> bytes:
    path = write_frame(
        folder / "sound.fits", np.arange(1600, dtype=np.uint16).reshape(40, 40), {"FILTER": "L"}
    )
    return path.read_bytes()


@quietly
@given(
    cuts=st.lists(st.tuples(st.integers(0, 5760), st.binary(min_size=1, max_size=90)), max_size=4),
    length=st.integers(0, 8640),
)
def test_frame_of_any_bytes_is_read_or_refused(
    tmp_path: Path, cuts: list[tuple[int, bytes]], length: int
) -> None:
    content = bytearray(_frame(tmp_path))
    for place, piece in cuts:
        content[place : place + len(piece)] = piece
    path = tmp_path / "x.fits"
    path.write_bytes(bytes(content[:length]))
    try:
        assert read_frame(path).pixels.ndim == 2
    except FrameUnreadable as error:
        assert error.reason


@quietly
@given(
    keyword=st.sampled_from(
        ["BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE", "BLANK", "XBINNING", "ZIMAGE"]
    ),
    value=st.integers(-(10**12), 10**12) | st.floats() | st.sampled_from(["T", "F", "'abc'", "", "1.5D400"]),
)
def test_frame_with_any_header_value_is_read_or_refused(tmp_path: Path, keyword: str, value: object) -> None:
    content = _frame(tmp_path)
    card = f"{keyword:8}= {value!s:>20}".ljust(80).encode()[:80]
    place = content.find(keyword.ljust(8).encode() + b"=")
    place = place if place >= 0 else content.find(b"FILTER  =")
    path = tmp_path / "x.fits"
    path.write_bytes(content[:place] + card + content[place + 80 :])
    try:
        assert read_frame(path).pixels.ndim == 2
    except FrameUnreadable as error:
        assert error.reason
