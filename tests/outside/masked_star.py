"""Telescopes, masks and sensors for frames made with other people's diffraction codes.

Nothing here imports the project: the mask is drawn a second time, from its description, as open and closed
points of a fine raster that are then averaged, so a mistake in the project's own drawing cannot cancel.

Axes: pupil and sensor axes are parallel, x is the column and y the row, angles run anticlockwise from +x
with y upwards. Defocus is sensor minus focus along the axis, positive away from the objective; light from
pupil point r then lands at ``-r z / f``. The mask's u axis, at ``orientation_deg``, points from the half
with the straight slits to the two quarters; v is u turned by +90 degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.ndimage import correlate1d, gaussian_filter


@dataclass(frozen=True, slots=True)
class Telescope:
    """The light's way in: ``aperture_mm`` is the clear diameter, vanes stand at ``vanes_deg``.

    A star off the axis sees a second rim as wide, ``rim_aside_mm`` aside towards ``rim_towards_deg``.
    """

    focal_length_mm: float = 588.0
    aperture_mm: float = 112.0
    obstruction_ratio: float = 0.0
    pixel_um: float = 3.9
    vanes_deg: tuple[float, ...] = ()
    vane_width_mm: float = 1.0
    rim_aside_mm: float = 0.0
    rim_towards_deg: float = 0.0

    @property
    def focal_ratio(self) -> float:
        return self.focal_length_mm / self.aperture_mm


@dataclass(frozen=True, slots=True)
class Bahtinov:
    """A mask: one half with straight slits, two quarters leaning by ``arm_angle_deg``.

    With ``lean`` +1 the slits of the quarter on the +v side are crossed by the direction (sin a, cos a)
    of (u, v), so its spike runs that way; with -1 by (-sin a, cos a). The other quarter mirrors it.
    """

    period_mm: float = 3.6
    arm_angle_deg: float = 20.0
    duty: float = 0.5
    orientation_deg: float = 0.0
    lean: int = 1
    shift_periods: float = 0.0


@dataclass(frozen=True, slots=True)
class Light:
    """A pass band, flat in photons over its full width, and the electrons it brings through the mask."""

    centre_nm: float = 550.0
    width_nm: float = 10.0
    electrons: float = 1e6


@dataclass(frozen=True, slots=True)
class Sensor:
    """What a sensor adds: sky, read noise, one step of the converter, its ceiling."""

    sky_electrons: float = 20.0
    read_noise_electrons: float = 1.6
    electrons_per_adu: float = 1.0
    pedestal_adu: float = 500.0
    ceiling_adu: float = 65535.0


def blocked_half(telescope: Telescope, points: int, towards_deg: float) -> np.ndarray:
    """Return the unmasked pupil with only the half towards ``towards_deg`` left open."""
    x, y = _raster(telescope, points)
    turn = math.radians(towards_deg)
    open_half = x * math.cos(turn) + y * math.sin(turn) > 0.0
    return _averaged(open_half & _clear(telescope, x, y), points)


@lru_cache(maxsize=32)
def drawn_pupil(telescope: Telescope, mask: Bahtinov | None, points: int) -> np.ndarray:
    """Return the open fraction of each of ``points`` x ``points`` cells over the clear diameter."""
    x, y = _raster(telescope, points)
    is_open = _clear(telescope, x, y)
    if mask is not None:
        is_open &= _through_slits(mask, x, y)
    return _averaged(is_open, points)


def _raster(telescope: Telescope, points: int, finer: int = 6) -> tuple[np.ndarray, np.ndarray]:
    count = points * finer
    places = ((np.arange(count) + 0.5) / count - 0.5) * telescope.aperture_mm
    return places[None, :].astype(np.float32), places[:, None].astype(np.float32)


def _averaged(is_open: np.ndarray, points: int) -> np.ndarray:
    finer = is_open.shape[0] // points
    return is_open.reshape(points, finer, points, finer).mean(axis=(1, 3))


def _clear(telescope: Telescope, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    radius2 = x**2 + y**2
    outer = telescope.aperture_mm / 2.0
    is_open = (radius2 < outer**2) & (radius2 >= (outer * telescope.obstruction_ratio) ** 2)
    if telescope.rim_aside_mm:
        turn = math.radians(telescope.rim_towards_deg)
        aside_x, aside_y = (telescope.rim_aside_mm * part(turn) for part in (math.cos, math.sin))
        is_open &= (x - aside_x) ** 2 + (y - aside_y) ** 2 < outer**2
    for angle in np.radians(telescope.vanes_deg):
        along = x * math.cos(angle) + y * math.sin(angle)
        across = y * math.cos(angle) - x * math.sin(angle)
        is_open &= ~((along > 0.0) & (np.abs(across) < telescope.vane_width_mm / 2.0))
    return is_open


def _through_slits(mask: Bahtinov, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    turn, arm = math.radians(mask.orientation_deg), math.radians(mask.arm_angle_deg)
    u = x * math.cos(turn) + y * math.sin(turn)
    v = y * math.cos(turn) - x * math.sin(turn)
    lean = np.where(u < 0.0, 0.0, np.where(v > 0.0, mask.lean * arm, -mask.lean * arm))
    across = u * np.sin(lean) + v * np.cos(lean)
    turns = across / mask.period_mm - mask.shift_periods
    return np.abs(turns - np.round(turns)) < mask.duty / 2.0


def wavelengths_nm(light: Light, count: int, seed: int) -> np.ndarray:
    """Return one wavelength drawn at random in each of ``count`` equal parts of the band.

    All are then moved together so that their mean is the band's centre: few of them drawn at random would
    shift every order.
    """
    drawn = np.random.default_rng(seed).uniform(size=count)
    places = (np.arange(count) + drawn) / count
    return light.centre_nm + light.width_nm * (places - places.mean())


def points_needed(telescope: Telescope, light: Light, size_px: int) -> int:
    """Return how fine a raster of the pupil keeps its repeats, lambda f / step apart, out of the frame."""
    shortest_um = (light.centre_nm - light.width_nm / 2.0) * 1e-3
    repeat_um = 1.6 * size_px * telescope.pixel_um
    return 8 * math.ceil(repeat_um * telescope.aperture_mm / (8.0 * shortest_um * telescope.focal_length_mm))


def wavelengths_needed(telescope: Telescope, light: Light, size_px: int) -> int:
    """Return how many wavelengths keep the colours of the outermost order from parting into dots.

    An order at the frame's edge is smeared by the band's relative width times its distance; neighbours
    should stand closer than the width of the pattern's own blur, lambda N.
    """
    smear_um = size_px / 2.0 * telescope.pixel_um * light.width_nm / light.centre_nm
    return max(5, math.ceil(1.2 * smear_um / (light.centre_nm * 1e-3 * telescope.focal_ratio)))


def raster_restored(
    fine: np.ndarray,
    finer: int,
    telescope: Telescope,
    points: int,
    wavelength_nm: float,
    offset_px: tuple[float, float],
) -> np.ndarray:
    """Return the image with what averaging over the raster's cells took from its outer parts put back.

    Averaging the pupil over cells of width c multiplies the field at distance x by sinc(x c / (lambda f))
    (convolution theorem): six per cent of the first order's light for seven cells a period.
    ``offset_px`` is the star's place (x, y) from the middle of the frame.
    """
    cell_m = telescope.aperture_mm * 1e-3 / points
    places_px = (np.arange(fine.shape[0]) + 0.5 - fine.shape[0] / 2.0) / finer
    scale = telescope.pixel_um * 1e-6 * cell_m / (wavelength_nm * 1e-9 * telescope.focal_length_mm * 1e-3)
    across = np.sinc((places_px - offset_px[0]) * scale)
    down = np.sinc((places_px - offset_px[1]) * scale)
    return fine / np.outer(down, across) ** 2


def summed_over_pixels(fine: np.ndarray, finer: int, blur_fwhm_px: float) -> np.ndarray:
    """Return the image blurred by a Gaussian while still fine, then summed over each pixel.

    Each fine point stands for its cell: f + h^2 f'' / 24 on either axis, the midpoint rule's first
    correction (Euler-Maclaurin), without which three points a pixel look sharper than a pixel does.
    """
    if blur_fwhm_px > 0.0:
        fine = gaussian_filter(fine, blur_fwhm_px * finer / 2.354820, mode="constant", truncate=6.0)
    for axis in (0, 1):
        fine = correlate1d(fine, [1.0 / 24.0, 22.0 / 24.0, 1.0 / 24.0], axis, mode="nearest")
    rows, columns = fine.shape[0] // finer, fine.shape[1] // finer
    return fine.reshape(rows, finer, columns, finer).sum(axis=(1, 3))


def recorded(electrons: np.ndarray, sensor: Sensor, seed: int) -> np.ndarray:
    """Return the 16-bit frame of a noiseless image: photon and read noise, pedestal, rounding, ceiling."""
    rng = np.random.default_rng(seed)
    counted = rng.poisson(np.clip(electrons, 0.0, None) + sensor.sky_electrons).astype(float)
    counted += rng.normal(0.0, sensor.read_noise_electrons, counted.shape)
    adu = np.round(counted / sensor.electrons_per_adu + sensor.pedestal_adu)
    return np.clip(adu, 0.0, sensor.ceiling_adu).astype(np.uint16)


def placed(stamp: np.ndarray, shape: tuple[int, int], corner: tuple[int, int]) -> np.ndarray:
    """Return a frame of zeros with the stamp's first pixel at ``corner`` (row, column), cut at the edges."""
    frame = np.zeros(shape)
    top, left = corner
    rows = slice(max(top, 0), min(top + stamp.shape[0], shape[0]))
    columns = slice(max(left, 0), min(left + stamp.shape[1], shape[1]))
    frame[rows, columns] = stamp[
        rows.start - top : rows.stop - top, columns.start - left : columns.stop - left
    ]
    return frame


def expected_spike_error_px(telescope: Telescope, mask: Bahtinov, defocus_um: float) -> float:
    """Return the middle spike's distance from the outer two's crossing, along u, by plane geometry alone.

    Each opening's light is displaced as a whole by ``-centroid z / f`` (similar triangles) and its spike
    runs through there; the crossing is found by intersecting the two lines, not by a formula for it.
    """
    outer, inner = telescope.aperture_mm / 2.0, telescope.aperture_mm / 2.0 * telescope.obstruction_ratio
    centroid_mm = 4.0 / (3.0 * math.pi) * (outer**3 - inner**3) / (outer**2 - inner**2)
    shift_px = -centroid_mm * defocus_um / telescope.focal_length_mm / telescope.pixel_um
    arm = math.radians(mask.arm_angle_deg) * mask.lean
    upper, lower = np.array([math.sin(arm), math.cos(arm)]), np.array([-math.sin(arm), math.cos(arm)])
    start_upper, start_lower = shift_px * np.array([1.0, 1.0]), shift_px * np.array([1.0, -1.0])
    along = np.linalg.solve(np.column_stack([upper, -lower]), start_lower - start_upper)
    crossing = start_upper + along[0] * upper
    return float(-shift_px - crossing[0])


def turned(mask: Bahtinov, by_deg: float) -> Bahtinov:
    """Return the mask put on turned by so much."""
    return replace(mask, orientation_deg=mask.orientation_deg + by_deg)
