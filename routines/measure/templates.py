"""The transfer functions of a masked star over defocus, for one filter: the expensive part, made once.

An image of the star, on pixels, is a sum over wavelengths of diffraction through the masked pupil, blurred
by the seeing, shifted to the star's place and summed over each pixel. All but the sum over wavelengths are
products in spatial frequency, so what is kept is the polychromatic transfer function at a ladder of
defoci; between its rungs it is interpolated. Intensity is band-limited in defocus (the pupil's phase
spans z / (8 N^2 lambda) cycles), so a ladder of half that Nyquist step loses nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from routines.optics import (
    Array,
    Band,
    Mask,
    Optics,
    clear_aperture,
    defocus_phase_rad,
    grating_order_um,
)

Complex = NDArray[np.complex64]

STORED_OVERSAMPLING = 2
_INTERPOLATION_POINTS = 8
_RUNGS_PER_ZONE = 2.0
_LOCAL_POINTS = 4
_ON_A_NODE = 1e-7
_LOCAL_RUNGS_PER_ZONE = 4.0
_SPIKE_SPACING_PX = 1.4
_SPARE_FREQUENCY, _COARSE_SPARE_FREQUENCY = 0.6, 0.4
_HIGHEST_ORDER = 25
_APERTURES_KEPT = 32


@dataclass(frozen=True, slots=True)
class Window:
    """The square that is modelled: ``cutout_px`` are compared with data, ``grid_px`` are computed."""

    cutout_px: int
    grid_px: int

    @classmethod
    def around(cls, cutout_px: int) -> Window:
        """Return a window whose grid has room for light that a shifted star brings in from outside."""
        grid = int(fft.next_fast_len(cutout_px + 24, real=True))
        while grid % 2:
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

    def at(self, defocus_um: float) -> tuple[Complex, Complex]:
        """Return the transfer function at a defocus and its derivative to defocus (1/um)."""
        place = float(np.clip(defocus_um, -self.reach_um, self.reach_um)) / self.step_um
        first = math.floor(place) - _INTERPOLATION_POINTS // 2 + 1
        nodes = np.arange(first, first + _INTERPOLATION_POINTS)
        values, slopes = _lagrange(place - first, _INTERPOLATION_POINTS)
        total: Complex | None = None
        slope: Complex | None = None
        for sign in (1, -1):
            chosen = (nodes >= 0) if sign > 0 else (nodes < 0)
            if not chosen.any():
                continue
            rungs = np.abs(nodes[chosen])
            low, high = int(rungs.min()), int(rungs.max()) + 1
            order = slice(None) if sign > 0 else slice(None, None, -1)
            weights = np.stack([values[chosen][order], slopes[chosen][order] / self.step_um])
            mixed = _mixed(weights, self.transfer[low:high])
            mixed = mixed if sign > 0 else mixed.conj()
            total = mixed[0] if total is None else total + mixed[0]
            slope = mixed[1] if slope is None else slope + mixed[1]
        assert total is not None and slope is not None
        return total, slope


@dataclass(frozen=True, slots=True, eq=False)
class LocalTemplates:
    """Transfer functions at a few defoci around one: for a star whose defocus is nearly known.

    Cheaper by far than a ladder, and used where the geometry changes and nothing else.
    """

    window: Window
    first_um: float
    step_um: float
    transfer: Complex

    @property
    def reach_um(self) -> float:
        """Return the largest defocus, either way, that is asked of it; beyond its rungs it extrapolates."""
        return max(abs(self.first_um), abs(self.first_um + (_LOCAL_POINTS - 1) * self.step_um))

    def at(self, defocus_um: float) -> tuple[Complex, Complex]:
        """Return the transfer function at a defocus and its derivative to defocus (1/um)."""
        place = float(np.clip((defocus_um - self.first_um) / self.step_um, -0.5, _LOCAL_POINTS - 0.5))
        values, slopes = _lagrange(place, _LOCAL_POINTS)
        mixed = _mixed(np.stack([values, slopes / self.step_um]), self.transfer)
        return mixed[0], mixed[1]


def _mixed(weights: Array, rungs: Complex) -> Complex:
    """Return sums of rungs by real weights (sums, rungs): real products are half of complex ones' work."""
    count = len(rungs)
    parts = rungs.reshape(count, -1).view(np.float32)
    mixed = weights.astype(np.float32) @ parts
    return np.asarray(mixed.view(np.complex64).reshape(len(weights), *rungs.shape[1:]))


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
    optics: Optics, mask: Mask, band: Band, window: Window, reach_um: float, *, coarse: bool = False
) -> Templates:
    """Compute the ladder of transfer functions out to ``reach_um`` either side of focus.

    ``coarse`` saves most of the work where far spikes a little lumpy do no harm: learning the geometry.
    """
    step_um = _quarter_wave_depth_um(optics, band) / _RUNGS_PER_ZONE
    rungs = math.ceil(reach_um / step_um) + _INTERPOLATION_POINTS // 2 + 1
    defoci_um = np.arange(rungs, dtype=np.float64) * step_um
    transfer = transfer_functions(optics, mask, band, window, defoci_um, coarse=coarse)
    return Templates(window, step_um, transfer, reach_um)


def make_local_templates(
    optics: Optics, mask: Mask, band: Band, window: Window, centre_um: float
) -> LocalTemplates:
    """Compute coarse transfer functions around one defocus."""
    step_um = _quarter_wave_depth_um(optics, band) / _LOCAL_RUNGS_PER_ZONE
    first_um = centre_um - (_LOCAL_POINTS - 1) / 2.0 * step_um
    defoci_um = first_um + np.arange(_LOCAL_POINTS, dtype=np.float64) * step_um
    transfer = transfer_functions(optics, mask, band, window, defoci_um, coarse=True)
    return LocalTemplates(window, first_um, step_um, transfer)


def _quarter_wave_depth_um(optics: Optics, band: Band) -> float:
    """Return the Nyquist step of intensity in defocus at the band's shortest wavelength, 4 lambda N^2."""
    return 4.0 * (band.centre_nm - band.width_nm / 2.0) * 1e-3 * optics.focal_ratio**2


def transfer_functions(
    optics: Optics, mask: Mask, band: Band, window: Window, defoci_um: Array, *, coarse: bool = False
) -> Complex:
    """Return the polychromatic transfer function at each defocus, shape (n, 2 grid, grid + 1)."""
    wavelengths_um, weights = band.quadrature(wavelength_count(optics, mask, band, window, coarse=coarse))
    finest = [_oversampling(optics, w, coarse=coarse) for w in wavelengths_um]
    total = np.zeros((len(defoci_um), 2 * window.grid_px, window.grid_px + 1), np.complex64)
    for oversampling in sorted(set(finest)):
        chosen = [i for i, value in enumerate(finest) if value == oversampling]
        images = _images(
            optics, mask, window, oversampling, wavelengths_um[chosen], weights[chosen], defoci_um
        )
        for index, image in enumerate(images):
            total[index] += _stored_frequencies(fft.rfft2(image), window)
    total /= np.abs(total[0, 0, 0])
    return total


def wavelength_count(optics: Optics, mask: Mask, band: Band, window: Window, *, coarse: bool = False) -> int:
    """Return how many wavelengths make the spikes smooth: a spacing of 1.4 px where orders still count.

    That is the third order, or the first where a coarse model will do; orders beyond the third hold a few
    per cent of the light and are wider than their spacing.
    """
    farthest_um = grating_order_um(1.0 if coarse else 3.0, band.centre_nm * 1e-3, optics, mask)
    farthest_um = min(farthest_um, window.cutout_px * optics.pixel_um / 2)
    spread_px = farthest_um * band.width_nm / band.centre_nm / optics.pixel_um
    return max(2, math.ceil(spread_px / _SPIKE_SPACING_PX))


def _oversampling(optics: Optics, wavelength_um: float, *, coarse: bool) -> int:
    """Return samples a pixel such that what folds over lands where the blur has taken everything.

    Large pixels at a fast focal ratio need more of them also where a coarse model will do: folded light would
    pass for a narrower or a wider star, and be taken up by the clear diameter.
    """
    cutoff_per_px = optics.pixel_um / (wavelength_um * optics.focal_ratio)
    spare = _COARSE_SPARE_FREQUENCY if coarse else _SPARE_FREQUENCY
    return max(STORED_OVERSAMPLING, math.ceil(cutoff_per_px + spare))


def _images(
    optics: Optics,
    mask: Mask,
    window: Window,
    oversampling: int,
    wavelengths_um: Array,
    weights: Array,
    defoci_um: Array,
) -> NDArray[np.float32]:
    """Return the images summed over the given wavelengths, one for each defocus, star at pixel (0, 0)."""
    count = window.grid_px * oversampling
    sample_um = optics.pixel_um / oversampling
    images = np.zeros((len(defoci_um), count, count), np.float32)
    field = np.empty((count, count), np.complex64)
    for wavelength_um, weight in zip(wavelengths_um, weights, strict=True):
        cell_mm = wavelength_um * optics.focal_length_mm / (count * sample_um)
        reach = min(math.ceil(optics.aperture_mm / 2.0 / cell_mm) + 1, count // 2)
        axis_mm = np.arange(-reach, reach) * cell_mm
        amplitude = _band_limited_pupil(axis_mm, cell_mm, optics, mask, wavelength_um, window)
        amplitude *= math.sqrt(weight) * cell_mm / count
        for image, defocus_um in zip(images, defoci_um, strict=True):
            phase = np.exp(1j * defocus_phase_rad(axis_mm**2, float(defocus_um), wavelength_um, optics))
            phase = phase.astype(np.complex64)
            _add_intensity(image, amplitude * phase[:, None] * phase[None, :], field)
    return images


def _add_intensity(image: NDArray[np.float32], pupil: Complex, field: Complex) -> None:
    """Add the far field's intensity of a pupil to an image with the star at pixel (0, 0).

    Where the pupil lies in its array only turns the field's phase, so it is padded on one side, and rows
    that hold nothing are never transformed. ``field`` is room of the image's shape to work in: fresh memory
    each time would cost as much as the transforms.
    """
    side = len(pupil)
    field[:side, :side], field[:side, side:], field[side:] = pupil, 0.0, 0.0
    field[:side] = fft.fft(field[:side], axis=1, overwrite_x=True)
    far = np.ascontiguousarray(fft.fft(field, axis=0, overwrite_x=True)).view(np.float32)
    np.square(far, out=far)
    image += far[:, ::2]
    image += far[:, 1::2]


def _band_limited_pupil(
    axis_mm: Array, cell_mm: float, optics: Optics, mask: Mask, wavelength_um: float, window: Window
) -> NDArray[np.float32]:
    """Return the masked pupil with only those grating orders that fall inside the window.

    A grid cannot tell an order beyond its edge from one folded back inside; leaving out the harmonic that
    makes it is exact for the rest, since each order is the aperture's own image, displaced.
    """
    first_um = grating_order_um(1.0, wavelength_um, optics, mask)
    orders = min(int(window.grid_px * optics.pixel_um / 2.0 / first_um), _HIGHEST_ORDER)
    slits = _harmonics(_slit_angle_rad(axis_mm, mask), orders, mask)
    slits *= _clear_aperture(len(axis_mm) // 2, cell_mm, optics)
    return slits


def _slit_angle_rad(axis_mm: Array, mask: Mask) -> NDArray[np.float32]:
    """Return the phase of the slits at each point of the pupil, each half and quarter in its own direction.

    In single precision: some 30 turns across the pupil leave an error of a millionth of a turn.
    """
    x = axis_mm.astype(np.float32)[None, :] * np.float32(2.0 * math.pi / mask.slit_period_mm)
    y = x.T
    turn, lean = math.radians(mask.orientation_deg), math.radians(mask.arm_angle_deg) * mask.tilt
    u = x * np.float32(math.cos(turn)) + y * np.float32(math.sin(turn))
    v = y * np.float32(math.cos(turn)) - x * np.float32(math.sin(turn))
    straight, upper, lower = (np.float32(2.0 * math.pi * phase) for phase in mask.slit_phases)
    tilted = np.sign(v) * (u * np.float32(math.sin(lean))) + v * np.float32(math.cos(lean))
    tilted -= np.where(v > 0.0, upper, lower)
    v -= straight
    return np.asarray(np.where(u > 0.0, tilted, v))


@lru_cache(maxsize=_APERTURES_KEPT)
def _clear_aperture(reach: int, cell_mm: float, optics: Optics) -> NDArray[np.float32]:
    """Return the unmasked pupil on a grid; most changes of a geometry leave it as it is."""
    axis_mm = np.arange(-reach, reach, dtype=np.float64) * cell_mm
    kept = clear_aperture(axis_mm[None, :], axis_mm[:, None], cell_mm, optics).astype(np.float32)
    kept.flags.writeable = False
    return kept


def _harmonics(angle: NDArray[np.float32], orders: int, mask: Mask) -> NDArray[np.float32]:
    """Return the slits' Fourier series to the given order, by the Chebyshev recurrence of cosines."""
    cosine: NDArray[np.float32] = np.cos(angle)
    before, now = np.ones_like(cosine), cosine
    series = np.full_like(cosine, mask.slit_duty)
    for order in range(1, orders + 1):
        strength = 2.0 * math.sin(math.pi * order * mask.slit_duty) / (math.pi * order)
        if abs(strength) > 1e-9:
            series += np.float32(strength) * now
        before, now = now, 2.0 * cosine * now - before
    return series


def _stored_frequencies(transform: Complex, window: Window) -> Complex:
    """Keep the frequencies up to one cycle a pixel of a transform sampled at least that finely."""
    half = window.grid_px
    kept = np.empty((2 * half, half + 1), np.complex64)
    kept[:half] = transform[:half, : half + 1]
    kept[half:] = transform[-half:, : half + 1]
    return kept
