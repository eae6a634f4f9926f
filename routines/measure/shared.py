"""What a mismatch between frame and model does to the defocus when neighbouring pixels share it.

Speckles, aberrations and errors of the drawn mask are wider than a pixel. Taken for noise of each pixel by
itself they would seem to average out over hundreds of pixels; so how much neighbours share is measured on
the residuals, and the fit's own weights are followed through it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from routines.measure.cutout import Cutout
from routines.measure.fitted import StarFit, residuals

_REACH_PX = 4
Image = NDArray[np.float64]


def shared_defocus_u_um(cutout: Cutout, fit: StarFit) -> float:
    """Return the standard uncertainty of a fit's defocus (um) with its mismatch shared between neighbours.

    The variance of a weighted mean of correlated residuals (GUM, 5.2.2): noise pixel by pixel, mismatch over
    all pairs up to 4 px apart. Never less than with the mismatch taken pixel by pixel.
    """
    if fit.mismatch == 0.0:
        return fit.defocus_u_um
    residual, signal, noise = residuals(cutout, fit)
    missed = fit.mismatch * np.maximum(signal, 0.0)
    weight = fit.pull
    worth = np.where(fit.used, missed / (noise + missed**2), 0.0)
    seen, expected, drawn = (_by_lag(image) for image in (residual * worth, missed * worth, weight * missed))
    share = np.clip(seen[1:] / expected[1:], -1.0, 1.0)
    together = float(drawn[0] + 2.0 * (share * drawn[1:]).sum())
    return math.sqrt(float((weight**2 * noise).sum()) + max(together, float(drawn[0])))


def _by_lag(image: Image) -> NDArray[np.float64]:
    """Return an image's sums of products over pairs of pixels, by their lag: none first, then half of all.

    By the autocorrelation theorem, with room at the edges for the longest lag.
    """
    side = fft.next_fast_len(len(image) + _REACH_PX, real=True)
    spectrum = fft.rfft2(image, s=(side, side))
    sums = fft.irfft2(np.abs(spectrum) ** 2, s=(side, side))
    return np.asarray([sums[down, across] for down, across in _LAGS_PX])


_LAGS_PX = [
    (down, across)
    for down in range(_REACH_PX + 1)
    for across in range(-_REACH_PX, _REACH_PX + 1)
    if (down, across) >= (0, 0) and math.hypot(down, across) <= _REACH_PX
]
