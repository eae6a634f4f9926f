"""What a run costs beyond what the rig itself needs: wall time over exposure, readout, wheel and motion.

On the simulated rig at real speed, so that a second is a second, with small frames measured as in the field.
The rig's own time comes from its virtual clock, which stands still while frames are measured, fits are made
and journals are written: everything that the program adds is the difference.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from daemon.config import Config
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import default_config
from daemon.worker import Worker
from drivers.simulated.client import start_rig
from tests.benchmarks.timing import show

SEED = 3
AIM = "aim: at most 1.05"


def run() -> None:
    """Print the ratio of a run's wall time to the rig's own, rendering left out as no camera has any."""
    config = default_config()
    wanted = tuple(item for item in config.filters if item.name in ("L", "R", "G"))
    config = config.model_copy(update={"filters": wanted})
    options = StageOptions(surrogate=True)
    with (
        tempfile.TemporaryDirectory() as name,
        start_rig(Path(name) / "rig", seed=SEED, speed=1.0) as rig,
        rehearsing(config, SEED, out=Path(name) / "out", options=options, rig=rig) as stage,
    ):
        began, clock_began = time.monotonic(), rig.clock.monotonic()
        stage.perform()
        wall, own = time.monotonic() - began, rig.clock.monotonic() - clock_began
        looks = len(stage.end.ledger.observations)
    show("looks of the run", float(looks), "")
    show("the rig's own time", own, "s")
    show("wall time over the rig's own, looks drawn as numbers", wall / own, "", AIM)
    frames(config)


def frames(config: Config) -> None:
    """Print what measuring a frame adds to one of two seconds."""
    from daemon.desk import Desk

    worker = Worker(Desk, (config, True))
    try:
        with tempfile.TemporaryDirectory() as name, start_rig(Path(name) / "rig", seed=SEED) as rig:
            rig.put_mask(on=True)
            paths = [rig.camera.expose(2.0, "L", number=number) for number in range(12)]
            spent = []
            for index, path in enumerate(paths):
                began = time.monotonic()
                worker.call("measure", str(path), [str(one) for one in paths[:index]], deadline_s=300.0)
                spent.append(time.monotonic() - began)
    finally:
        worker.close()
    later = sorted(spent[7:])[len(spent[7:]) // 2]
    show("measuring a frame once the mask is learnt: median", later, "s")
    show("as a share of its 2 s exposure and 0.8 s readout", later / 2.8, "", "aim: under 0.05")
