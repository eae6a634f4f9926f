"""Flags and settings in words."""

from __future__ import annotations

from profile_cases import case_facts, case_fit

from daemon.config import config_from_dict
from daemon.report.settings import settings_in_words
from routines.flags import flag
from routines.profile_build import build_profile
from routines.remarks import fields_in_words, remarks_on


def test_fields_are_gathered_by_number() -> None:
    paths = ["filters.R.offset_steps", "backlash_steps", "filters.G.offset_steps", "profile"]
    assert fields_in_words(paths) == "offset (R and G), backlash"
    assert (
        fields_in_words(["temperature_coefficient_steps_per_c", "step_um"]) == "temperature coefficient, step"
    )
    assert fields_in_words(["profile"]) == ""


def test_outliers_are_left_to_their_table_and_wordings_are_gathered() -> None:
    fit = case_fit(flags=(flag("outlier", "observation 3"), flag("extra_scatter", "all")))
    said = [str(item) for item in remarks_on(build_profile(fit, case_facts()))]
    assert said == [
        "the observations scatter beyond the frames' own uncertainty; u includes it",
        "mask minus width (L, R, G, B and Ha): mask and width were not both observed",
    ]


def test_settings_carry_their_units() -> None:
    config = config_from_dict(
        {
            "schema": 1,
            "optics": {
                "focal_length_mm": 588.0,
                "aperture_mm": 112.0,
                "obstruction_ratio": 0.0,
                "pixel_um": 3.9,
            },
            "camera": {
                "electrons_per_adu": 0.8,
                "read_noise_electrons": 1.6,
                "saturation_adu": 65000.0,
                "pedestal_adu": 500.0,
            },
            "filter": [
                {"name": "L", "centre_nm": 550.0, "width_nm": 280.0, "exposure_s": 2.0, "reference": True}
            ],
        }
    )
    settings = settings_in_words(config)
    assert settings["telescope"] == "focal length 588 mm, clear aperture 112 mm, obstruction 0"
    assert settings["filter L"] == "550 nm, 280 nm wide, 2.00 s, the reference"
    assert settings["mask"] == "learnt from the frames"
    assert settings["step at the sensor"] == "from the frames"
