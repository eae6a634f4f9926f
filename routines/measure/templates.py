"""The transfer functions of a masked star over defocus, for one filter: the expensive part, made once.

An image of the star, on pixels, is a sum over wavelengths of diffraction through the masked pupil, blurred
by the seeing, shifted to the star's place and summed over each pixel. All but the sum over wavelengths are
products in spatial frequency, so what is kept is the polychromatic transfer function at a ladder of
defoci; between its rungs it is interpolated. Intensity is band-limited in defocus (the pupil's phase
spans z / (8 N^2 lambda) cycles), so a ladder of half that Nyquist step loses nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from routines.measure.slits import Slits, inner, radius_cells
from routines.optics import (
    Array,
    Band,
    Mask,
    Optics,
    clear_to_radius,
    defocus_phase_rad,
    grating_order_um,
)

Complex = NDArray[np.complex64]

_INTERPOLATION_POINTS = 8
_RUNGS_PER_ZONE, _COARSE_RUNGS_PER_ZONE = 2.0, 1.5
_LOCAL_POINTS = 3
# Past the reach: half as many as would keep its very ends in the middle of those they are interpolated from.
_RUNGS_BEYOND = 2
_ON_A_NODE = 1e-7
_LOCAL_RUNGS_PER_ZONE = 6.0
SPIKE_SPACING_PX = 1.4
SPARE_FREQUENCY = 0.65
_MUCH_FEWER = 0.88
_HIGHEST_ORDER = 25


@dataclass(frozen=True, slots=True)
class Window:
    """The square that is modelled: ``cutout_px`` are compared with data, ``grid_px`` are computed."""

    cutout_px: int
    grid_px: int

    @classmethod
    def around(cls, cutout_px: int) -> Window:
        """Return a window whose grid has room for light that a shifted star brings in from outside.

        Half the grid is even too, for a star at half the sampling.
        """
        grid = int(fft.next_fast_len(cutout_px + 24, real=True))
        while grid % 4:
            grid = int(fft.next_fast_len(grid + 1, real=True))
        return cls(cutout_px, grid)


@dataclass(frozen=True, slots=True, eq=False)
class Templates:
    """Transfer functions at defoci ``0, step, 2 step, ...``; negative ones are their conjugates.

    ``transfer`` has shape (rungs, 2 * grid_px, grid_px + 1): frequencies to one cycle a pixel, both ways in
    y and from zero in x, normalised to the light that passes the mask.
    """

    window: Window
    step_um: float
    transfer: Complex
    reach_um: float

    def at(self, defocus_um: float, cells: int) -> Complex:
        """Return the transfer function at a defocus, its lowest frequencies: so many cells either way."""
        first, values, _ = self._weights(defocus_um)
        return self._mixed(first, values, cells)

    def slope_at(self, defocus_um: float, cells: int) -> Complex:
        """Return the transfer function's derivative to defocus (1/um), at its lowest frequencies."""
        first, _, slopes = self._weights(defocus_um)
        return self._mixed(first, slopes / self.step_um, cells)

    def _weights(self, defocus_um: float) -> tuple[int, Array, Array]:
        """Return the first of the rungs about a defocus, and the weights of each for value and derivative.

        Near the ends of the reach the defocus stands a little off their middle.
        """
        place = float(np.clip(defocus_um, -self.reach_um, self.reach_um)) / self.step_um
        first, last = math.floor(place) - _INTERPOLATION_POINTS // 2 + 1, len(self.transfer) - 1
        first = min(max(first, -last), last - _INTERPOLATION_POINTS + 1)
        return first, *_lagrange(place - first, _INTERPOLATION_POINTS)

    def _mixed(self, first: int, weights: Array, cells: int) -> Complex:
        """Return a sum of rungs from the first one on; those below zero are conjugates."""
        below = min(max(-first, 0), len(weights))
        total: Complex | None = None
        if below < len(weights):
            low = first + below
            total = _mixed(weights[below:], self.transfer[low : first + len(weights)], cells)
        if below > 0:
            rungs = self.transfer[1 - first - below : 1 - first]
            mirrored = _mixed(weights[below - 1 :: -1], rungs, cells)
            np.conjugate(mirrored, out=mirrored)
            total = mirrored if total is None else total + mirrored
        assert total is not None
        return total


@dataclass(frozen=True, slots=True, eq=False)
class LocalTemplates:
    """Transfer functions at a few defoci around one: for a star whose defocus is nearly known.

    Cheaper by far than a ladder, and used where the geometry changes and nothing else.
    """

    window: Window
    centre_um: float
    step_um: float
    transfer: Complex

    @property
    def reach_um(self) -> float:
        """Return the largest defocus, either way, that is asked of it; beyond its rungs it extrapolates."""
        return abs(self.centre_um) + (_LOCAL_POINTS - 1) / 2.0 * self.step_um

    def at(self, defocus_um: float, cells: int) -> Complex:
        """Return the transfer function at a defocus, its lowest frequencies: so many cells either way."""
        return _mixed(self._weights(defocus_um)[0], self.transfer, cells)

    def slope_at(self, defocus_um: float, cells: int) -> Complex:
        """Return the transfer function's derivative to defocus (1/um), at its lowest frequencies."""
        return _mixed(self._weights(defocus_um)[1] / self.step_um, self.transfer, cells)

    def _weights(self, defocus_um: float) -> tuple[Array, Array]:
        place = (defocus_um - self.centre_um) / self.step_um + (_LOCAL_POINTS - 1) / 2.0
        return _lagrange(float(np.clip(place, -0.5, _LOCAL_POINTS - 0.5)), _LOCAL_POINTS)

    def passing_through(self, defocus_um: float, transfer: Complex) -> LocalTemplates:
        """Return templates that change with defocus as these do, and at one defocus are what is given."""
        return replace(self, transfer=self.transfer + (transfer - self.at(defocus_um, self.window.grid_px)))


def _mixed(weights: Array, rungs: Complex, cells: int) -> Complex:
    """Return a sum of rungs by real weights, at their lowest frequencies.

    Row by row, since only those frequencies are read; real products are half of complex ones' work.
    """
    parts = rungs.view(np.float32)[:, :, : 2 * (cells + 1)].transpose(1, 0, 2)
    factors = weights.astype(np.float32)[None, :]
    mixed = np.empty((2 * cells, 1, parts.shape[2]), np.float32)
    np.matmul(factors, parts[:cells], out=mixed[:cells])
    np.matmul(factors, parts[-cells:], out=mixed[cells:])
    return np.asarray(mixed.view(np.complex64)[:, 0])


def _lagrange(place: float, count: int) -> tuple[Array, Array]:
    """Return Lagrange weights, and their derivatives, for nodes 0 to count - 1 at ``place`` among them."""
    nodes = np.arange(count, dtype=np.float64)
    if abs(place - round(place)) < _ON_A_NODE:
        place += 2.0 * _ON_A_NODE
    ahead = place - nodes
    apart = nodes[:, None] - nodes[None, :]
    np.fill_diagonal(apart, 1.0)
    values = np.prod(ahead) / ahead / np.prod(apart, axis=1)
    slopes = values * ((1.0 / ahead).sum() - 1.0 / ahead)
    return np.asarray(values), np.asarray(slopes)


def make_templates(
    optics: Optics,
    mask: Mask,
    band: Band,
    window: Window,
    reach_um: float,
    *,
    coarse: bool = False,
    spacing_px: float = SPIKE_SPACING_PX,
    spare_per_px: float = SPARE_FREQUENCY,
) -> Templates:
    """Compute the ladder of transfer functions out to ``reach_um`` either side of focus.

    ``coarse`` saves most of the work where far spikes a little lumpy do no harm: learning the geometry.
    ``spacing_px`` and ``spare_per_px`` as for `transfer_functions`.
    """
    step_um = _quarter_wave_depth_um(optics, band) / (_COARSE_RUNGS_PER_ZONE if coarse else _RUNGS_PER_ZONE)
    rungs = max(math.ceil(reach_um / step_um) + _RUNGS_BEYOND, _INTERPOLATION_POINTS // 2) + 1
    defoci_um = np.arange(rungs, dtype=np.float64) * step_um
    transfer = transfer_functions(
        optics,
        mask,
        band,
        window,
        defoci_um,
        coarse=coarse,
        spacing_px=spacing_px,
        spare_per_px=spare_per_px,
    )
    return Templates(window, step_um, transfer, reach_um)


def make_local_templates(
    optics: Optics, mask: Mask, band: Band, window: Window, centre_um: float
) -> LocalTemplates:
    """Compute coarse transfer functions around one defocus, which is the middle rung."""
    step_um = _quarter_wave_depth_um(optics, band) / _LOCAL_RUNGS_PER_ZONE
    places = np.arange(_LOCAL_POINTS, dtype=np.float64) - (_LOCAL_POINTS - 1) / 2.0
    defoci_um = centre_um + places * step_um
    transfer = transfer_functions(optics, mask, band, window, defoci_um, coarse=True)
    return LocalTemplates(window, centre_um, step_um, transfer)


def _quarter_wave_depth_um(optics: Optics, band: Band) -> float:
    """Return the Nyquist step of intensity in defocus at the band's shortest wavelength, 4 lambda N^2."""
    return 4.0 * (band.centre_nm - band.width_nm / 2.0) * 1e-3 * optics.focal_ratio**2


def transfer_functions(
    optics: Optics,
    mask: Mask,
    band: Band,
    window: Window,
    defoci_um: Array,
    *,
    coarse: bool = False,
    spacing_px: float = SPIKE_SPACING_PX,
    spare_per_px: float = SPARE_FREQUENCY,
) -> Complex:
    """Return the polychromatic transfer function at each defocus, shape (n, 2 grid, grid + 1).

    ``spacing_px`` is how far apart in the spikes neighbouring wavelengths may lie, ``spare_per_px`` the
    frequency up to which nothing folds over that the pixels do not fold.
    """
    waves = wavelength_count(optics, mask, band, window, coarse=coarse, spacing_px=spacing_px)
    wavelengths_um, weights = band.quadrature(waves)
    needed = [_samples_across(optics, w, window, spare_per_px) for w in wavelengths_um]
    total = np.zeros((len(defoci_um), 2 * window.grid_px, window.grid_px + 1), np.complex64)
    for batch in _batches(needed):
        count = needed[batch.start]
        images = _images(optics, mask, window, count, wavelengths_um[batch], weights[batch], defoci_um)
        for kept, image in zip(total, images, strict=True):
            _add_stored_frequencies(kept, fft.rfft2(image))
    total /= np.abs(total[0, 0, 0])
    return total


def wavelength_count(
    optics: Optics,
    mask: Mask,
    band: Band,
    window: Window,
    *,
    coarse: bool = False,
    spacing_px: float = SPIKE_SPACING_PX,
) -> int:
    """Return how many wavelengths make the spikes smooth: so far apart where orders still count.

    That is the third order, or the first where a coarse model will do; orders beyond the third hold a few
    per cent of the light and are wider than their spacing.
    """
    farthest_um = grating_order_um(1.0 if coarse else 3.0, band.centre_nm * 1e-3, optics, mask)
    farthest_um = min(farthest_um, window.cutout_px * optics.pixel_um / 2)
    spread_px = farthest_um * band.width_nm / band.centre_nm / optics.pixel_um
    return max(2, math.ceil(spread_px / spacing_px))


def _samples_across(optics: Optics, wavelength_um: float, window: Window, spare_per_px: float) -> int:
    """Return samples across the grid such that what folds over lands where the blur has taken everything.

    Not a whole number to each pixel: only frequencies are kept of the image. Large pixels at a fast focal
    ratio need more of them: folded light would pass for a narrower or a wider star, and be taken up by the
    clear diameter. Beyond twice the cut-off nothing folds.
    """
    cutoff_per_px = optics.pixel_um / (wavelength_um * optics.focal_ratio)
    needed_per_px = cutoff_per_px + min(cutoff_per_px, spare_per_px)
    return int(fft.next_fast_len(math.ceil(window.grid_px * needed_per_px) + 2, real=True))


def _batches(needed: list[int]) -> Iterator[slice]:
    """Yield batches of wavelengths, rising, that share their first one's samples, as many as any needs.

    Images of one size are summed, and transformed back only once.
    """
    begin = 0
    for place, count in enumerate(needed):
        if count < _MUCH_FEWER * needed[begin]:
            yield slice(begin, place)
            begin = place
    yield slice(begin, len(needed))


def _images(
    optics: Optics,
    mask: Mask,
    window: Window,
    count: int,
    wavelengths_um: Array,
    weights: Array,
    defoci_um: Array,
) -> NDArray[np.float32]:
    """Return the images summed over the given wavelengths, one for each defocus, star at sample (0, 0).

    Each is ``count`` samples square over the window's grid.
    """
    squares = np.zeros((len(defoci_um), count, 2 * count), np.float32)
    field = np.zeros((count, count), np.complex64)
    cells_mm = wavelengths_um * optics.focal_length_mm / (window.grid_px * optics.pixel_um)
    reaches = [min(math.ceil(optics.aperture_mm / 2.0 / cell) + 1, count // 2) for cell in cells_mm]
    slits, distance_cells = Slits.on_grid(max(reaches), mask), radius_cells(max(reaches))
    for wavelength_um, weight, cell_mm, reach in zip(wavelengths_um, weights, cells_mm, reaches, strict=True):
        orders = _orders_inside(optics, mask, wavelength_um, window)
        amplitude = slits.amplitude(reach, cell_mm, orders)
        amplitude *= clear_to_radius(inner(distance_cells, reach) * np.float32(cell_mm), cell_mm, optics)
        amplitude *= np.float32(math.sqrt(weight) * cell_mm / count)
        axis2_mm2 = (np.arange(-reach, reach) * cell_mm) ** 2
        for square, defocus_um in zip(squares, defoci_um, strict=True):
            phase = np.exp(1j * defocus_phase_rad(axis2_mm2, float(defocus_um), wavelength_um, optics))
            _add_squares(square, amplitude, phase.astype(np.complex64), field)
    return np.asarray(squares[..., ::2] + squares[..., 1::2])


def _orders_inside(optics: Optics, mask: Mask, wavelength_um: float, window: Window) -> int:
    """Return how many grating orders fall inside the window.

    A grid cannot tell an order beyond its edge from one folded back inside; leaving out the harmonic that
    makes it is exact for the rest, since each order is the aperture's own image, displaced.
    """
    first_um = grating_order_um(1.0, wavelength_um, optics, mask)
    return min(int(window.grid_px * optics.pixel_um / 2.0 / first_um), _HIGHEST_ORDER)


def _add_squares(
    squares: NDArray[np.float32], amplitude: NDArray[np.float32], phase: Complex, field: Complex
) -> None:
    """Add the squares of a pupil's far field, its two parts side by side, star at sample (0, 0).

    The pupil is ``amplitude`` times ``phase`` along each axis. Where it lies in its array only turns the
    field's phase, so it is padded on one side, and rows that hold nothing are never transformed. ``field`` is
    room to work in: fresh memory each time would cost as much as the transforms.
    """
    side = len(phase)
    pupil = field[:side, :side]
    np.multiply(amplitude, phase, out=pupil)
    pupil *= phase[:, None]
    field[:side, side:], field[side:] = 0.0, 0.0
    rows = fft.fft(field[:side], axis=1, overwrite_x=True)
    if not np.may_share_memory(rows, field):  # in place as a rule: a copy onto itself takes a tenth of it all
        field[:side] = rows
    far = np.ascontiguousarray(fft.fft(field, axis=0, overwrite_x=True)).view(np.float32)
    np.square(far, out=far)
    squares += far


def _add_stored_frequencies(kept: Complex, transform: Complex) -> None:
    """Add the frequencies up to one cycle a pixel of a transform, as far as it was sampled, to those kept."""
    half = kept.shape[1] - 1
    reach = min(half, (transform.shape[0] - 1) // 2)
    positive = min(reach + 1, half)
    kept[:positive, : reach + 1] += transform[:positive, : reach + 1]
    kept[-reach:, : reach + 1] += transform[-reach:, : reach + 1]
