"""How much the atmosphere itself seems to defocus a frame: a scatter that no photon count removes.

A fit of the whole pattern matches the wavefront: what it takes for defocus is, to first order in the phase,
the least-squares parabola of the phase over the openings, level and tilt being free. (Only lines through
three spikes would read the difference of the openings' mean tilts, and scatter 1.7 times as much.) Being a
linear functional of the phase, its variance follows from Kolmogorov's structure function,
6.88 (rho / r0)^(5/3) (Kolmogorov 1941; Fried 1966), integrated over pairs of points of the real openings;
over a full aperture it is Noll's 0.0232 (D/r0)^(5/3) (Noll 1976). Frozen flow past the aperture averages it
during the exposure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from routines.optics import Array, Optics, defocus_phase_rad

# What carries the turbulence averages about 10 m/s at good sites, and scatter goes as its square root alone:
# 5 or 15 m/s make it 1.4 or 0.8 of what is stated (common practice, from memory).
TYPICAL_WIND_M_PER_S = 10.0
# Median outer scales are 20 to 25 m at most sites (Ziad et al. 2000; from memory).
TYPICAL_OUTER_SCALE_MM = 20e3
_POINTS_ACROSS = 18
_LONGEST_LAG_APERTURES = 6.0
_LAGS = 48
_APERTURES_KEPT = 8
_DIGITS_OF_A_MM = 12  # an aperture of one millimetre has its raster's points 0.06 apart
_OUTER_SCALE_ROUNDS = 8
_LARGEST_RATIO = 0.05  # r0 of a metre: beyond it the formula was never meant


@dataclass(frozen=True, slots=True, eq=False)
class DefocusTurbulence:
    """The autocorrelation of the air's parabola with shift of the phase screen, for r0 = 1 mm.

    ``lags_mm`` and ``correlation`` (rad^2/mm^4, of the phase's coefficient of r^2) have one shape.
    """

    optics: Optics
    lags_mm: Array
    correlation: Array

    def variance_um2(
        self, wavelength_um: float, r0_mm: float, exposure_s: float, wind_m_per_s: float
    ) -> float:
        """Return the variance of the defocus that the air feigns, averaged over an exposure.

        ``r0_mm`` is at that wavelength.
        """
        drift_mm = max(wind_m_per_s * 1e3 * exposure_s, 1e-6)
        lags, values = self.lags_mm, self.correlation
        if drift_mm < lags[-1]:
            fine = np.linspace(0.0, drift_mm, 200)
            lags, values = fine, np.interp(fine, lags, values)
        integral = float(np.trapezoid((1.0 - lags / drift_mm) * values, lags))
        mean = max(2.0 / drift_mm * integral, 0.0)
        one_um = float(defocus_phase_rad(np.ones(1), 1.0, wavelength_um, self.optics)[0])
        return float(mean * r0_mm ** (-5.0 / 3.0) / one_um**2)


def defocus_turbulence(optics: Optics) -> DefocusTurbulence:
    """Return the correlation of the air's parabola over the openings of an aperture.

    The mask's slits are fine against the air's structure: its openings are the aperture's.
    """
    lags, correlation = _behind_one_mm(optics.obstruction_ratio)
    scale = optics.aperture_mm
    # The coefficients' two weights go as one over the square of the aperture, the air as its power of 5/3.
    return DefocusTurbulence(optics, lags * scale, correlation * scale ** (5.0 / 3.0 - 4.0))


@lru_cache(maxsize=_APERTURES_KEPT)
def _behind_one_mm(obstruction_ratio: float) -> tuple[Array, Array]:
    """Return lags (mm) and correlation for an aperture of one millimetre: all others are the same, scaled."""
    places, weights = parabola_weights(Optics(1.0, 1.0, obstruction_ratio, 1.0))
    lags = np.concatenate([[0.0], np.geomspace(0.02, _LONGEST_LAG_APERTURES, _LAGS)])
    # A clear aperture looks alike from everywhere; its square raster hardly less so.
    apart, pairs = _pairs(places, weights)
    correlation = np.mean([_correlation(apart, pairs, lags, turn) for turn in (0.0, 0.125)], axis=0)
    lags.flags.writeable = correlation.flags.writeable = False
    return lags, np.asarray(correlation)


def parabola_weights(optics: Optics) -> tuple[Array, Array]:
    """Return points (mm, shape (n, 2)) of the openings and the weight of each one's phase.

    The weighted sum of the phase (rad) is its least-squares coefficient of r^2 (rad/mm^2), beside level and
    tilt.
    """
    outer = optics.aperture_mm / 2.0
    axis = (np.arange(_POINTS_ACROSS) + 0.5) / _POINTS_ACROSS * 2.0 * outer - outer
    x, y = (grid.ravel() for grid in np.meshgrid(axis, axis))
    radius = np.hypot(x, y)
    inside = (radius <= outer) & (radius >= outer * optics.obstruction_ratio)
    x, y, radius = x[inside] / outer, y[inside] / outer, radius[inside] / outer
    terms = np.stack([radius**2, np.ones_like(x), x, y], axis=1)
    weights = np.asarray(np.linalg.pinv(terms)[0]) / outer**2
    return np.stack([x, y], axis=1) * outer, weights


def _pairs(places: Array, weights: Array) -> tuple[Array, Array]:
    """Return the ways between points of a raster (mm, shape (n, 2)), each once, and sum w w' of its pairs."""
    apart = (places[:, None, :] - places[None, :, :]).reshape(-1, 2)
    ways, which = np.unique(np.round(apart, _DIGITS_OF_A_MM), axis=0, return_inverse=True)
    return ways, np.asarray(np.bincount(which.ravel(), np.outer(weights, weights).ravel()))


def _correlation(apart: Array, pairs: Array, lags_mm: Array, half_turns: float) -> Array:
    """Return -1/2 sum w w' D(r - r' + lag) for lags along one wind direction, r0 = 1 mm."""
    wind = np.array([math.cos(math.pi * half_turns), math.sin(math.pi * half_turns)])
    moved = apart[None, :, :] + lags_mm[:, None, None] * wind
    structure = 6.88 * np.hypot(moved[..., 0], moved[..., 1]) ** (5.0 / 3.0)
    return np.asarray(-0.5 * structure @ pairs)


def fried_parameter_mm(blur_fwhm_px: float, wavelength_um: float, optics: Optics) -> float:
    """Return the r0 that a long-exposure width implies, for a typical outer scale.

    FWHM = 0.98 lambda / r0 sqrt(1 - 2.183 (r0 / L0)^0.356) (Fried 1966; Tokovinin 2002, eq. 19, from memory).
    Guiding and optics widen the star too, so this errs towards worse seeing and a larger stated scatter.
    """
    fwhm_rad = blur_fwhm_px * optics.pixel_um / (optics.focal_length_mm * 1e3)
    endless_mm = r0_mm = 0.98 * wavelength_um * 1e-3 / fwhm_rad
    for _ in range(_OUTER_SCALE_ROUNDS):
        ratio = min(r0_mm / TYPICAL_OUTER_SCALE_MM, _LARGEST_RATIO)
        r0_mm = endless_mm * math.sqrt(1.0 - 2.183 * ratio**0.356)
    return r0_mm
