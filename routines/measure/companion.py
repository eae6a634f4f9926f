"""Notice another star near the measured one: light that stands where the pattern has little."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from routines.measure.cutout import Cutout
from routines.measure.fit import StarFit, residuals
from routines.measure.model import MaskedStar

_LEAST_SNR = 8.0
_LEAST_SHARE = 0.003
_ABOVE_PATTERN = 3.0
_CORE_PX = 6.0


def has_companion(star: MaskedStar, cutout: Cutout, fit: StarFit) -> bool:
    """Tell whether another star's core stands in a cut-out beyond the noise and beyond the pattern itself.

    Judged on the light in 5 x 5 px: it must exceed noise, a share of the star's own flux (a star fainter
    than that does not disturb the fit), and what the pattern itself puts there.
    """
    residual, signal, variance = residuals(star, cutout, fit)
    area = 25.0
    extra = ndimage.uniform_filter(np.where(fit.used, residual, 0.0), 5) * area
    noise = np.sqrt(ndimage.uniform_filter(variance, 5) * area)
    pattern = ndimage.uniform_filter(np.abs(signal), 5) * area
    y, x = np.indices(residual.shape)
    outside = fit.used & (np.hypot(x - fit.state.x_px, y - fit.state.y_px) > _CORE_PX)
    clear = (extra > _LEAST_SNR * noise) & (extra > _LEAST_SHARE * fit.state.flux_electrons)
    return bool((clear & outside & (extra > _ABOVE_PATTERN * pattern)).any())
