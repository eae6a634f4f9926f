"""How much the atmosphere itself moves the spikes: a scatter that no photon count removes.

Turbulence tilts the wavefront differently over the mask's half and its two quarters, which looks like
defocus. The spike error is a linear functional of the phase over the openings, so its variance follows from
Kolmogorov's structure function, 6.88 (rho / r0)^(5/3) (Kolmogorov 1941; Fried 1966), integrated over pairs
of points of the real openings; frozen flow past the aperture averages it during the exposure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from routines.optics import Array, Mask, Optics

# Wind over the turbulent layers: about 10 m/s is typical of good sites (common practice, from memory).
TYPICAL_WIND_M_PER_S = 10.0
_POINTS_ACROSS = 18
_LONGEST_LAG_APERTURES = 6.0
_LAGS = 48


@dataclass(frozen=True, slots=True, eq=False)
class SpikeTurbulence:
    """The spike error's autocorrelation with shift of the phase screen, for r0 = 1 mm and phase in rad.

    ``lags_mm`` and ``correlation`` (rad^2/mm^2 of mean wavefront gradient at r0 = 1 mm) have one shape.
    """

    lags_mm: Array
    correlation: Array

    def variance_rad2(
        self, wavelength_um: float, r0_mm: float, exposure_s: float, wind_m_per_s: float
    ) -> float:
        """Return the variance of the spike error as an angle on the sky, averaged over an exposure."""
        drift_mm = max(wind_m_per_s * 1e3 * exposure_s, 1e-6)
        lags, values = self.lags_mm, self.correlation
        if drift_mm < lags[-1]:
            fine = np.linspace(0.0, drift_mm, 200)
            lags, values = fine, np.interp(fine, lags, values)
        integral = float(np.trapezoid((1.0 - lags / drift_mm) * values, lags))
        mean = max(2.0 / drift_mm * integral, 0.0)
        gradient_to_angle = wavelength_um * 1e-3 / (2.0 * math.pi)
        return float(mean * r0_mm ** (-5.0 / 3.0) * gradient_to_angle**2)


def spike_turbulence(optics: Optics, mask: Mask) -> SpikeTurbulence:
    """Return the correlation of the spike error for the openings of a mask over an aperture."""
    places, weights = spike_error_weights(optics, mask)
    lags = np.concatenate([[0.0], np.geomspace(0.02, _LONGEST_LAG_APERTURES, _LAGS)]) * optics.aperture_mm
    correlation = np.mean(
        [_correlation(places, weights, lags, turn) for turn in (0.0, 0.25, 0.5, 0.75)], axis=0
    )
    return SpikeTurbulence(lags, np.asarray(correlation))


def spike_error_weights(optics: Optics, mask: Mask) -> tuple[Array, Array]:
    """Return points (mm, shape (n, 2), in the mask's own axes) and the weight of each one's phase.

    The weighted sum of the phase (rad) is the spike error as a mean phase gradient (rad/mm): least-squares
    tilts of the openings, combined as the lines through their displaced images cross.
    """
    outer = optics.aperture_mm / 2.0
    axis = (np.arange(_POINTS_ACROSS) + 0.5) / _POINTS_ACROSS * 2.0 * outer - outer
    u, v = (grid.ravel() for grid in np.meshgrid(axis, axis))
    inside = (np.hypot(u, v) <= outer) & (np.hypot(u, v) >= outer * optics.obstruction_ratio)
    u, v = u[inside], v[inside]
    lean = 0.5 * mask.tilt * math.tan(math.radians(mask.arm_angle_deg))
    weights = _tilt_weights(u, v, u < 0.0)[0]
    upper, lower = _tilt_weights(u, v, (u > 0.0) & (v > 0.0)), _tilt_weights(u, v, (u > 0.0) & (v < 0.0))
    weights = weights - 0.5 * (upper[0] + lower[0]) + lean * (upper[1] - lower[1])
    return np.stack([u, v], axis=1), weights


def _tilt_weights(u: Array, v: Array, opening: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return the weights whose sum with the phase is an opening's least-squares gradient along u and v."""
    terms = np.stack([np.ones(int(opening.sum())), u[opening], v[opening]], axis=1)
    solved = np.linalg.pinv(terms)
    along_u, along_v = np.zeros(len(u)), np.zeros(len(u))
    along_u[opening], along_v[opening] = solved[1], solved[2]
    return along_u, along_v


def _correlation(places: Array, weights: Array, lags_mm: Array, half_turns: float) -> Array:
    """Return -1/2 sum w w' D(r - r' + lag) for lags along one wind direction, r0 = 1 mm."""
    wind = np.array([math.cos(math.pi * half_turns), math.sin(math.pi * half_turns)])
    apart = places[:, None, :] - places[None, :, :]
    pairs = weights[:, None] * weights[None, :]
    values = [
        -0.5 * float((pairs * 6.88 * np.hypot(*np.moveaxis(apart + lag * wind, 2, 0)) ** (5.0 / 3.0)).sum())
        for lag in lags_mm
    ]
    return np.asarray(values)


def fried_parameter_mm(blur_fwhm_px: float, wavelength_um: float, optics: Optics) -> float:
    """Return the r0 that a long-exposure width implies, 0.98 lambda / FWHM (Fried 1966).

    Guiding and optics widen the star too, so this errs towards worse seeing and a larger stated scatter.
    """
    fwhm_rad = blur_fwhm_px * optics.pixel_um / (optics.focal_length_mm * 1e3)
    return 0.98 * wavelength_um * 1e-3 / fwhm_rad
