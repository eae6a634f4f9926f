"""A square piece of a frame around a star, in electrons, with what is unusable marked."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Detector:
    """What a camera does to electrons, as far as measurement cares (unbinned or binned alike)."""

    electrons_per_adu: float
    read_noise_electrons: float
    saturation_adu: float
    pedestal_adu: float

    @property
    def saturation_electrons(self) -> float:
        """Return the level, above the pedestal, from which a pixel no longer counts."""
        return (self.saturation_adu - self.pedestal_adu) * self.electrons_per_adu


@dataclass(frozen=True, slots=True, eq=False)
class Cutout:
    """Pixels (electrons above the pedestal) around a star, shape (n, n), n even.

    ``usable`` is False where the piece leaves the frame, the pixel is saturated or not a number.
    ``origin_x_px, origin_y_px`` are the frame's coordinates of pixel (0, 0); the star is near the centre.
    """

    pixels: Pixels
    usable: NDArray[np.bool_]
    origin_x_px: int
    origin_y_px: int
    read_noise_electrons: float
    filter: str
    exposure_s: float | None
    saturated_px: int = 0
    clipped: bool = False

    @property
    def size_px(self) -> int:
        """Return the side of the square."""
        return int(self.pixels.shape[0])


def cropped(cutout: Cutout, size_px: int) -> Cutout:
    """Return the middle of a cut-out, of an even side no larger than its own."""
    edge = (cutout.size_px - min(size_px, cutout.size_px)) // 2
    if edge == 0:
        return cutout
    inner = slice(edge, cutout.size_px - edge)
    return replace(
        cutout,
        pixels=cutout.pixels[inner, inner],
        usable=cutout.usable[inner, inner],
        origin_x_px=cutout.origin_x_px + edge,
        origin_y_px=cutout.origin_y_px + edge,
    )


def cut(
    frame_adu: NDArray[np.generic],
    centre_x_px: float,
    centre_y_px: float,
    size_px: int,
    detector: Detector,
    filter_name: str,
    exposure_s: float | None,
) -> Cutout:
    """Cut a square of even side around a place of a frame; what lies outside is marked unusable."""
    origin_x = round(centre_x_px) - size_px // 2
    origin_y = round(centre_y_px) - size_px // 2
    height, width = frame_adu.shape
    rows = slice(max(origin_y, 0), min(origin_y + size_px, height))
    columns = slice(max(origin_x, 0), min(origin_x + size_px, width))
    adu = np.full((size_px, size_px), np.nan, np.float32)
    inside = (
        slice(rows.start - origin_y, rows.stop - origin_y),
        slice(columns.start - origin_x, columns.stop - origin_x),
    )
    adu[inside] = frame_adu[rows, columns]
    finite = np.isfinite(adu)
    saturated = finite & (adu >= detector.saturation_adu)
    usable = finite & ~_beside(saturated)
    pixels = (np.where(finite, adu, 0.0) - detector.pedestal_adu) * detector.electrons_per_adu
    return Cutout(
        pixels.astype(np.float32),
        usable,
        origin_x,
        origin_y,
        detector.read_noise_electrons,
        filter_name,
        exposure_s,
        int(saturated.sum()),
        bool(inside[0] != slice(0, size_px) or inside[1] != slice(0, size_px)),
    )


def _beside(saturated: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return saturated pixels and their four neighbours, into which charge may have spilled."""
    grown = saturated.copy()
    grown[1:] |= saturated[:-1]
    grown[:-1] |= saturated[1:]
    grown[:, 1:] |= saturated[:, :-1]
    grown[:, :-1] |= saturated[:, 1:]
    return grown
