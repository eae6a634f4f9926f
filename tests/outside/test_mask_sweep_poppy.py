"""Sweeps through focus made by poppy, measured from their FITS files: crossings and signs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import poppy_frames
import pytest
from masked_star import Bahtinov, Light, Telescope, expected_spike_error_px
from sweeps import STAMP_PX, config_text, line_through, sweep, write_folder

from daemon.config import load_config
from daemon.frame_result import FrameResult
from daemon.measurement import FrameMeter

REFRACTOR = Telescope()
REFLECTOR = Telescope(1750.0, 190.0, 0.38, 3.9, (45.0, 135.0, 225.0, 315.0), 1.5)
LIGHTS = {"G": Light(530.0, 50.0, 4e5), "H": Light(656.3, 7.0, 2e5)}
CROSSINGS_UM = {"G": 7.3, "H": -11.6}

# The plain case, told of the mask and not turned beyond half a turn, is in `test_analyse_poppy`.
CASES = {
    "other layout, turned": (
        REFRACTOR,
        Bahtinov(3.6, 20.0, 0.5, 251.0, -1),
        "[mask]\nslit_period_mm = 3.6\narm_angle_deg = 20",
    ),
    "obstructed, vanes": (
        REFLECTOR,
        Bahtinov(9.0, 22.0, 0.5, 118.0, 1),
        "[mask]\nslit_period_mm = 9\narm_angle_deg = 22",
    ),
    "nothing said of the mask": (REFRACTOR, Bahtinov(4.1, 18.0, 0.45, 140.0, -1), ""),
}


def measured(folder: Path, name: str) -> tuple[list[FrameResult], list[float], list[float]]:
    telescope, mask, table = CASES[name]

    def make(light: Light, defocus_um: float, star_px: tuple[float, float], number: int) -> np.ndarray:
        return poppy_frames.masked_star(
            telescope,
            mask,
            light,
            defocus_um,
            size_px=STAMP_PX,
            star_px=star_px,
            blur_fwhm_px=2.2,
            seed=number,
        )

    reach_um = 4.4 * telescope.focal_ratio**2
    looks = sweep(make, LIGHTS, CROSSINGS_UM, list(np.linspace(-reach_um, reach_um, 6)), seed=5)
    paths = write_folder(looks, folder)
    config = folder / "rig.toml"
    config.write_text(config_text(telescope, LIGHTS, table))
    results = FrameMeter(load_config(config)).measure_all(paths)
    return results, [look.position_um for look in looks], [look.defocus_um for look in looks]


@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", CASES)
def test_a_sweep_by_poppy_gives_its_crossings_back(name: str, tmp_path: Path) -> None:
    telescope, mask, _ = CASES[name]
    results, positions_um, defoci_um = measured(tmp_path, name)
    assert all(result.measured for result in results), [result.flags for result in results]
    for filter_name, crossing_um in CROSSINGS_UM.items():
        chosen = [number for number, result in enumerate(results) if result.filter == filter_name]
        line = line_through(
            [positions_um[number] for number in chosen], [results[number].defocus_um for number in chosen]
        )
        assert line.crossing_um == pytest.approx(crossing_um, abs=2.0)
    # One fitting, one sign: the mask's orientation is taken in [0, 180), so a mask that was put on beyond
    # it reads with the opposite sign in every frame, and says that the sign is not known.
    sign = 1.0 if mask.orientation_deg < 180.0 else -1.0
    for result, defocus_um in zip(results, defoci_um, strict=True):
        assert "sign_unknown" in result.flags
        expected_px = sign * expected_spike_error_px(telescope, mask, defocus_um)
        assert result.spike_error_px == pytest.approx(
            expected_px, abs=max(4.0 * result.spike_error_u_px, 0.05)
        )
