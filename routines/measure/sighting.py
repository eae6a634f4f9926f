"""See how a mask sits where no frame shows its spikes to the eye: faint stars, all looks taken together.

The forward model's own pattern is turned through half a circle over each frame, as a matched filter (North
1943): on rings about the star a turn is a shift, so all angles are had from one correlation. What the frames
gain by the pattern, over the sky alone, adds up over the frames, each at the defocus that suits it best.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from routines.measure.cutout import Cutout
from routines.measure.geometry import Geometry, searching_star
from routines.measure.model import MaskedStar, StarState
from routines.measure.templates import Window
from routines.optics import Band, Mask, Optics, critical_focus_zone_um, grating_order_um

Rings = NDArray[np.float64]

_TURNS = 360
_PATTERNS_KEPT = 6
_INNER_ORDER, _OUTER_ORDER = 0.6, 3.4
_FARTHEST_SIGMA = 6.0
# A gain is the square of a signal over its noise; it must stand out from those at the other angles too.
_LEAST_GAIN, _LEAST_SCATTERS = 36.0, 6.0
_PERIODS_APART, _SCANNED_FRAMES = 1.12, 3
_ARM_ANGLES_DEG, _USUAL_ARM_DEG = (15.0, 18.0, 21.0, 25.0), 20.0
_NEAREST_ORDER_PX, _FARTHEST_SHARE = 8.0, 0.4


@dataclass(frozen=True, slots=True)
class _Variety:
    """Which patterns of one mask are tried: defoci in critical focus zones, blurs in pixels, both tilts."""

    defoci_zones: tuple[float, ...]
    blurs_px: tuple[float, ...]
    tilts: tuple[int, ...]


_FULL = _Variety(tuple(0.5 * step for step in range(9)), (1.5, 3.5, 8.0), (1, -1))
_QUICK = _Variety((0.0, 1.0, 2.0), (2.5, 8.0), (1,))


@dataclass(frozen=True, slots=True)
class Sighting:
    """How a mask seems to sit (orientation in [0, 180)), and by how much each frame gains by it."""

    mask: Mask
    gains: tuple[float, ...]


def sight(
    cutouts: Sequence[Cutout],
    optics: Optics,
    bands: Mapping[str, Band],
    period_mm: float | None,
    arm_angle_deg: float | None,
) -> Sighting | None:
    """Return how the mask sits, and its period and arm angle where they are not given; None for no mask.

    None also where there is too little light for any angle to stand out.
    """
    rings = [_Frame.of(cutout) for cutout in cutouts]
    if period_mm is None:
        period_mm = _likeliest_period(cutouts, rings, optics, bands, arm_angle_deg or _USUAL_ARM_DEG)
    tried = []
    for angle in _ARM_ANGLES_DEG if arm_angle_deg is None else (arm_angle_deg,):
        mask = Mask(period_mm, angle)
        tried.append((mask, _gains(cutouts, rings, optics, bands, mask, _FULL)))
    mask, gains = max(tried, key=lambda pair: float(pair[1].sum(axis=0).max()))
    total = gains.sum(axis=0)
    if not _stands_out(total):
        return None
    angle = int(np.argmax(total))
    turned = replace(mask, orientation_deg=angle * 360.0 / _TURNS)
    return Sighting(turned, tuple(float(gain) for gain in gains[:, angle]))


def _likeliest_period(
    cutouts: Sequence[Cutout],
    rings: Sequence[_Frame],
    optics: Optics,
    bands: Mapping[str, Band],
    arm_angle_deg: float,
) -> float:
    """Return the period, of all whose orders a cut-out can show, by which the first few frames gain most."""
    name = cutouts[0].filter
    few = [place for place, cutout in enumerate(cutouts) if cutout.filter == name][:_SCANNED_FRAMES]
    chosen, seen = [cutouts[place] for place in few], [rings[place] for place in few]
    per_px = bands[name].centre_nm * 1e-6 * optics.focal_length_mm / (optics.pixel_um * 1e-3)
    shortest, longest = per_px / (cutouts[0].size_px * _FARTHEST_SHARE), per_px / _NEAREST_ORDER_PX
    count = math.ceil(math.log(longest / shortest) / math.log(_PERIODS_APART)) + 1
    periods = [float(period) for period in np.geomspace(shortest, longest, count)]
    best = [
        _gains(chosen, seen, optics, bands, Mask(period, arm_angle_deg), _QUICK).sum(axis=0).max()
        for period in periods
    ]
    return periods[int(np.argmax(best))]


def _stands_out(total: NDArray[np.float64]) -> bool:
    """Tell whether the gain at one angle is beyond what noise makes at the others."""
    middle = float(np.median(total))
    scatter = 1.4826 * float(np.median(np.abs(total - middle)))
    return float(total.max()) - middle > max(_LEAST_GAIN, _LEAST_SCATTERS * scatter)


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """A frame on rings, shape (radii, turns): residuals from each ring's middle, and each ring's weight."""

    residual: Rings
    weight: Rings

    @classmethod
    def of(cls, cutout: Cutout) -> _Frame:
        middle = cutout.size_px / 2.0
        value = _on_rings(np.where(cutout.usable, cutout.pixels, np.nan), middle, middle)
        with np.errstate(all="ignore"):
            residual = value - np.nanmedian(value, axis=1, keepdims=True)
            spread = 1.4826 * np.nanmedian(np.abs(residual), axis=1) + 1e-3
        farthest = _FARTHEST_SIGMA * spread[:, None]
        residual = np.nan_to_num(np.clip(residual, -farthest, farthest))
        # A ring is drawn with as many points as any other, but holds only so many pixels.
        pixels = 2.0 * math.pi * np.arange(len(spread)) / _TURNS
        return cls(residual, np.nan_to_num(pixels / spread**2))


def _on_rings(image: NDArray[np.float32], x_px: float, y_px: float) -> Rings:
    """Return an image's values on rings of whole-pixel radii about a place, shape (n / 2, turns)."""
    radius = np.arange(image.shape[0] // 2, dtype=float)[:, None]
    turn = 2.0 * math.pi * np.arange(_TURNS)[None, :] / _TURNS
    places = np.stack([y_px + radius * np.sin(turn), x_px + radius * np.cos(turn)])
    return np.asarray(ndimage.map_coordinates(image, places, order=1, mode="nearest"), np.float64)


def _gains(
    cutouts: Sequence[Cutout],
    rings: Sequence[_Frame],
    optics: Optics,
    bands: Mapping[str, Band],
    mask: Mask,
    variety: _Variety,
) -> NDArray[np.float64]:
    """Return by how much each frame gains at each angle of the mask, shape (frames, half the turns)."""
    gains = np.zeros((len(cutouts), _TURNS // 2))
    for name in dict.fromkeys(cutout.filter for cutout in cutouts):
        patterns = _patterns(optics, mask, bands[name], cutouts[0].size_px, variety)
        for place, cutout in enumerate(cutouts):
            if cutout.filter == name:
                gains[place] = _best_gain(rings[place], patterns)
    return gains


@lru_cache(maxsize=_PATTERNS_KEPT)
def _patterns(
    optics: Optics, mask: Mask, band: Band, size_px: int, variety: _Variety
) -> NDArray[np.complex64]:
    """Return the patterns' spectra along the rings, shape (patterns, radii, turns / 2 + 1).

    They differ in defocus, blur and which way the quarters tilt; rings without spikes are empty.
    """
    zone = critical_focus_zone_um(band.centre_nm * 1e-3, optics)
    order_px = grating_order_um(1.0, band.centre_nm * 1e-3, optics, mask) / optics.pixel_um
    defoci = [zones * zone for zones in variety.defoci_zones]
    made = []
    for tilt in variety.tilts:
        geometry = Geometry(optics, replace(mask, tilt=tilt))
        star = searching_star(geometry, band, Window.around(size_px), defoci[-1])
        made += [_pattern(star, z, blur, size_px, order_px) for z in defoci for blur in variety.blurs_px]
    patterns = np.stack(made)
    patterns.flags.writeable = False
    return patterns


def _pattern(
    star: MaskedStar, defocus_um: float, blur_px: float, size_px: int, order_px: float
) -> NDArray[np.complex64]:
    middle = size_px / 2.0
    rings = _on_rings(star.image(StarState(defocus_um, middle, middle, blur_px)), middle, middle)
    rings -= np.median(rings, axis=1, keepdims=True)
    radius = np.arange(len(rings))
    rings[(radius < _INNER_ORDER * order_px) | (radius > _OUTER_ORDER * order_px)] = 0.0
    return np.asarray(np.fft.rfft(rings, axis=1), np.complex64)


def _best_gain(frame: _Frame, patterns: NDArray[np.complex64]) -> NDArray[np.float64]:
    """Return the largest gain of any pattern at each angle in [0, 180).

    Opposite defocus is the pattern turned by half a turn, so that the other half folds onto this one.
    """
    seen = np.fft.rfft(frame.residual * frame.weight[:, None], axis=1)
    match = np.fft.irfft((patterns.conj() * seen).sum(axis=1), n=_TURNS, axis=1)
    power = np.abs(patterns) ** 2
    power[:, :, 1:-1] *= 2.0
    information = (power.sum(axis=2) * frame.weight).sum(axis=1) / _TURNS
    gain = np.clip(match, 0.0, None) ** 2 / np.maximum(information, 1e-30)[:, None]
    best = gain.max(axis=0)
    return np.asarray(np.maximum(best[: _TURNS // 2], best[_TURNS // 2 :]))
