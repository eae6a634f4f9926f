"""Made-up masked stars for the tests of measuring: drawn from the forward model, with noise by seed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from routines.measure.cutout import Cutout
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.measure.model import MaskedStar, StarState
from routines.measure.templates import Window, make_templates
from routines.optics import Band, Mask, Optics

OPTICS = Optics(588.0, 112.0, 0.0, 3.9)
MASK = Mask(3.6, 20.0, 0.5, 33.0, 1)
BANDS = {band.name: band for band in (Band("Ha", 656.3, 6.0), Band("G", 530.0, 60.0))}
SIZE_PX = 160
READ_NOISE = 1.6


def star_model(filter_name: str = "Ha", mask: Mask = MASK, reach_um: float = 280.0) -> MaskedStar:
    """Return the model of a star through a filter."""
    return MaskedStar(make_templates(OPTICS, mask, BANDS[filter_name], Window.around(SIZE_PX), reach_um))


def made(
    model: MaskedStar,
    state: StarState,
    seed: int,
    sky: float | np.ndarray = 20.0,
    ceiling: float = 6e4,
    name: str = "Ha",
) -> Cutout:
    """Return a noisy cut-out of a star."""
    rng = np.random.default_rng(seed)
    expected = np.clip(model.image(state), 0.0, None) + sky
    pixels = rng.poisson(expected) + rng.normal(0.0, READ_NOISE, expected.shape)
    return Cutout(pixels.astype(np.float32), pixels < ceiling, 0, 0, READ_NOISE, name, 4.0)


def state(defocus_um: float, electrons: float, blur_px: float = 2.5) -> StarState:
    """Return a star a little off the cut-out's middle."""
    return StarState(defocus_um, SIZE_PX / 2 + 0.3, SIZE_PX / 2 - 0.2, blur_px, electrons)


def knowing_meter(mask: Mask = MASK) -> MaskMeter:
    """Return a meter that has already learnt a mask's geometry."""
    meter = MaskMeter(OPTICS, MaskHint(mask.slit_period_mm, mask.arm_angle_deg), BANDS)
    meter.restore(Learnt(Geometry(OPTICS, mask), sign_known=True, tilt_decided=True, frames=4))
    return meter


def turned(mask: Mask, degrees: float) -> Mask:
    """Return a mask put on at another angle."""
    return replace(mask, orientation_deg=mask.orientation_deg + degrees)
