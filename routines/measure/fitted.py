"""What the fit of a star to a cut-out gives: its state, how sure it is, and what it leaves of the frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from routines.measure.cutout import Cutout
from routines.measure.foreign import isolated
from routines.measure.model import StarState

Image = NDArray[np.float32]

DEFOCUS, PLACE_X, PLACE_Y, LOG_BLUR, FLUX = range(5)


@dataclass(frozen=True, slots=True, eq=False)
class StarFit:
    """A fitted star: its state, the covariance of (defocus, x, y, log blur, flux, plane), and the match.

    ``background`` is the plane (level, slope_x, slope_y) in electrons and electrons per pixel.
    ``deviance`` is the sum of squared normalised residuals of the used pixels under photon and read noise
    alone, ``mismatch`` the fraction of the star's light by which frame and model differ beyond noise.
    ``light`` is the image of one electron at that state, ``pull`` by how much (um) an electron more in each
    pixel moves the defocus. ``alone`` where in the end nothing was seen but the star and its sky.
    """

    state: StarState
    background: tuple[float, float, float]
    covariance: NDArray[np.float64]
    deviance: float
    degrees_of_freedom: int
    mismatch: float
    converged: bool
    used: NDArray[np.bool_]
    light: Image
    pull: Image
    alone: bool = False

    @property
    def defocus_u_um(self) -> float:
        """Return the standard uncertainty of the defocus."""
        return math.sqrt(self.covariance[DEFOCUS, DEFOCUS])

    @property
    def reduced_deviance(self) -> float:
        """Return the deviance per degree of freedom: 1 when noise explains every residual."""
        return self.deviance / max(self.degrees_of_freedom, 1)


def residuals(
    cutout: Cutout, fit: StarFit
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return residual, star signal and noise variance of each pixel (electrons), shape (n, n) each."""
    signal = (fit.light * np.float32(fit.state.flux_electrons)).astype(np.float64)
    expected = signal + _plane(fit.background, cutout.size_px)
    variance = np.maximum(expected, 1.0) + cutout.read_noise_electrons**2
    return cutout.pixels - expected, signal, variance


def _plane(background: tuple[float, float, float], size_px: int) -> NDArray[np.float64]:
    """Return the background of each pixel (electrons), shape (n, n)."""
    level, slope_x, slope_y = background
    axis = np.arange(size_px) - size_px / 2.0
    return np.asarray((level + slope_y * axis)[:, None] + (slope_x * axis)[None, :])


def light_left_out(cutout: Cutout, fit: StarFit) -> float:
    """Return the light (electrons) left out of a fit beyond what star and sky put there, hot pixels apart."""
    seen = cutout.usable & modelled(cutout.size_px)
    left_out = seen & ~fit.used
    if not left_out.any():
        return 0.0
    residual, signal, variance = residuals(cutout, fit)
    return float(residual[left_out & ~isolated(residual, signal, variance, seen)].sum())


@lru_cache(maxsize=8)
def modelled(size_px: int) -> NDArray[np.bool_]:
    """Return the disc inside a cut-out: in its corners stand orders that the model's grid cannot hold."""
    axis = np.arange(size_px) - size_px / 2.0 + 0.5
    return np.asarray(np.hypot(axis[:, None], axis[None, :]) <= size_px / 2.0)


@lru_cache(maxsize=8)
def background_terms(size_px: int) -> NDArray[np.float64]:
    """Return the background's terms, shape (3, n, n), read-only: level and slopes about the centre."""
    axis = np.arange(size_px) - size_px / 2.0
    ones = np.ones((size_px, size_px))
    terms = np.stack([ones, ones * axis[None, :], ones * axis[:, None]])
    terms.flags.writeable = False
    return terms


def design_matrix(
    image: NDArray[np.float32],
    slopes: NDArray[np.float32],
    plane: NDArray[np.float64],
    used: NDArray[np.bool_],
    flux: float,
) -> NDArray[np.float64]:
    """Return the derivatives of the expected pixels, shape (pixels, 8)."""
    columns = [slope[used] * flux for slope in slopes] + [image[used]] + [term[used] for term in plane]
    return np.stack(columns, axis=1).astype(np.float64)


def balanced_inverse(information: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of an information matrix whose terms have very different units."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-30))
    scaled = information * scale[:, None] * scale[None, :]
    return np.asarray(np.linalg.pinv(scaled, hermitian=True, rcond=1e-12) * scale[:, None] * scale[None, :])
