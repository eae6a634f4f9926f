"""How far from focus a single frame is read, without a first guess: seeded frames by poppy, and a table.

Right is within four of its own u of the truth and of the right sign; told is a null or a flag that says that
the value is rough; lost is a null where none may be (to four critical focus zones from 2e4 electrons);
confident and wrong must never be.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from functools import partial
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "outside"))

import numpy as np
import poppy_frames
from masked_star import Bahtinov, Light, Sensor, Telescope, recorded

from routines.flags import kind_of
from routines.measure.cutout import Cutout, Detector, cut
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.measure.reading import MaskReading
from routines.optics import Band, Mask, Optics, critical_focus_zone_um
from tests.benchmarks.spread import over_cores
from tests.benchmarks.timing import record

SIZE_PX, BLUR_PX, FAR = 192, 2.3, 4.0
SENSOR = Sensor()
OPTICS, MASK = Optics(588.0, 112.0, 0.0, 3.9), Mask(3.6, 20.0, 0.48, 33.0, 1)
BANDS = {"N": Band("N", 656.3, 7.0)}
ZONES = (-5.5, -4.0, -3.1, -2.0, -1.0, -0.3, 0.2, 0.8, 1.6, 2.7, 3.4, 4.0, 5.0)
ELECTRONS = (1e3, 5e3, 2e4, 1e5)
CERTAIN_FROM_ELECTRONS = 2e4
KINDS = ("right", "told", "lost", "WRONG")


def meter() -> MaskMeter:
    """Return a meter that knows the mask and nothing of any frame."""
    made = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    made.restore(Learnt(Geometry(OPTICS, MASK, "gaussian"), True, True, 4))
    return made


def noiseless(zones: float) -> tuple[float, np.ndarray]:
    """Return the defocus (um) and poppy's image of one electron at so many critical focus zones."""
    defocus_um = zones * critical_focus_zone_um(0.6563, OPTICS)
    image = poppy_frames.masked_star(
        Telescope(), Bahtinov(3.6, 20.0, 0.48, 33.0, 1), Light(656.3, 7.0, 1.0), defocus_um,
        size_px=SIZE_PX, star_px=(95.8, 96.3), blur_fwhm_px=BLUR_PX, seed=5,
    )  # fmt: skip
    return defocus_um, image


def verdict(reading: MaskReading, defocus_um: float, electrons: float) -> str:
    """Return what became of one frame."""
    zone_um = critical_focus_zone_um(0.6563, OPTICS)
    certain = electrons >= CERTAIN_FROM_ELECTRONS and abs(defocus_um) <= FAR * zone_um + 1e-6
    if reading.defocus_um is None or reading.defocus_u_um is None:
        assert any(kind_of(code) == "refusal" for code in reading.flags)
        return "lost" if certain else "told"
    if abs(reading.defocus_um - defocus_um) < 4.0 * reading.defocus_u_um:
        return "right"
    return "told" if "far_from_focus" in reading.flags else "WRONG"


def counted(star: MaskMeter, zones: float, electrons: float, frames: int) -> Counter[str]:
    """Return how many of so many noisy frames of one setting ended how."""
    defocus_um, image = noiseless(zones)
    seen: Counter[str] = Counter()
    for number in range(frames):
        reading = star.measure(noisy(electrons * image, 1000 * number + round(100 * (zones + 10.0))))
        seen[verdict(reading, defocus_um, electrons)] += 1
    return seen


def counted_afresh(setting: tuple[float, float], frames: int) -> Counter[str]:
    """Return the same for a setting's electrons and zones, by a meter of its own."""
    electrons, zones = setting
    return counted(meter(), zones, electrons, frames)


def cutout(zones: float, electrons: float, seed: int) -> Cutout:
    """Return one noisy frame of a setting, cut out."""
    return noisy(electrons * noiseless(zones)[1], seed)


def noisy(expected: np.ndarray, seed: int) -> Cutout:
    detector = Detector(1.0, SENSOR.read_noise_electrons, SENSOR.ceiling_adu, SENSOR.pedestal_adu)
    frame = recorded(expected, SENSOR, seed)
    return cut(frame, SIZE_PX / 2, SIZE_PX / 2, SIZE_PX, detector, "N", 4.0)


def run(frames: int = 10) -> None:
    """Print the table."""
    print(f"  {'electrons':>10} {'zones':>7}  " + "".join(f"{kind:>7}" for kind in KINDS))
    settings, total = list(product(ELECTRONS, ZONES)), Counter[str]()
    each = over_cores(partial(counted_afresh, frames=frames), settings)
    for (electrons, zones), seen in zip(settings, each, strict=True):
        total += seen
        counts = "".join(f"{seen[kind]:7d}" for kind in KINDS)
        print(f"  {electrons:10.0e} {zones:+7.1f}  {counts}", flush=True)
    record(f"frames without a first guess, of {total.total()}: lost", total["lost"], "", "aim: 0")
    record(f"frames without a first guess, of {total.total()}: wrong", total["WRONG"], "", "aim: 0")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=10, help="noisy frames a setting")
    run(parser.parse_args().frames)
