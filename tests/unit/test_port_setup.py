"""From profile and config to the port's rules: the approach, the shifts, and what is refused and why."""

from __future__ import annotations

from typing import Any

import pytest
from profile_cases import ALPHA, OFFSETS, case_facts, case_fit

from daemon.config import Config, ConfigErrors, config_from_dict
from daemon.port_setup import PortRefused, approach_from, port_limits, shift_from
from drivers.errors import SensorFailed
from drivers.roles import Limits, Reading
from routines.flags import flag
from routines.profile_build import build_profile

RAW: dict[str, Any] = {
    "schema": 1,
    "optics": {"focal_length_mm": 588, "aperture_mm": 112, "obstruction_ratio": 0, "pixel_um": 3.9},
    "camera": {
        "electrons_per_adu": 1,
        "read_noise_electrons": 2,
        "saturation_adu": 65000,
        "pedestal_adu": 500,
    },
    "filter": [{"name": "L", "centre_nm": 550, "width_nm": 300, "exposure_s": 2}],
    "limits": {"low_steps": 1000, "high_steps": 40000},
    "port": {"link": "focuser-port"},
}
PROFILE = build_profile(case_fit(), case_facts())


def config_with(**port: Any) -> Config:
    return config_from_dict({**RAW, "port": {**RAW["port"], **port}}, file="rig.toml")


class Air:
    def __init__(self, value_c: float) -> None:
        self.value_c: float | None = value_c

    def read(self) -> Reading:
        if self.value_c is None:
            raise SensorFailed("no probe")
        return Reading(self.value_c, 0.0)


def test_the_approach_is_the_profiles() -> None:
    approach = approach_from(PROFILE, config_with(), simulated=False)
    assert approach.final_sign == PROFILE.final_sign_counts
    assert approach.overshoot_steps == PROFILE.overshoot_steps
    assert approach.backlash_steps == PROFILE.backlash_steps.value


def test_a_profile_of_another_kind_of_rig_is_refused() -> None:
    simulated = build_profile(case_fit(), case_facts(simulated=True))
    with pytest.raises(PortRefused, match="made on the simulated rig; its numbers mean nothing on hardware"):
        approach_from(simulated, config_with(), simulated=False)
    with pytest.raises(PortRefused, match="made on hardware"):
        approach_from(PROFILE, config_with(), simulated=True)


def test_counts_that_run_the_other_way_are_refused() -> None:
    falling = build_profile(case_fit(), case_facts(outward="falling"))
    with pytest.raises(PortRefused, match=r'focuser\.outward = "falling"'):
        approach_from(falling, config_with(), simulated=False)


def test_without_a_known_overshoot_there_is_no_port() -> None:
    profile = PROFILE.model_copy(update={"overshoot_steps": None})
    with pytest.raises(PortRefused, match="how far to go past a target"):
        approach_from(profile, config_with(), simulated=False)


def test_a_filters_offset_is_added() -> None:
    shift = shift_from(PROFILE, config_with(), None, "R")
    assert shift.steps() == round(OFFSETS["R"])
    shift.set_filter(None)
    assert shift.steps() == 0
    with pytest.raises(PortRefused, match=r"does not know the filter 'X'; it knows L, R, G, B, Ha"):
        shift.set_filter("X")
    assert shift.steps() == 0


def test_the_temperature_is_followed_from_the_opening_on() -> None:
    air = Air(12.0)
    shift = shift_from(PROFILE, config_with(temperature=True), air, None)
    assert shift.steps() == 0
    air.value_c = 7.0
    assert shift.steps() == round(ALPHA * -5.0)
    air.value_c = None
    assert shift.steps() == round(ALPHA * -5.0)  # its last word holds


def test_a_temperature_that_cannot_be_followed_is_refused() -> None:
    with pytest.raises(PortRefused, match=r"no \[thermometer\]"):
        shift_from(PROFILE, config_with(temperature=True), None, None)
    unknown = case_fit(
        temperature_coefficient_steps_per_c=None,
        flags=(flag("temperature_constant", "temperature_coefficient_steps_per_c", "it did not move"),),
    )
    with pytest.raises(PortRefused, match="coefficient is not known: it did not move"):
        shift_from(build_profile(unknown, case_facts()), config_with(temperature=True), Air(3.0), None)


def test_the_ports_own_limits() -> None:
    assert port_limits(config_with()) == Limits(1000, 40000)
    assert port_limits(config_with(low_steps=5000, high_steps=30000)) == Limits(5000, 30000)


@pytest.mark.parametrize(
    ("port", "complaint"),
    [
        ({}, "one is needed"),
        ({"link": "a", "listen": "127.0.0.1:5000"}, "choose one"),
        ({"listen": "192.168.1.5:5000"}, "anyone on the network"),
        ({"listen": "0.0.0.0:5000"}, "anyone on the network"),
        ({"listen": "127.0.0.1:70000"}, "from 1 to 65535"),
        ({"link": "a", "low_steps": 10}, "must lie inside"),
        ({"link": "a", "low_steps": 9000, "high_steps": 2000}, "must be below port.high_steps"),
    ],
)
def test_contradictions_in_the_table_are_told(port: dict[str, Any], complaint: str) -> None:
    with pytest.raises(ConfigErrors, match=complaint):
        config_from_dict({**RAW, "port": port}, file="rig.toml")


def test_loopback_by_any_of_its_names_is_accepted() -> None:
    for host in ("127.0.0.1", "localhost"):
        config_from_dict({**RAW, "port": {"listen": f"{host}:5000"}}, file="rig.toml")
