"""How many frames the simulated rig renders in a second of one core, and how many numbers it draws."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from drivers.simulated.client import start_rig
from tests.benchmarks.timing import show

FRAMES, NUMBERS = 12, 300


def run() -> None:
    """Print frames per second for either rig, and drawn looks per second."""
    for name in ("refractor-112", "reflector-190"):
        with tempfile.TemporaryDirectory() as folder, start_rig(Path(folder), rig=name) as rig:
            rig.put_mask(on=True)
            rig.camera.expose(2.0, "L")  # the first one builds what the others share
            began = time.monotonic()
            for _ in range(FRAMES):
                rig.camera.expose(2.0, "R")
            show(f"{name}: frames rendered and written", FRAMES / (time.monotonic() - began), "/s")
            rig.camera.look(2.0, "R")
            began = time.monotonic()
            for _ in range(NUMBERS):
                rig.camera.look(2.0, "R")
            show(f"{name}: looks drawn", NUMBERS / (time.monotonic() - began), "/s")
