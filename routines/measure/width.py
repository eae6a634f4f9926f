"""The width of unmasked stars: the half-flux diameter over the field, or of one star.

The half-flux diameter is the diameter that holds half of a star's light. It needs no model of the star, so it
also holds for the discs and rings far from focus, where a width at half maximum means nothing. Stars that
are saturated, blended or cut by the edge are left out; the rest are combined robustly, each weighted by its
own uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import sep
from numpy.typing import NDArray

from routines.measure.cutout import Detector

StarChoice = Literal["field", "one"]
Floats = NDArray[np.float64]

_DETECT_SIGMA = 5.0
_SMALLEST_AREA_PX = 9
_LEAST_SNR = 25.0
_APERTURE_HALF_FLUX_RADII = 4.0
_WIDEST_APERTURE_PX = 60.0
_SUBPIXELS = 5
_MOST_STARS = 200
# A star of 1.2 px FWHM centred between two pixels keeps 0.64 of its light in them.
_MOST_IN_TWO_PIXELS = 0.8
_GAUSSIAN_HALF_FLUX_SLOPE = math.log(2.0)
# The star's place and the sky under it are found on the same noise; repeats scatter by this much more than
# photons in a fixed aperture would.
_BEYOND_PHOTONS = 1.22
_MEDIAN_INEFFICIENCY = math.sqrt(math.pi / 2.0)
_CLIP_SIGMA = 4.0


@dataclass(frozen=True, slots=True)
class WidthReading:
    """The half-flux diameter of a frame and its standard uncertainty (px), with what it rests on.

    ``fwhm_px`` is the full width at half maximum where the stars are compact, else None. Places are of the
    brightest star used.
    """

    width_px: float | None = None
    width_u_px: float | None = None
    fwhm_px: float | None = None
    stars: int = 0
    star_x_px: float | None = None
    star_y_px: float | None = None
    signal_electrons: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class StarWidths:
    """Each usable star's place, half-flux diameter with its uncertainty (px), flux (electrons) and peak."""

    x_px: Floats
    y_px: Floats
    diameter_px: Floats
    diameter_u_px: Floats
    flux_electrons: Floats
    fwhm_px: Floats
    left_out: int


def measure_width(
    frame_adu: NDArray[np.generic], detector: Detector, stars: StarChoice = "field"
) -> WidthReading:
    """Return the width of the stars of a 2-D frame; no usable star gives no value and a flag."""
    found = star_widths(frame_adu, detector)
    if not len(found.x_px):
        return WidthReading(flags=("saturated", "no_star") if found.left_out else ("no_star",))
    if stars == "one":
        chosen = np.array([int(np.argmax(found.flux_electrons))])
    else:
        chosen = np.argsort(-found.flux_electrons)[:_MOST_STARS]
    width, u = combined(found.diameter_px[chosen], found.diameter_u_px[chosen])
    compact = found.fwhm_px[chosen][np.isfinite(found.fwhm_px[chosen])]
    brightest = int(chosen[0])
    return WidthReading(
        width,
        u,
        float(np.median(compact)) if compact.size else None,
        len(chosen),
        float(found.x_px[brightest]),
        float(found.y_px[brightest]),
        float(found.flux_electrons[brightest]),
    )


def star_widths(frame_adu: NDArray[np.generic], detector: Detector) -> StarWidths:
    """Return the widths of a frame's usable stars, in the order of detection."""
    image, noise, bad = _above_sky(frame_adu, detector)
    objects = sep.extract(image, _DETECT_SIGMA, err=noise, mask=bad, minarea=_SMALLEST_AREA_PX)
    usable = _usable(objects, frame_adu, detector)
    chosen = objects[usable]
    if not len(chosen):
        none = np.empty(0)
        return StarWidths(none, none, none, none, none, none, len(objects))
    radius, flux, reach = _half_flux(image, chosen)
    variance = np.maximum(flux, 0.0) + math.pi * reach**2 * noise**2
    good = (flux > _LEAST_SNR * np.sqrt(variance)) & (radius > 0.0) & (2.0 * radius < reach * 1.2)
    good &= _seen_through_optics(image, chosen, flux)
    radius_u = (
        _BEYOND_PHOTONS
        * 0.5
        * np.sqrt(variance)
        * radius
        / (_GAUSSIAN_HALF_FLUX_SLOPE * np.maximum(flux, 1.0))
    )
    fwhm = np.array(
        [_fwhm(image, float(x), float(y)) for x, y in zip(chosen["x"][good], chosen["y"][good], strict=True)]
    )
    return StarWidths(
        chosen["x"][good],
        chosen["y"][good],
        2.0 * radius[good],
        2.0 * radius_u[good],
        flux[good],
        fwhm,
        len(objects) - int(good.sum()),
    )


def _above_sky(
    frame_adu: NDArray[np.generic], detector: Detector
) -> tuple[NDArray[np.float32], float, NDArray[np.bool_] | None]:
    """Return the frame in electrons above its sky, the sky's noise, and which pixels hold no number.

    One array, changed in place: a frame of 26 million pixels takes 100 MB as it is.
    """
    image = np.array(frame_adu, np.float32, order="C")
    image -= np.float32(detector.pedestal_adu)
    image *= np.float32(detector.electrons_per_adu)
    bad = None
    if np.asarray(frame_adu).dtype.kind == "f":
        bad = ~np.isfinite(image)
        image[bad] = 0.0
    sky = sep.Background(image, mask=bad)
    sky.subfrom(image)
    return image, float(sky.globalrms), bad


def combined(diameters_px: Floats, u_px: Floats) -> tuple[float, float]:
    """Return the robust weighted mean of several stars' diameters, and its standard uncertainty.

    Scatter beyond the stars' own uncertainties (field curvature, tilt, blends that were not seen) enters the
    weights; what lies far off is left out.
    """
    if len(diameters_px) == 1:
        return float(diameters_px[0]), float(u_px[0])
    middle = float(np.median(diameters_px))
    spread = 1.4826 * float(np.median(np.abs(diameters_px - middle)))
    extra = math.sqrt(max(spread**2 - float(np.median(u_px)) ** 2, 0.0))
    total_u = np.hypot(u_px, extra)
    kept = np.abs(diameters_px - middle) <= _CLIP_SIGMA * np.maximum(total_u, 1e-6)
    if kept.sum() < 3:
        return middle, _MEDIAN_INEFFICIENCY * max(spread, float(np.median(u_px))) / math.sqrt(
            len(diameters_px)
        )
    weights = 1.0 / total_u[kept] ** 2
    mean = float((weights * diameters_px[kept]).sum() / weights.sum())
    return mean, 1.0 / math.sqrt(float(weights.sum()))


def _usable(
    objects: NDArray[np.void], frame_adu: NDArray[np.generic], detector: Detector
) -> NDArray[np.bool_]:
    """Return which detections are whole, single and unsaturated."""
    height, width = frame_adu.shape
    rows = np.clip(np.rint(objects["ypeak"]).astype(int), 0, height - 1)
    columns = np.clip(np.rint(objects["xpeak"]).astype(int), 0, width - 1)
    peak_adu = np.asarray(frame_adu[rows, columns], np.float32)
    peak = (peak_adu - np.float32(detector.pedestal_adu)) * np.float32(detector.electrons_per_adu)
    margin = 3.0 * np.maximum(objects["a"], 2.0)
    inside = (
        (objects["x"] > margin)
        & (objects["y"] > margin)
        & (objects["x"] < width - 1 - margin)
        & (objects["y"] < height - 1 - margin)
    )
    blended = (objects["flag"] & (sep.OBJ_MERGED | sep.OBJ_TRUNC)) != 0
    return np.asarray(inside & ~blended & (peak < 0.95 * detector.saturation_electrons))


def _seen_through_optics(
    image: NDArray[np.float32], objects: NDArray[np.void], flux: Floats
) -> NDArray[np.bool_]:
    """Return which detections are spread as light is: not a hot pixel, or a cosmic ray of two.

    Detection smooths first, so that a hot pixel covers as many pixels there as a star does.
    """
    height, width = image.shape
    rows = np.clip(np.rint(objects["ypeak"]).astype(int), 1, height - 2)
    columns = np.clip(np.rint(objects["xpeak"]).astype(int), 1, width - 2)
    around = [image[rows + i, columns + j] for i in (-1, 0, 1) for j in (-1, 0, 1)]
    brightest = np.sort(np.stack(around), axis=0)[-2:].sum(axis=0)
    return np.asarray(brightest < _MOST_IN_TWO_PIXELS * flux)


def _half_flux(image: NDArray[np.float32], objects: NDArray[np.void]) -> tuple[Floats, Floats, Floats]:
    """Return half-flux radius, total flux and the aperture's radius, widened once to each star's size."""
    x, y = objects["x"], objects["y"]
    reach = np.clip(6.0 * objects["a"], 8.0, _WIDEST_APERTURE_PX)
    for _ in range(2):
        flux, _, _ = sep.sum_circle(image, x, y, reach, subpix=_SUBPIXELS)
        radius, _ = sep.flux_radius(
            image, x, y, reach, 0.5, normflux=np.maximum(flux, 1e-3), subpix=_SUBPIXELS
        )
        reach = np.clip(_APERTURE_HALF_FLUX_RADII * radius, 8.0, _WIDEST_APERTURE_PX)
    flux, _, _ = sep.sum_circle(image, x, y, reach, subpix=_SUBPIXELS)
    radius, _ = sep.flux_radius(image, x, y, reach, 0.5, normflux=np.maximum(flux, 1e-3), subpix=_SUBPIXELS)
    return np.asarray(radius), np.asarray(flux), np.asarray(reach)


def _fwhm(image: NDArray[np.float32], x_px: float, y_px: float) -> float:
    """Return the diameter of the disc as large as the area above half the peak; NaN where there is no peak.

    The profile about the star's place is read in rings of a third of a pixel, which needs no model.
    """
    half = 12
    row, column = round(y_px), round(x_px)
    piece = image[max(row - half, 0) : row + half + 1, max(column - half, 0) : column + half + 1]
    y, x = np.mgrid[: piece.shape[0], : piece.shape[1]]
    radius = np.hypot(x + max(column - half, 0) - x_px, y + max(row - half, 0) - y_px).ravel()
    order = np.argsort(radius)
    distance, value = radius[order], piece.ravel()[order].astype(float)
    near = distance < 1.2
    if near.sum() < 3:
        return math.nan
    peak = _centre_value(distance[near], value[near])
    smooth = np.convolve(value, np.ones(7) / 7.0, mode="same")
    below = np.flatnonzero((smooth < 0.5 * peak) & (distance > 0.5))
    if peak <= 0.0 or not below.size or below[0] < 4:
        return math.nan
    first = int(below[0])
    inner, outer = smooth[first - 1], smooth[first]
    share = (inner - 0.5 * peak) / (inner - outer) if inner > outer else 0.5
    return float(2.0 * (distance[first - 1] + share * (distance[first] - distance[first - 1])))


def _centre_value(distance: Floats, value: Floats) -> float:
    """Return the light at the very centre from a parabola through the pixels next to it."""
    design = np.stack([np.ones_like(distance), distance**2], axis=1)
    return float(np.linalg.lstsq(design, value, rcond=None)[0][0])
