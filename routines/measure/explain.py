"""What a fit made of a frame, for people: the star as seen, as expected, and what is left over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from routines.measure.cutout import Cutout
from routines.measure.fitted import residuals
from routines.measure.reading import MaskReading


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """Three images of one shape (n, n): ``seen`` and ``expected`` in electrons above the background.

    ``left_over`` is what the fit does not explain, in standard deviations of each pixel's own noise; it and
    ``expected`` are None where the frame was not measured. ``x_px, y_px`` is the star within them.
    """

    seen: NDArray[np.float32]
    expected: NDArray[np.float32] | None
    left_over: NDArray[np.float32] | None
    x_px: float
    y_px: float


def explain(cutout: Cutout, reading: MaskReading) -> Explained:
    """Return a measured cut-out beside the model's image of it; one without a number comes alone."""
    fit, middle = reading.fit, cutout.size_px / 2.0
    if reading.defocus_um is None or fit is None:
        return Explained(cutout.pixels - np.median(cutout.pixels), None, None, middle, middle)
    residual, signal, variance = residuals(cutout, fit)
    noise = np.sqrt(variance + (fit.mismatch * signal) ** 2)
    left = np.where(cutout.usable, residual / noise, 0.0)
    return Explained(
        (residual + signal).astype(np.float32),
        signal.astype(np.float32),
        left.astype(np.float32),
        fit.state.x_px,
        fit.state.y_px,
    )
