"""Carries a run on against a rig that already runs, in a process of its own that a test may kill."""

import sys
from pathlib import Path

from calm_rig import calm_config, two_filters

from daemon.rehearsal_stage import StageOptions, rehearsing
from drivers.simulated.client import connect_rig


def main(rig_folder, out, run_id, filters="all"):
    config = calm_config(Path(out))
    if filters == "two_filters":
        config = two_filters(config)
    rig = connect_rig(rig_folder)
    try:
        with rehearsing(config, 3, out=Path(out), rig=rig, options=StageOptions(surrogate=True)) as stage:
            stage.perform(run_id or None)
    finally:
        rig.close()


if __name__ == "__main__":
    main(*sys.argv[1:5])
