"""Learn which way the spikes run: from light along rays, with no model of the optics but three arms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from routines.measure.cutout import Cutout

_BINS_PER_DEG = 2
_BINS = 180 * _BINS_PER_DEG
_INNER_PX = 10.0
_ARM_ANGLES_DEG = np.arange(8.0, 45.5, 0.5)


@dataclass(frozen=True, slots=True)
class Spikes:
    """Directions found: the middle spike in [0, 180), the angle to the outer ones, and how clear it is.

    ``contrast`` is the arms' mean light above the typical direction, in that light's robust scatter.
    """

    middle_deg: float
    arm_angle_deg: float
    contrast: float


def light_by_direction(cutout: Cutout, x_px: float, y_px: float) -> NDArray[np.float64]:
    """Return mean light per direction in half-degree bins over [0, 180), shape (360,).

    Pixels are compared with others at the same distance and clipped, so that neither the star's halo nor
    a hot pixel makes a direction.
    """
    n = cutout.size_px
    y, x = np.mgrid[:n, :n].astype(np.float32)
    dx, dy = x - x_px, y - y_px
    radius = np.hypot(dx, dy)
    used = cutout.usable & (radius > _INNER_PX) & (radius < n / 2)
    ring = (radius[used] / 4.0).astype(int)
    value = cutout.pixels[used].astype(float)
    typical = ndimage.median(value, ring, index=np.arange(ring.max() + 1))
    value -= typical[ring]
    spread = 1.4826 * ndimage.median(np.abs(value), ring, index=np.arange(ring.max() + 1)) + 1e-6
    value = np.clip(value / spread[ring], -4.0, 12.0)
    angle = np.degrees(np.arctan2(dy[used], dx[used])) % 180.0
    place = (angle * _BINS_PER_DEG).astype(int) % _BINS
    total = np.bincount(place, value, _BINS)
    count = np.bincount(place, minlength=_BINS)
    return np.asarray(total / np.maximum(count, 1))


def find_spikes(profiles: list[NDArray[np.float64]], arm_angle_deg: float | None) -> Spikes:
    """Return the three directions that best explain one or more direction profiles, summed."""
    profile = ndimage.gaussian_filter1d(np.sum(profiles, axis=0), 1.5 * _BINS_PER_DEG / 2.0, mode="wrap")
    scatter = 1.4826 * float(np.median(np.abs(profile - np.median(profile)))) + 1e-9
    angles = _ARM_ANGLES_DEG if arm_angle_deg is None else np.array([arm_angle_deg])
    scores = np.array([_three_arm_score(profile, angle) for angle in angles])
    which, middle = np.unravel_index(int(np.argmax(scores)), scores.shape)
    contrast = (float(scores[which, middle]) - float(np.median(profile))) / scatter
    return Spikes(float(middle) / _BINS_PER_DEG + 0.5 / _BINS_PER_DEG, float(angles[which]), contrast)


def _three_arm_score(profile: NDArray[np.float64], arm_angle_deg: float) -> NDArray[np.float64]:
    """Return, per middle direction, the harmonic-like mean of the three arms: all must be there."""
    shift = round(arm_angle_deg * _BINS_PER_DEG)
    arms = np.stack([profile, np.roll(profile, shift), np.roll(profile, -shift)])
    return np.asarray(0.5 * arms.min(axis=0) + 0.5 * arms.mean(axis=0))
