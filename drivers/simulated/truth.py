"""What a simulated rig really is, in the words of a profile: for tests, campaigns and the rehearsal alone.

Pure functions of the rig's name and seed; nothing here talks to a rig that is running. Positions rise
outward, as everywhere in the science.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.simulated.mask_shift import mask_crossing_um
from drivers.simulated.parameters import Rig, load_rig
from routines.optics import critical_focus_zone_um, spike_error_px_per_um

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

    def drive_error_steps(self, motor_steps: float) -> float:
        """Return how far the drive's once-a-turn error puts the drawtube outward at a motor position."""
        train = self.rig.train
        turn = 2.0 * math.pi * motor_steps / train.period_steps + train.periodic_phase_rad
        return train.periodic_steps * math.sin(turn)

    def met_crossing_steps(self, filter_name: str, side: int, time_s: float) -> float:
        """Return the motor position at which the spike error really is zero, the drive's error included."""
        place = self.crossing_steps(filter_name, side, time_s)
        motor = place
        for _ in range(3):
            motor = place - self.drive_error_steps(motor)
        return motor

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
        glass = self.rig.glass(filter_name)
        return (glass.focus_um + mask_crossing_um(self.rig.telescope, glass)) / self.step_um

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
