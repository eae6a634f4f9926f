"""The simulated sky: a star by diffraction through the masked pupil, or a field through the open one.

Few wavefronts, each at its own wavelength drawn from a stratum of the band and through its own air, in pairs
of opposite phase. The pupil's grid is fixed, so the image's sampling follows the wavelength; it is always
at least three times finer than the pixels, and is shared out over them by the overlap of areas.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.sparse
from numpy.typing import NDArray

from drivers.simulated.pupil import MARGIN, Telescope, draw_pupil
from drivers.simulated.turbulence import REFERENCE_UM, Air, ScreenMaker
from routines.optics import Array, Band, defocus_phase_rad

Image = NDArray[np.float32]

WAVEFRONTS = 12
FINER = 3.0
CELLS_PER_PERIOD = 7.6
OPEN_CELLS = 128
STAMP_REACH_PX = 165
FIELD_REACH_PX = 40
BRIGHT_REACH_PX = 80
BRIGHT_ELECTRONS = 3e5
STAMP_FADE = 0.2
REFERENCE_PATH_UM = 0.55
FURTHEST_ORDER = 3.0
MOST_COPIES = 4


@dataclass(frozen=True, slots=True)
class Star:
    """A point source: where it falls (0-based pixels) and its electrons through the clear aperture."""

    x_px: float
    y_px: float
    electrons: float


@dataclass(frozen=True, slots=True)
class Light:
    """What reaches the sensor during one exposure, besides where the stars are.

    ``defocus_um`` is the sensor minus the band's mean focus at the middle of each wavefront's share of the
    exposure; one number stands for all. ``focus_slope_um_per_um`` and ``focus_bend_um_per_um2`` say how
    focus changes with wavelength inside the band, about its centre. ``altitude_deg`` sets the dispersion.
    """

    band: Band
    exposure_s: float
    defocus_um: float | Sequence[float]
    air: Air
    drift_px: tuple[float, float] = (0.0, 0.0)
    jitter_px: float = 0.25
    focus_slope_um_per_um: float = 0.0
    focus_bend_um_per_um2: float = 0.0
    altitude_deg: float = 65.0
    zenith_deg: float = 90.0
    field_curvature_um_per_mm2: float = 0.0


@dataclass(frozen=True, slots=True)
class _Grid:
    """A pupil drawn once: amplitude with its checkerboard, its wavefront, the light let in."""

    amplitude: Image
    cell_mm: float
    radius2_mm2: Image
    path_um: Image
    path_per_um: Image
    open_cells: float
    clear_cells: float
    places_mm: Array


class Sky:
    """Renders expected electrons per pixel for one telescope; the detector adds the noise."""

    def __init__(self, telescope: Telescope) -> None:
        self.telescope = telescope
        self._grids: dict[bool, _Grid] = {}
        self._screens: dict[bool, ScreenMaker] = {}

    def masked_stars(
        self, shape: tuple[int, int], stars: Sequence[Star], light: Light, rng: np.random.Generator
    ) -> Image:
        """Return each star's pattern through the mask, electrons on a frame of ``shape`` (rows, columns).

        The first star lies exactly where it is said to; the others are moved to a whole number of pixels
        from it, so that one rendering serves all.
        """
        frame = np.zeros(shape, np.float32)
        first = stars[0]
        pattern = self._stamps(
            [replace(first, electrons=1.0)], light, rng, masked=True, reaches=[STAMP_REACH_PX]
        )[0]
        for star in stars:
            x_px, y_px = round(star.x_px - first.x_px), round(star.y_px - first.y_px)
            placed = Star(round(first.x_px) + x_px, round(first.y_px) + y_px, star.electrons)
            _add(frame, pattern * np.float32(star.electrons), placed, STAMP_REACH_PX)
        return frame

    def still_pattern(
        self, wavelength_um: float, defocus_um: float, reach: int, *, masked: bool = True
    ) -> Image:
        """Return a star's pattern in one colour and no air at all, for one electron through."""
        grid = self._grid(masked=masked)
        stamp = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        intensity = self._intensity(grid, wavelength_um, defocus_um, np.zeros_like(grid.path_um), reach)
        self._share_out(stamp, intensity, wavelength_um, grid, Star(0.0, 0.0, 1.0), (0.0, 0.0))
        return stamp

    def mask_share(self) -> float:
        """Return what part of the clear aperture's light the mask lets through."""
        grid = self._grid(masked=True)
        return grid.open_cells / grid.clear_cells

    def open_stars(
        self, shape: tuple[int, int], stars: Sequence[Star], light: Light, rng: np.random.Generator
    ) -> Image:
        """Return a field of stars with the mask off, electrons on a frame of ``shape``.

        The field's curvature is followed in three rings about the frame's centre, each with its own light.
        """
        frame = np.zeros(shape, np.float32)
        for ring, extra_um in self._rings(shape, stars, light):
            moved = replace(
                light, defocus_um=list(np.broadcast_to(light.defocus_um, (WAVEFRONTS,)) + extra_um)
            )
            reaches = [
                BRIGHT_REACH_PX if star.electrons > BRIGHT_ELECTRONS else FIELD_REACH_PX for star in ring
            ]
            stamps = self._stamps(ring, moved, rng, masked=False, reaches=reaches)
            for star, stamp, reach in zip(ring, stamps, reaches, strict=True):
                _add(frame, stamp * _fading(reach), star, reach)
        return frame

    def _rings(
        self, shape: tuple[int, int], stars: Sequence[Star], light: Light
    ) -> list[tuple[list[Star], float]]:
        centre_y, centre_x = (shape[0] - 1) / 2.0, (shape[1] - 1) / 2.0
        pixel_mm = self.telescope.optics.pixel_um * 1e-3
        radii = [math.hypot(star.x_px - centre_x, star.y_px - centre_y) * pixel_mm for star in stars]
        order = sorted(range(len(stars)), key=radii.__getitem__)
        rings = []
        for part in np.array_split(np.array(order, int), 3):
            if part.size:
                mean_square = float(np.mean([radii[index] ** 2 for index in part]))
                extra = -light.field_curvature_um_per_mm2 * mean_square
                rings.append(([stars[index] for index in part], extra))
        return rings

    def _stamps(
        self,
        stars: Sequence[Star],
        light: Light,
        rng: np.random.Generator,
        *,
        masked: bool,
        reaches: Sequence[int],
    ) -> list[Image]:
        """Return each star's light on the pixels around it, one wavefront after another."""
        grid = self._grid(masked=masked)
        wavelengths = _stratified(light.band, WAVEFRONTS, rng)
        fast, slow = self._screen_maker(masked=masked).draw(light.air, WAVEFRONTS // 2, light.exposure_s, rng)
        defocus = np.broadcast_to(np.asarray(light.defocus_um, float), (WAVEFRONTS,))
        moments = rng.permutation(WAVEFRONTS)
        stamps = [np.zeros((2 * reach + 1, 2 * reach + 1), np.float32) for reach in reaches]
        copies = self._copies(light.band) if masked else 1
        places = _stratified(light.band, WAVEFRONTS * copies, rng).reshape(WAVEFRONTS, copies)
        for index, wavelength in enumerate(wavelengths):
            air = slow + (fast[index // 2] if index % 2 == 0 else -fast[index // 2])
            focus = self._focus(light, float(wavelength))
            intensity = self._intensity(grid, float(wavelength), float(defocus[moments[index]]) - focus, air)
            for copy_um in places[index]:
                shift = _shift_px(self.telescope, light, copy_um, (moments[index] + 0.5) / WAVEFRONTS)
                for star, stamp in zip(stars, stamps, strict=True):
                    self._share_out(stamp, intensity, copy_um, grid, star, shift)
        blur = math.hypot(light.jitter_px, self._motion_px(light))
        share = grid.open_cells / grid.clear_cells / (WAVEFRONTS * copies)
        return [
            scipy.ndimage.gaussian_filter(stamp, blur) * np.float32(share * star.electrons)
            for star, stamp in zip(stars, stamps, strict=True)
        ]

    def _copies(self, band: Band) -> int:
        """Return over how many wavelengths one wavefront's image is spread inside its stratum.

        Diffraction scales with wavelength, so one image stretched a little stands for its neighbours; else
        the high orders of a broad band would be a row of dots.
        """
        optics, period_mm = self.telescope.optics, self.telescope.mask.slit_period_mm
        width_um = band.width_nm * 1e-3 / WAVEFRONTS
        smear_px = FURTHEST_ORDER * width_um * optics.focal_length_mm / period_mm / optics.pixel_um
        return min(MOST_COPIES, max(1, math.ceil(smear_px / 2.0)))

    def _grid(self, *, masked: bool) -> _Grid:
        if masked not in self._grids:
            self._grids[masked] = self._drawn(masked=masked)
        return self._grids[masked]

    def _screen_maker(self, *, masked: bool) -> ScreenMaker:
        if masked not in self._screens:
            places_mm = self._grid(masked=masked).places_mm
            self._screens[masked] = ScreenMaker(self.telescope.optics.aperture_mm, places_mm)
        return self._screens[masked]

    def _drawn(self, *, masked: bool) -> _Grid:
        optics = self.telescope.optics
        count = OPEN_CELLS
        if masked:
            periods = optics.aperture_mm / self.telescope.mask.slit_period_mm
            count = 2 * math.ceil(periods * CELLS_PER_PERIOD / 2.0)
        cell_mm = optics.aperture_mm / count
        amplitude = draw_pupil(self.telescope, count, masked=masked)
        clear = float(amplitude.sum())
        if masked:
            clear = (
                float(draw_pupil(self.telescope, OPEN_CELLS, masked=False).sum()) * (count / OPEN_CELLS) ** 2
            )
        side = count + 2 * MARGIN
        places = np.asarray((np.arange(side) - (side - 1) / 2.0) * cell_mm, dtype=np.float64)
        x, y = np.meshgrid(places, places)
        radius = optics.aperture_mm / 2.0
        wavefront = self.telescope.aberrations
        path = wavefront.path_um(x / radius, y / radius, REFERENCE_PATH_UM)
        changed = wavefront.path_um(x / radius, y / radius, REFERENCE_PATH_UM + 1.0)
        sign = 1.0 - 2.0 * (np.add.outer(np.arange(side), np.arange(side)) % 2)
        return _Grid(
            amplitude=(amplitude * sign).astype(np.float32),
            cell_mm=cell_mm,
            radius2_mm2=(x**2 + y**2).astype(np.float32),
            path_um=path.astype(np.float32),
            path_per_um=(changed - path).astype(np.float32),
            open_cells=float(amplitude.sum()),
            clear_cells=clear,
            places_mm=places,
        )

    def _samples(self, wavelength_um: float, cell_mm: float) -> int:
        """Return the transform's length that samples the image FINER than the pixels."""
        optics = self.telescope.optics
        wanted = FINER * wavelength_um * optics.focal_length_mm / (cell_mm * optics.pixel_um)
        size = int(scipy.fft.next_fast_len(math.ceil(wanted)))
        while size % 2:
            size = int(scipy.fft.next_fast_len(size + 1))
        return size

    def _intensity(
        self, grid: _Grid, wavelength_um: float, defocus_um: float, air: Image, reach: int | None = None
    ) -> Image:
        """Return the image of one wavefront, normalised to the light that the pupil lets through.

        Columns further than ``reach`` pixels from a star in the middle are left out, as zeros.
        """
        optics = self.telescope.optics
        bend = np.float32(defocus_phase_rad(np.ones(1), defocus_um, wavelength_um, optics)[0])
        path = grid.path_um + grid.path_per_um * np.float32(wavelength_um - REFERENCE_PATH_UM)
        phase = bend * grid.radius2_mm2 + np.float32(2.0 * math.pi / wavelength_um) * path
        phase += air * np.float32(REFERENCE_UM / wavelength_um)
        pupil = np.empty(phase.shape, np.complex64)
        pupil.real = grid.amplitude * np.cos(phase)
        pupil.imag = grid.amplitude * np.sin(phase)
        size = self._samples(wavelength_um, grid.cell_mm)
        rows = scipy.fft.fft(pupil, n=size, axis=1, overwrite_x=True)
        kept = slice(0, size)
        if reach is not None:
            half = math.ceil((reach + 1) * optics.pixel_um / self._step_um(wavelength_um, size, grid)) + 1
            kept = slice(max(0, size // 2 - half), size // 2 + half + 1)
        wave = scipy.fft.fft(rows[:, kept], n=size, axis=0, overwrite_x=True)
        image = np.zeros((size, size), np.float32)
        image[:, kept] = (wave.real**2 + wave.imag**2) / np.float32(size**2 * grid.open_cells)
        return image

    def _step_um(self, wavelength_um: float, size: int, grid: _Grid) -> float:
        """Return how far apart on the sensor the samples of a transform of that length lie."""
        return wavelength_um * self.telescope.optics.focal_length_mm / (size * grid.cell_mm)

    def _share_out(
        self,
        stamp: Image,
        intensity: Image,
        wavelength_um: float,
        grid: _Grid,
        star: Star,
        shift_px: tuple[float, float],
    ) -> None:
        """Add one wavefront's image to a stamp of pixels around the star's nearest pixel."""
        optics = self.telescope.optics
        size, reach = intensity.shape[0], stamp.shape[0] // 2
        step_px = self._step_um(wavelength_um, size, grid) / optics.pixel_um
        columns = _overlap(size, step_px, star.x_px - round(star.x_px) + shift_px[0], reach)
        rows = _overlap(size, step_px, star.y_px - round(star.y_px) + shift_px[1], reach)
        by_row = rows @ intensity
        stamp += (columns @ np.ascontiguousarray(by_row.T)).T

    def _focus(self, light: Light, wavelength_um: float) -> float:
        """Return the focus at a wavelength less the band's mean focus."""
        off = wavelength_um - light.band.centre_nm * 1e-3
        bend = off**2 - (light.band.width_nm * 1e-3) ** 2 / 12.0
        return light.focus_slope_um_per_um * off + light.focus_bend_um_per_um2 * bend

    def _motion_px(self, light: Light) -> float:
        optics = self.telescope.optics
        return light.air.tilt_sigma_rad(optics.aperture_mm) * optics.focal_length_mm * 1e3 / optics.pixel_um


def _stratified(band: Band, count: int, rng: np.random.Generator) -> Array:
    """Return one wavelength (um) from each of ``count`` equal strata of the band, flat in photons."""
    places = (np.arange(count) + rng.random(count)) / count - 0.5
    return np.asarray((band.centre_nm + band.width_nm * places) * 1e-3)


def refractivity(wavelength_um: float) -> float:
    """Return n - 1 of dry air at 15 C and 1013 hPa (Edlen 1953, as in Filippenko 1982, equation 1)."""
    squared = wavelength_um**-2
    return 1e-6 * (64.328 + 29498.1 / (146.0 - squared) + 255.4 / (41.0 - squared))


def _shift_px(telescope: Telescope, light: Light, wavelength_um: float, moment: float) -> tuple[float, float]:
    """Return a wavefront's place relative to the star's mean place: drift and atmospheric dispersion."""
    optics = telescope.optics
    bend = refractivity(wavelength_um) - refractivity(light.band.centre_nm * 1e-3)
    lift = bend / math.tan(math.radians(light.altitude_deg)) * optics.focal_length_mm * 1e3 / optics.pixel_um
    angle = math.radians(light.zenith_deg)
    across, along = light.drift_px
    return (across * (moment - 0.5) + lift * math.cos(angle), along * (moment - 0.5) + lift * math.sin(angle))


def _overlap(size: int, step_px: float, centre_px: float, reach: int) -> scipy.sparse.csr_array:
    """Return the sparse matrix that shares image samples out over pixels by overlapping lengths."""
    pixels = np.arange(-reach, reach + 1)
    low = (pixels - 0.5 - centre_px) / step_px + size / 2.0 + 0.5
    high = low + 1.0 / step_px
    width = math.ceil(1.0 / step_px) + 1
    samples = np.floor(low).astype(np.int64)[:, None] + np.arange(width)[None, :]
    weights = np.clip(
        np.minimum(high[:, None], samples + 1.0) - np.maximum(low[:, None], samples.astype(float)), 0.0, None
    )
    weights = np.where((samples >= 0) & (samples < size), weights, 0.0)
    pointers = np.arange(pixels.size + 1) * width
    columns = np.clip(samples, 0, size - 1)
    return scipy.sparse.csr_array(
        (weights.astype(np.float32).ravel(), columns.ravel().astype(np.int32), pointers),
        shape=(pixels.size, size),
    )


def _fading(reach: int) -> Image:
    """Return a round window, so that no stamp ends in a visible edge."""
    places = np.arange(-reach, reach + 1) / (reach + 1.0)
    radius = np.hypot(places[:, None], places[None, :])
    return np.asarray(np.clip((1.0 - radius) / STAMP_FADE, 0.0, 1.0), dtype=np.float32)


def _add(frame: Image, stamp: Image, star: Star, reach: int) -> None:
    """Add a stamp to the frame around the star's nearest pixel, cut at the frame's edges."""
    top, left = round(star.y_px) - reach, round(star.x_px) - reach
    rows = slice(max(0, top), min(frame.shape[0], top + stamp.shape[0]))
    columns = slice(max(0, left), min(frame.shape[1], left + stamp.shape[1]))
    if rows.start < rows.stop and columns.start < columns.stop:
        frame[rows, columns] += stamp[
            rows.start - top : rows.stop - top, columns.start - left : columns.stop - left
        ]
