"""The temperature routine end to end: focus followed while a simulated tube cools, beside the rig's truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.desk import Desk
from daemon.nights import night_crossings
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import default_config
from drivers.simulated.truth import true_numbers
from routines.quantity import Quantity
from routines.scripts.temperature import Temperature

# The tube follows the air by five minutes and the probe by one, so that neither reads what focus goes with.
COOLING = """base = "refractor-112"

[weather]
waves = []
drop_c = 5.0
drop_s = 9000.0
tube_lag_s = 300.0
probe_lag_s = 60.0
probe_noise_c = 0.03
"""
WANTED_C = 3.0


@pytest.mark.parametrize("seed", [3])
def test_the_coefficient_of_a_cooling_tube_is_right_within_its_interval(tmp_path: Path, seed: int) -> None:
    rig = tmp_path / "cooling.toml"
    rig.write_text(COOLING)
    config = default_config()
    simulated = config.simulated.model_copy(update={"rig": str(rig), "seed": seed})
    config = config.model_copy(update={"simulated": simulated})
    how = Temperature(wanted_c=WANTED_C, every_s=600.0)
    options = StageOptions(surrogate=True, routine="temperature", how=how)
    with rehearsing(config, seed, out=tmp_path / "out", options=options) as stage:
        stage.perform()
        end, profile = stage.end, stage.concluded()
    truth = true_numbers(str(rig), seed).temperature_coefficient_steps_per_c
    assert end.state == "done", end.result
    assert end.result["moved_c"] >= WANTED_C
    # What one night's profile says, and what is said of all nights together, here of the one.
    assert profile is not None
    own = profile.temperature_coefficient_steps_per_c
    told = Desk(config, False).nights(night_crossings([], end))["coefficient"]
    assert own is not None and told is not None
    for found in (own.quantity, Quantity.from_dict(told)):
        assert found.low95 <= truth <= found.high95
        # Known well enough to be of use: five degrees of cooling, to a tenth of what they do.
        assert found.u is not None and found.u < 0.1 * abs(truth)
    assert all(seen.filter == config.reference_filter for seen in end.ledger.observations)
