"""Guess a mask's slit period from where light stands along the spikes, when the config does not say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from routines.measure.cutout import Cutout
from routines.measure.orientation import Spikes
from routines.optics import Band, Optics

_NEAREST_ORDER_PX = 8.0
_CORE_PX = 7
_HALF_STRIP_PX = 3.0


def period_from_light(
    cutouts: Sequence[Cutout], bands: Mapping[str, Band], optics: Optics, spikes: Spikes
) -> float:
    """Return the slit period (mm) whose first and third orders best match the light along the arms.

    Coarse (a few per cent): the forward model refines it.
    """
    observed = [(light_along_arms(cutout, spikes), bands[cutout.filter]) for cutout in cutouts]
    shortest_mm = 550e-6 * optics.focal_length_mm / (cutouts[0].size_px * 0.4 * optics.pixel_um * 1e-3)
    longest_mm = 550e-6 * optics.focal_length_mm / (_NEAREST_ORDER_PX * optics.pixel_um * 1e-3)
    candidates = np.geomspace(shortest_mm, longest_mm, 160)
    scores = [sum(_match(light, band, optics, period) for light, band in observed) for period in candidates]
    return float(candidates[int(np.argmax(scores))])


def light_along_arms(cutout: Cutout, spikes: Spikes) -> NDArray[np.float64]:
    """Return the mean light at each distance (px) along the three arms, less the light between them."""
    n = cutout.size_px
    y, x = np.mgrid[:n, :n] - n / 2.0
    radius = np.hypot(x, y).astype(int)
    on_arm = np.zeros((n, n), bool)
    for lean in (-spikes.arm_angle_deg, 0.0, spikes.arm_angle_deg):
        turn = math.radians(spikes.middle_deg + lean)
        on_arm |= np.abs(y * math.cos(turn) - x * math.sin(turn)) < _HALF_STRIP_PX
    index = np.arange(n // 2)
    inside = radius < n // 2
    arms = ndimage.median(cutout.pixels, np.where(on_arm & cutout.usable & inside, radius, -1), index)
    rest = ndimage.median(cutout.pixels, np.where(~on_arm & cutout.usable & inside, radius, -1), index)
    light: NDArray[np.float64] = np.nan_to_num(np.asarray(arms) - np.asarray(rest))
    return light


def _match(light: NDArray[np.float64], band: Band, optics: Optics, period_mm: float) -> float:
    """Return the correlation of the light with that of a half-open grating beyond the core."""
    places = np.arange(len(light), dtype=float)
    expected = np.zeros(len(light))
    per_nm = 1e-6 * optics.focal_length_mm / period_mm / (optics.pixel_um * 1e-3)
    for order in (1, 3, 5):
        centre, half = order * band.centre_nm * per_nm, max(order * band.width_nm * per_nm / 2.0, 2.0)
        expected += np.where(np.abs(places - centre) <= half, 1.0 / (order**2 * half), 0.0)
    first = min(_CORE_PX, len(light) - 2)
    model = ndimage.gaussian_filter1d(expected, 1.5)[first:]
    data = ndimage.gaussian_filter1d(light, 1.0)[first:]
    model, data = model - model.mean(), data - data.mean()
    size = float(np.sqrt((model**2).sum() * (data**2).sum()))
    return float((model * data).sum()) / size if size > 0.0 else 0.0
