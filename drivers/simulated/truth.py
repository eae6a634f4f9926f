"""What a simulated rig really is, in the words of a profile: for tests, campaigns and the rehearsal alone.

Pure functions of the rig's name and seed; nothing here talks to a rig that is running. Positions rise
outward, as everywhere in the science.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.simulated.parameters import Rig, load_rig
from drivers.simulated.pupil import Telescope
from routines.optics import Array, critical_focus_zone_um, spike_error_px_per_um, spike_error_um

INWARD, OUTWARD = -1, 1


@dataclass(frozen=True, slots=True)
class TrueNumbers:
    """The numbers that a profile of this rig should hold; steps of the motor, counts rising outward."""

    rig: Rig
    backlash_steps: float
    transition_steps: float
    step_um: float
    slope_px_per_step: float
    reference_filter: str
    offsets_steps: dict[str, float]
    temperature_coefficient_steps_per_c: float
    critical_focus_zone_steps: dict[str, float]
    orientation_deg: float

    def crossing_steps(self, filter_name: str, side: int, time_s: float) -> float:
        """Return where the spike error is zero on a branch, ``time_s`` seconds after the night began.

        The drive's periodic error is left out: it is a ripple about this.
        """
        tube, weather = self.rig.tube, self.rig.weather
        warmed = tube.steps_per_c * (weather.tube_c(time_s) - tube.reference_c)
        place = tube.best_steps + warmed + self.place_offset_steps(filter_name)
        return place + (self.backlash_steps if side == OUTWARD else 0.0)

    def place_offset_steps(self, filter_name: str) -> float:
        """Return the mask's crossing of a filter against the reference filter's mean focus."""
        shift_um = mask_crossing_um(self.rig.telescope, self.rig.glass(filter_name).band.centre_nm * 1e-3)
        return (self.rig.glass(filter_name).focus_um + shift_um) / self.step_um

    def tube_temperature_c(self, time_s: float) -> float:
        """Return the tube's own temperature."""
        return self.rig.weather.tube_c(time_s)


def true_numbers(rig_name: str, seed: int) -> TrueNumbers:
    """Return the truth of a rig; ValueError when there is no such rig."""
    return truth_of(load_rig(rig_name, seed))


def truth_of(rig: Rig) -> TrueNumbers:
    """Return the truth of a rig whose every number is given."""
    step_um = rig.tube.step_um
    optics = rig.telescope.optics
    names = [glass.band.name for glass in rig.filters]
    numbers = TrueNumbers(
        rig=rig,
        backlash_steps=rig.train.lost_motion_steps,
        transition_steps=rig.train.transition_steps,
        step_um=step_um,
        slope_px_per_step=spike_error_px_per_um(optics, rig.telescope.mask) * step_um,
        reference_filter=rig.reference_filter,
        offsets_steps={},
        temperature_coefficient_steps_per_c=rig.tube.steps_per_c,
        critical_focus_zone_steps={
            glass.band.name: critical_focus_zone_um(glass.band.centre_nm * 1e-3, optics) / step_um
            for glass in rig.filters
        },
        orientation_deg=rig.telescope.mask.orientation_deg,
    )
    reference = numbers.place_offset_steps(rig.reference_filter)
    for name in names:
        numbers.offsets_steps[name] = numbers.place_offset_steps(name) - reference
    return numbers


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
