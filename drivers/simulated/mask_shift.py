"""Where the mask sees focus: aberrations move its crossing off the mean focus, for each wavelength.

The rendered frames hold this by diffraction; the surrogate look and the truth work it out from the wavefront.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from drivers.simulated.pupil import Telescope
from routines.optics import Array, spike_error_um


@lru_cache(maxsize=64)
def mask_crossing_um(telescope: Telescope, wavelength_um: float) -> float:
    """Return the defocus at which the spike error is zero, moved off the mean focus by the aberrations.

    Each opening throws its light by f times the mean slope of the wavefront over it; the spike error is the
    same combination of those displacements as for defocus.
    """
    optics, mask = telescope.optics, telescope.mask
    slope_u, slope_v, u, v, inside = _slopes(telescope, wavelength_um)
    throw_um = optics.focal_length_mm * 1e3

    def mean(slope: Array, opening: Array) -> float:
        return throw_um * float(np.sum(slope * opening) / np.sum(opening))

    straight, upper, lower = inside * (u < 0), inside * (u > 0) * (v > 0), inside * (u > 0) * (v < 0)
    lean = mask.tilt * math.tan(math.radians(mask.arm_angle_deg))
    crossing = 0.5 * (
        mean(slope_u, upper) + mean(slope_u, lower) + lean * (mean(slope_v, lower) - mean(slope_v, upper))
    )
    return -(mean(slope_u, straight) - crossing) / spike_error_um(optics, mask, 1.0)


def _slopes(telescope: Telescope, wavelength_um: float) -> tuple[Array, Array, Array, Array, Array]:
    """Return the wavefront's slopes along u and v, the mask's coordinates, and the clear pupil."""
    optics, mask = telescope.optics, telescope.mask
    radius_mm = optics.aperture_mm / 2.0
    axis = (np.arange(400) - 199.5) / 200.0
    x, y = np.meshgrid(axis, axis)
    path_mm = telescope.aberrations.path_um(x, y, wavelength_um) * 1e-3
    slope_y, slope_x = np.gradient(path_mm, (axis[1] - axis[0]) * radius_mm)
    turn = math.radians(mask.orientation_deg)
    cosine, sine = math.cos(turn), math.sin(turn)
    radius = np.hypot(x, y)
    inside = ((radius <= 1.0) & (radius >= optics.obstruction_ratio)).astype(np.float64)
    return (
        np.asarray(slope_x * cosine + slope_y * sine),
        np.asarray(slope_y * cosine - slope_x * sine),
        np.asarray(x * cosine + y * sine),
        np.asarray(y * cosine - x * sine),
        inside,
    )
