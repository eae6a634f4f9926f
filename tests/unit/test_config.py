"""The config: every mistake at once, each told with file, key, value, range and unit."""

from __future__ import annotations

import copy
import math
from pathlib import Path
from typing import Any

import pytest

from daemon.config import MOVING, Config, ConfigErrors, config_from_dict, load_config, parse_config, require

MINIMAL = """
schema = 1
[optics]
focal_length_mm = 588
aperture_mm = 112.0
obstruction_ratio = 0
pixel_um = 3.9
[camera]
electrons_per_adu = 0.8
read_noise_electrons = 1.6
saturation_adu = 65535
pedestal_adu = 500
[[filter]]
name = "L"
centre_nm = 550
width_nm = 300
exposure_s = 2
reference = true
[[filter]]
name = "H-alpha"
centre_nm = 656.3
width_nm = 6
exposure_s = 8
"""


def minimal() -> dict[str, Any]:
    import tomllib

    return tomllib.loads(MINIMAL)


def changed(path: str, value: Any) -> dict[str, Any]:
    raw = copy.deepcopy(minimal())
    table: Any = raw
    *parents, last = path.split(".")
    for name in parents:
        table = table[int(name)] if name.isdigit() else table.setdefault(name, {})
    if value is None:
        del table[last]
    else:
        table[last] = value
    return raw


def problems_of(raw: dict[str, Any]) -> list[str]:
    with pytest.raises(ConfigErrors) as caught:
        config_from_dict(raw, file="rig.toml")
    return [str(problem) for problem in caught.value.problems]


def test_minimal_config_loads_with_its_defaults(tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_text(MINIMAL)
    config = load_config(file)
    assert config.optics.focal_length_mm == 588.0
    assert config.reference_filter == "L"
    assert config.filter_names == ("L", "H-alpha")
    assert config.outward_sign == 1
    assert (config.fits.time, config.fits.exposure, config.fits.filter) == ("DATE-OBS", "EXPTIME", "FILTER")
    assert config.science_mask() is None
    assert config.science_optics().focal_ratio == pytest.approx(5.25)
    assert config.bands()["H-alpha"].width_nm == 6.0
    assert config.resolve("frames") == tmp_path / "frames"


def test_mask_reaches_the_science_with_what_was_given() -> None:
    raw = changed("mask", {"slit_period_mm": 3.6, "arm_angle_deg": 20, "slit_duty": 0.45})
    mask = config_from_dict(raw).science_mask()
    assert mask is not None
    assert (mask.slit_period_mm, mask.arm_angle_deg, mask.slit_duty) == (3.6, 20.0, 0.45)


def test_config_is_frozen_and_has_a_fingerprint_that_follows_its_values() -> None:
    one, other = config_from_dict(minimal()), config_from_dict(changed("optics.pixel_um", 3.8))
    with pytest.raises(ValueError, match="frozen"):
        one.optics.pixel_um = 1.0  # type: ignore[misc]  # frozen: that is the test
    assert one.fingerprint() != other.fingerprint()
    assert one.fingerprint() == config_from_dict(minimal()).fingerprint()


@pytest.mark.parametrize(
    ("path", "value", "expected"),
    [
        (
            "optics.obstruction_ratio",
            1.0,
            "optics.obstruction_ratio = 1.0: must be a number at least 0 and below 1",
        ),
        ("optics.pixel_um", 0, "optics.pixel_um = 0: must be a number at least 0.5 and at most 100 (um)"),
        ("optics.pixel_um", "3.9", 'optics.pixel_um = "3.9": must be a number'),
        ("optics.pixel_um", math.nan, "optics.pixel_um = NaN: must be a number"),
        ("optics.pixel_um", None, "optics.pixel_um: missing; it must be a number at least 0.5"),
        ("optics.focal_lenght_mm", 588, "unknown key; the nearest known one is focal_length_mm"),
        ("optics.slit_period_mm", 3.6, "slit_period_mm belongs in [mask]"),
        ("opticks", {}, "opticks = {}: unknown key; the nearest known one is optics"),
        ("optics.aperture_mm", 5900.0, "focal ratio of 0.0997; it must be from 1 to 60"),
        ("camera", None, "camera: missing; the table [camera] is needed"),
        ("camera.pedestal_adu", 70000, "must be below camera.saturation_adu = 65535 ADU"),
        ("camera.kind", "command", 'camera.command: missing; camera.kind = "command" needs it'),
        ("filter", [], "filter"),
        ("filter.0.width_nm", 1200, "filter[1].width_nm = 1200: must be below twice centre_nm = 550 nm"),
        ("filter.0.width_nm", 0, "filter[1].width_nm = 0: must be a number above 0 and at most 2000 (nm)"),
        ("filter.1.name", "L", 'filter[2].name = "L": filter[1] has this name already'),
        ("filter.1.reference", True, "filter[1], filter[2] all say reference = true"),
        ("filter.0.reference", 1, "filter[1].reference = 1: must be true or false"),
        ("focuser.outward", "out", 'must be one of "rising", "falling"'),
        (
            "limits",
            {"low_steps": 9, "high_steps": 3},
            "limits.low_steps = 9: must be below limits.high_steps = 3",
        ),
        ("fits.temperature", "CCD-TEMP", "the sensor's own temperature"),
        ("fits.position", "lower case", "must be a FITS keyword in capitals"),
        ("fits.plane", "R", "fits.mosaic: missing; a colour mosaic needs both"),
        ("fits", {"mosaic": "RGGB", "plane": "G"}, "say G1 or G2"),
        (
            "gates",
            {"temperature": {"trip_c_per_h": 1, "resume_c_per_h": 2}},
            "must be below trip_c_per_h = 1 C/h",
        ),
        (
            "mask",
            {"slit_period_mm": 40, "arm_angle_deg": 20},
            "at most a quarter of optics.aperture_mm = 112 mm",
        ),
        ("schema", 2, "schema = 2: must be 1"),
    ],
)
def test_each_mistake_is_named(path: str, value: Any, expected: str) -> None:
    told = problems_of(changed(path, value))
    assert any(expected in line for line in told), told
    assert all(line.startswith("rig.toml: ") for line in told)


def test_mistakes_of_all_kinds_are_told_at_once() -> None:
    raw = changed("optics.pixel_um", -1)
    raw["filter"][1]["name"] = "L"
    raw["limits"] = {"low_steps": 9, "high_steps": 3}
    raw["camera"]["gain"] = 3
    told = "\n".join(problems_of(raw))
    for expected in ("optics.pixel_um", "filter[2].name", "limits.low_steps", "camera.gain"):
        assert expected in told


def test_one_filter_is_its_own_reference() -> None:
    raw = minimal()
    raw["filter"] = [{"name": "G", "centre_nm": 530, "width_nm": 90, "exposure_s": 2}]
    assert config_from_dict(raw).reference_filter == "G"


def test_problems_carry_the_line_of_the_file() -> None:
    content = MINIMAL.replace("pixel_um = 3.9", "pixel_um = 390").encode()
    with pytest.raises(ConfigErrors) as caught:
        parse_config(content, file="rig.toml")
    (problem,) = caught.value.problems
    assert problem.line == 7
    assert str(problem).startswith("rig.toml:7: optics.pixel_um = 390: ")


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"schema = ", "is not valid TOML"),
        (b"schema = 1\nschema = 1\n", "line 2"),
        (b"schema = 1\n# \xff\n", "x.toml:2: is not UTF-8"),
        (b"a = " + b"[" * 5000, "nested too deeply"),
        (b"a = " + b"9" * 6000, "cannot be read"),
        (b"", "optics: missing"),
    ],
)
def test_text_that_is_no_config_is_refused_with_its_reason(content: bytes, expected: str) -> None:
    with pytest.raises(ConfigErrors, match=r"x\.toml") as caught:
        parse_config(content, file="x.toml")
    assert expected in str(caught.value)


def test_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigErrors, match=r"absent\.toml: cannot be read: No such file"):
        load_config(tmp_path / "absent.toml")
    with pytest.raises(ConfigErrors, match="directory"):
        load_config(tmp_path)


def test_byte_order_mark_is_no_mistake() -> None:
    assert parse_config(b"\xef\xbb\xbf" + MINIMAL.encode(), file="x").schema_version == 1


def moving() -> dict[str, Any]:
    raw = minimal()
    raw["focuser"] = {"port": "/dev/ttyUSB0", "description": "x.toml", "overshoot_steps": 300}
    raw["limits"] = {"low_steps": 0, "high_steps": 50000}
    raw["camera"]["kind"] = "simulated"
    raw["wheel"] = {"port": "/dev/ttyUSB1", "description": "y.toml"}
    raw["thermometer"] = {"kind": "focuser"}
    raw["gates"] = {"disk": {"least_free_gb": 1}}
    for slot, item in enumerate(raw["filter"], start=1):
        item["slot"] = slot
    return raw


def test_analysis_needs_no_devices_and_moving_names_all_it_lacks() -> None:
    config = config_from_dict(minimal())
    require(config, "analysis")
    with pytest.raises(ConfigErrors) as caught:
        require(config, MOVING)
    told = str(caught.value)
    for key in (
        "focuser.port",
        "focuser.overshoot_steps",
        "limits",
        "camera.kind",
        "wheel",
        "thermometer",
        "gates",
    ):
        assert f"{key}: missing" in told
    require(config_from_dict(moving()), MOVING)


def test_nothing_moves_without_limits() -> None:
    raw = moving()
    del raw["limits"]
    with pytest.raises(ConfigErrors, match="nothing moves without soft limits"):
        require(config_from_dict(raw), MOVING)


def test_all_the_keys_of_the_contract_are_known() -> None:
    raw = minimal()
    raw["optics"]["step_um"] = 2.5
    raw["mask"] = {"slit_period_mm": 3.6, "arm_angle_deg": 20.0, "slit_duty": 0.5, "orientation_deg": 10.0}
    names = ("position", "temperature", "filter", "exposure", "time", "pixel_um", "electrons_per_adu")
    raw["fits"] = {name: "KEY-" + name[:4].upper() for name in names}
    raw["focuser"] = {"outward": "falling"}
    config = config_from_dict(raw)
    assert isinstance(config, Config)
    assert config.outward_sign == -1
