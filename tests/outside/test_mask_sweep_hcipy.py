"""A sweep through focus made by hcipy through an evolving atmosphere, measured from its FITS files."""

from __future__ import annotations

from pathlib import Path

import hcipy_frames
import numpy as np
import pytest
from masked_star import Bahtinov, Light, Telescope
from sweeps import STAMP_PX, config_text, line_through, sweep, write_folder

from daemon.config import load_config
from daemon.measurement import FrameMeter

TELESCOPE = Telescope()
MASK = Bahtinov(3.6, 20.0, 0.48, 67.0, -1)
TABLE = "[mask]\nslit_period_mm = 3.6\narm_angle_deg = 20"
LIGHTS = {"G": Light(530.0, 40.0, 4e5), "H": Light(656.3, 7.0, 2e5)}
CROSSINGS_UM = {"G": -8.2, "H": 13.4}
EXPOSURE_S = 0.125
# 8 m/s carry 1 m of air past: an instant each 63 mm, about the length over which its defocus forgets itself
# (0.55 apertures). Further apart they would scatter more than the exposure that they stand for.
INSTANTS = 16
# The next frame begins when the wind has carried all of this air away, 43 apertures further on.
EVERY_S = 0.6


@pytest.mark.timeout(600)
def test_a_sweep_through_hcipys_air_gives_its_crossings_back(tmp_path: Path) -> None:
    turbulence = hcipy_frames.Turbulence(hcipy_frames.Air(110.0), TELESCOPE, seed=4)

    def make(light: Light, defocus_um: float, star_px: tuple[float, float], number: int) -> np.ndarray:
        return hcipy_frames.masked_star(
            TELESCOPE,
            MASK,
            light,
            defocus_um,
            size_px=STAMP_PX,
            star_px=star_px,
            turbulence=turbulence,
            start_s=EVERY_S * number,
            exposure_s=EXPOSURE_S,
            instants=INSTANTS,
            seed=number,
        )

    looks = sweep(make, LIGHTS, CROSSINGS_UM, list(np.linspace(-115.0, 115.0, 7)), seed=6)
    paths = write_folder(looks, tmp_path, EXPOSURE_S)
    config = tmp_path / "rig.toml"
    config.write_text(config_text(TELESCOPE, LIGHTS, TABLE))
    results = FrameMeter(load_config(config)).measure_all(paths)

    assert all(result.measured for result in results), [result.flags for result in results]
    for name, crossing_um in CROSSINGS_UM.items():
        chosen = [number for number, result in enumerate(results) if result.filter == name]
        line = line_through(
            [looks[number].position_um for number in chosen],
            [results[number].defocus_um for number in chosen],
        )
        assert line.slope > 0.9  # the mask's orientation lies below 180 degrees, so the sign is the true one
        assert line.crossing_um == pytest.approx(crossing_um, abs=2.0)
    surprises = [
        (result.defocus_um - look.defocus_um) / result.defocus_u_um
        for look, result in zip(looks, results, strict=True)
    ]
    # The stated u holds what the air adds: a mean square of 14 normal surprises stays below 2.1 (chi-square,
    # 99 %), and u is not so fat that none of them shows.
    assert 0.3 < np.mean(np.square(surprises)) < 2.1
