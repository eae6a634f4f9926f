"""The physics shared by measurement and simulated sky: pupil, mask, defocus, diffraction, focus zones.

Conventions. Pupil and image axes are parallel; defocus is sensor minus focus along the axis, positive
outward (away from the objective). A ray from pupil point r meets a sensor defocused by z at ``-r z / f``.
The mask's own axes: u points away from the half with the straight slits, towards the two quarters, and
v is u turned by +90 degrees. The orientation is the direction of u on the sensor, anticlockwise from +x.
Callers choose their own sampling; nothing here holds a grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GAUSSIAN_FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))


@dataclass(frozen=True, slots=True)
class Optics:
    """The telescope and sensor as far as diffraction cares; ``aperture_mm`` is clear, behind the mask."""

    focal_length_mm: float
    aperture_mm: float
    obstruction_ratio: float
    pixel_um: float

    @property
    def focal_ratio(self) -> float:
        """Return focal length over clear diameter."""
        return self.focal_length_mm / self.aperture_mm

    def radius_centroid_mm(self) -> float:
        """Return the distance of a half-annulus's centroid from the diameter that bounds it.

        4R/(3 pi) for a full aperture (plane geometry); a quarter has the same along both its edges.
        """
        outer = self.aperture_mm / 2.0
        inner = outer * self.obstruction_ratio
        return 4.0 / (3.0 * math.pi) * (outer**3 - inner**3) / (outer**2 - inner**2)


@dataclass(frozen=True, slots=True)
class Mask:
    """A Bahtinov mask: one half with straight slits, two quarters with slits tilted either way.

    ``slit_period_mm`` is slit plus bar and ``slit_duty`` the open part of it. ``tilt`` +1 means that the
    quarter on the +v side throws its spike along (sin a, cos a) in (u, v), -1 along (-sin a, cos a).
    ``slit_phases`` shift the slits of the straight half and of the quarters on the +v and -v side by
    that fraction of a period from having a slit on the axis.
    """

    slit_period_mm: float
    arm_angle_deg: float
    slit_duty: float = 0.5
    orientation_deg: float = 0.0
    tilt: int = 1
    slit_phases: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def displacement_factor(self) -> float:
        """Return 2 - tilt * tan(arm angle): the spike error in units of one sub-aperture's shift."""
        return 2.0 - self.tilt * math.tan(math.radians(self.arm_angle_deg))

    def spike_directions_deg(self) -> tuple[float, float, float]:
        """Return the directions of the middle and the two outer spikes on the sensor, in [0, 180)."""
        middle = self.orientation_deg + 90.0
        lean = self.tilt * self.arm_angle_deg
        return (middle % 180.0, (middle - lean) % 180.0, (middle + lean) % 180.0)


@dataclass(frozen=True, slots=True)
class Band:
    """A filter's pass band: ``width_nm`` is the full width, flat in photons."""

    name: str
    centre_nm: float
    width_nm: float

    def quadrature(self, count: int) -> tuple[Array, Array]:
        """Return ``count`` midpoint wavelengths (um) across the band and their equal weights."""
        places = (np.arange(count) + 0.5) / count - 0.5
        return (self.centre_nm + self.width_nm * places) * 1e-3, np.full(count, 1.0 / count)


def spike_error_um(optics: Optics, mask: Mask, defocus_um: float) -> float:
    """Return how far the middle spike stands from the outer two's crossing, along u, on the sensor.

    Sub-aperture displacement = centroid * dz / f, by similar triangles; each spike passes through its own
    displaced centre, which gives (2 - tilt tan a) of them between the middle spike and the crossing.
    """
    shift = optics.radius_centroid_mm() * defocus_um / optics.focal_length_mm
    return mask.displacement_factor() * shift


def spike_error_px_per_um(optics: Optics, mask: Mask) -> float:
    """Return the spike error in unbinned pixels for one micrometre of defocus."""
    return spike_error_um(optics, mask, 1.0) / optics.pixel_um


def open_fraction(places_mm: Array, cell_mm: float, mask: Mask, phase: float = 0.0) -> Array:
    """Return how much of a cell of width ``cell_mm`` centred at each place the slits leave open.

    Averaging over the cell, and not sampling its centre, keeps the orders' strengths right on any grid.
    """
    period, duty = mask.slit_period_mm, mask.slit_duty

    def opened_up_to(place: Array) -> Array:
        turns = place / period + duty / 2.0 - phase
        whole = np.floor(turns)
        return (whole * duty + np.minimum(turns - whole, duty)) * period

    half = cell_mm / 2.0
    opened = opened_up_to(places_mm + half) - opened_up_to(places_mm - half)
    return np.asarray(opened / cell_mm)


def clear_aperture(x_mm: Array, y_mm: Array, cell_mm: float, optics: Optics) -> Array:
    """Return the amplitude of the unmasked pupil on a grid, with edges averaged over the cell."""
    return np.asarray(clear_to_radius(np.hypot(x_mm, y_mm), cell_mm, optics), np.float64)


def clear_to_radius(radius_mm: NDArray[np.floating], cell_mm: float, optics: Optics) -> NDArray[np.floating]:
    """Return the unmasked pupil's amplitude at radii, in their precision, edges averaged over the cell."""
    outer = optics.aperture_mm / 2.0
    amplitude = np.clip((outer - radius_mm) / cell_mm + 0.5, 0.0, 1.0)
    if optics.obstruction_ratio > 0.0:
        amplitude *= np.clip((radius_mm - outer * optics.obstruction_ratio) / cell_mm + 0.5, 0.0, 1.0)
    return np.asarray(amplitude)


def mask_amplitude(x_mm: Array, y_mm: Array, cell_mm: float, mask: Mask) -> Array:
    """Return the mask's transmission on a grid of pupil points, edges averaged over the cell."""
    turn = math.radians(mask.orientation_deg)
    u = x_mm * math.cos(turn) + y_mm * math.sin(turn)
    v = y_mm * math.cos(turn) - x_mm * math.sin(turn)
    lean = math.radians(mask.arm_angle_deg) * mask.tilt
    upper = open_fraction(u * math.sin(lean) + v * math.cos(lean), cell_mm, mask, mask.slit_phases[1])
    lower = open_fraction(-u * math.sin(lean) + v * math.cos(lean), cell_mm, mask, mask.slit_phases[2])
    straight = open_fraction(v, cell_mm, mask, mask.slit_phases[0])
    in_quarters = np.clip(u / cell_mm + 0.5, 0.0, 1.0)
    in_upper = np.clip(v / cell_mm + 0.5, 0.0, 1.0)
    quarters = upper * in_upper + lower * (1.0 - in_upper)
    return np.asarray(straight * (1.0 - in_quarters) + quarters * in_quarters)


def defocus_phase_rad(radius2_mm2: Array, defocus_um: float, wavelength_um: float, optics: Optics) -> Array:
    """Return the pupil phase of a defocused sensor: ``-pi z r^2 / (lambda f^2)`` (paraxial; Goodman 2005)."""
    scale = math.pi * defocus_um / (wavelength_um * optics.focal_length_mm**2)
    return np.asarray(-scale * radius2_mm2)


def grating_order_um(order: float, wavelength_um: float, optics: Optics, mask: Mask) -> float:
    """Return where a diffraction order falls, ``m lambda f / period``, from the star (grating equation)."""
    return order * wavelength_um * optics.focal_length_mm / mask.slit_period_mm


def airy_first_zero_um(wavelength_um: float, focal_ratio: float) -> float:
    """Return the radius of the first dark ring of an unobstructed pupil, 1.22 lambda N (Airy 1835)."""
    return 1.2196699 * wavelength_um * focal_ratio


def critical_focus_zone_um(wavelength_um: float, optics: Optics) -> float:
    """Return the total depth within which the wavefront error at the pupil's edge is a quarter wave.

    4 lambda N^2 in all, +/- 2 lambda N^2 (Rayleigh's criterion; Born & Wolf, Principles of Optics, section
    8.8; Schroeder, Astronomical Optics), wider by 1/(1 - obstruction^2) for an obstructed pupil. Other
    rules of the trade give other widths.
    """
    return 4.0 * wavelength_um * optics.focal_ratio**2 / (1.0 - optics.obstruction_ratio**2)


def seeing_focus_zone_um(seeing_fwhm_um: float, optics: Optics) -> float:
    """Return the total depth within which defocus widens a seeing-limited star by less than 10 %.

    The defocused pupil's variance, z^2 (1 + obstruction^2) / (16 N^2) an axis, added to the star's own.
    """
    blur_fwhm_per_um = (
        GAUSSIAN_FWHM_PER_SIGMA * math.sqrt(1.0 + optics.obstruction_ratio**2) / (4.0 * optics.focal_ratio)
    )
    return 2.0 * seeing_fwhm_um * math.sqrt(1.1**2 - 1.0) / blur_fwhm_per_um


def kolmogorov_fwhm_rad(wavelength_um: float, fried_parameter_mm: float) -> float:
    """Return the long-exposure seeing, 0.98 lambda / r0, for an infinite outer scale (Fried 1966)."""
    return 0.98 * wavelength_um * 1e-3 / fried_parameter_mm


def kolmogorov_transfer(frequency_per_um: Array, fwhm_um: float) -> Array:
    """Return the long-exposure seeing transfer, exp(-3.44 (lambda f nu / r0)^(5/3)) (Fried 1966).

    Written in the star's width: lambda f / r0 = FWHM / 0.98, so that no wavelength is needed.
    """
    ratio = np.abs(frequency_per_um) * (fwhm_um / 0.98)
    return np.asarray(np.exp(-3.44 * ratio ** (5.0 / 3.0)))


def gaussian_transfer(frequency_per_um: Array, fwhm_um: float) -> Array:
    """Return the transfer of a Gaussian blur of the given width."""
    sigma = fwhm_um / GAUSSIAN_FWHM_PER_SIGMA
    return np.asarray(np.exp(-2.0 * (math.pi * sigma * frequency_per_um) ** 2))
