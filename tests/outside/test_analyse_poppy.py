"""The main job on frames from elsewhere: a folder by poppy, its focuser with play, to a profile."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import poppy_frames
import pytest
from masked_star import Bahtinov, Light, Sensor, Telescope, recorded
from sweeps import STAMP_PX, STEP_UM, Look, config_text, write_folder

from daemon.cli import run_command

TELESCOPE = Telescope()
MASK = Bahtinov(3.6, 20.0, 0.47, 52.0, 1, 0.2)
LIGHTS = {"G": Light(530.0, 10.0, 3e5), "R": Light(640.0, 10.0, 3e5)}
INWARD_CROSSING_STEPS = {"G": 12.0, "R": 31.0}
PLAY_STEPS = 64.0


class LooseDrive:
    """A drawtube that follows its motor only when one flank or the other is engaged."""

    def __init__(self) -> None:
        self.tube_steps = 0.0

    def moved_to(self, motor_steps: float) -> float:
        self.tube_steps = min(max(self.tube_steps, motor_steps - PLAY_STEPS), motor_steps)
        return self.tube_steps


def in_out_in() -> list[tuple[float, str]]:
    """Return motor positions and filters: inward, outward and inward again, every 40 steps."""
    inward = [float(place) for place in range(120, -121, -40)]
    outward = [float(place) for place in range(-80, 181, 40)]
    back = [float(place) for place in range(120, -81, -40)]
    return [(place, name) for place in inward + outward + back for name in LIGHTS]


@pytest.mark.timeout(900)
def test_a_folder_by_poppy_becomes_a_profile_with_the_right_numbers(tmp_path: Path) -> None:
    drive = LooseDrive()
    drive.moved_to(400.0)
    rng = np.random.default_rng(8)
    looks = []
    for number, (motor, name) in enumerate(in_out_in()):
        defocus_um = (drive.moved_to(motor) - INWARD_CROSSING_STEPS[name]) * STEP_UM
        middle = (STAMP_PX - 1) / 2.0 + rng.uniform(-4.0, 4.0, 2)
        image = poppy_frames.masked_star(
            TELESCOPE,
            MASK,
            LIGHTS[name],
            defocus_um,
            size_px=STAMP_PX,
            star_px=(middle[0], middle[1]),
            blur_fwhm_px=2.2,
            seed=number,
        )
        padded = np.pad(image, 40)
        looks.append(Look(name, motor * STEP_UM, defocus_um, recorded(padded, Sensor(), number)))
    frames = tmp_path / "frames"
    frames.mkdir()
    write_folder(looks, frames)
    config = tmp_path / "rig.toml"
    config.write_text(config_text(TELESCOPE, LIGHTS, "[mask]\nslit_period_mm = 3.6\narm_angle_deg = 20"))

    code = run_command(["analyse", str(frames), "--config", str(config), "--out", str(tmp_path / "out")])
    assert code == 0
    profile = json.loads((tmp_path / "out" / "profile.json").read_text())

    two_um = 2.0 / STEP_UM
    assert profile["backlash_steps"]["value"] == pytest.approx(PLAY_STEPS, abs=two_um)
    for entry in profile["filters"]:
        crossing = INWARD_CROSSING_STEPS[entry["name"]]
        offset = crossing - INWARD_CROSSING_STEPS["G"]
        assert entry["offset_steps"]["value"] == pytest.approx(offset, abs=two_um)
        assert entry["crossing_inward_steps"]["value"] == pytest.approx(crossing, abs=two_um)
        assert entry["crossing_outward_steps"]["value"] == pytest.approx(crossing + PLAY_STEPS, abs=two_um)
    # The scale follows from optics and mask alone, and the mask's layout was told by the frames.
    assert profile["step_um"]["value"] == pytest.approx(STEP_UM, rel=0.03)
