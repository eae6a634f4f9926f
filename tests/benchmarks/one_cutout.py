"""One 256 x 256 cut-out: the time to read it, tracked and from scratch, and to prepare its filter.

A frame's worth of sep's background and extraction on the same pixels stands beside it.
"""

from __future__ import annotations

import numpy as np

from routines.measure.capture import Hint
from routines.measure.cutout import Cutout
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.measure.model import StarState
from routines.optics import Band, Mask, Optics
from tests.benchmarks.large_frame import sep_background_and_extract
from tests.benchmarks.timing import least_time_s, show

SIZE_PX = 256
OPTICS, MASK = Optics(588.0, 112.0, 0.0, 3.9), Mask(3.6, 20.0, 0.48, 33.0, 1)
BANDS = {"N": Band("N", 656.3, 7.0), "G": Band("G", 530.0, 90.0)}


def meter() -> MaskMeter:
    """Return a meter that knows the mask and has prepared nothing."""
    made = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    made.restore(Learnt(Geometry(OPTICS, MASK, "gaussian"), True, True, 4))
    return made


def cutout(star: MaskMeter, name: str, defocus_um: float, electrons: float) -> Cutout:
    """Return a noisy cut-out drawn from the model: only its time counts here."""
    image = star.star(name, SIZE_PX).image(StarState(defocus_um, 128.3, 127.6, 2.4, electrons))
    rng = np.random.default_rng(3)
    pixels = rng.poisson(np.clip(image, 0.0, None) + 20.0) + rng.normal(0.0, 1.6, image.shape)
    return Cutout(pixels.astype(np.float32), pixels < 6e4, 0, 0, 1.6, name, 4.0)


def run() -> None:
    """Print the times for a narrow and a broad filter."""
    for name in BANDS:
        prepare = least_time_s(lambda name=name: meter().star(name, SIZE_PX), 2)
        star = meter()
        piece = cutout(star, name, 42.0, 3e5)
        hint = Hint(45.0, 25.0, 2.4)
        star.measure(piece, hint)
        tracked = least_time_s(lambda star=star, piece=piece, hint=hint: star.measure(piece, hint))
        scratch = least_time_s(lambda star=star, piece=piece: star.measure(piece), 2)
        yardstick = least_time_s(lambda piece=piece: sep_background_and_extract(piece.pixels))
        show(f"{BANDS[name].width_nm:.0f} nm: prepare the filter, once", prepare, "s", "aim: under 2")
        show("  read a cut-out near where it is expected", tracked * 1e3, "ms", "aim: under 60")
        show("  as a multiple of sep on the same pixels", tracked / yardstick, "")
        show("  read it without a first guess", scratch * 1e3, "ms")
