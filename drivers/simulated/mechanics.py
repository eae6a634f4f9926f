"""The simulated focus train: a motor at one end, a drawtube at the other, and gears with play between.

Written from the mechanics: teeth that leave one flank must cross their gap before they push on the other.
Everything here rises outward, in motor steps; a controller whose counts fall outward is turned round where
it meets the train.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Train:
    """What the gears and the drawtube are like, in steps of the motor.

    ``play_steps`` is the mean gap between the flanks, and ``spread_steps`` the width over which contacts
    take hold one after another. ``preload`` is the share of the gap that the load's weight keeps closed.
    ``creep_steps_per_s`` lets the load slide inside the gap towards inward. ``slip`` is the share of outward
    travel that is lost for good. The periodic term is the drive's error once a turn.
    """

    play_steps: float
    spread_steps: float = 0.0
    preload: float = 0.0
    creep_steps_per_s: float = 0.0
    slip: float = 0.0
    periodic_steps: float = 0.0
    period_steps: float = 500.0
    periodic_phase_rad: float = 0.0
    inner_stop_steps: float = -math.inf
    outer_stop_steps: float = math.inf

    @property
    def lost_motion_steps(self) -> float:
        """Return the mean travel that is lost on a reversal, with the preload counted in."""
        return self.play_steps * (1.0 - self.preload)

    @property
    def transition_steps(self) -> float:
        """Return the width over which the contacts take hold, with the preload counted in."""
        return self.spread_steps * (1.0 - self.preload)


class FocusTrain:
    """Follows the motor with a drawtube that is carried by several contacts, each with a gap of its own.

    A contact rests while the motor crosses its gap and is pushed when a flank meets it: with the inner flank
    touching it stands where the motor is, with the outer flank touching it lags by the gap. The drawtube
    stands at the mean of its contacts.
    """

    CONTACTS = 48

    def __init__(self, train: Train, motor_steps: float, slack_share: float = 0.0) -> None:
        self.train = train
        self.locked = False
        ranks = (np.arange(self.CONTACTS) + 0.5) / self.CONTACTS - 0.5
        gaps = train.lost_motion_steps + train.transition_steps * ranks
        self._gaps: NDArray[np.float64] = np.asarray(np.maximum(gaps, 0.0), dtype=np.float64)
        self._slipped = 0.0
        self._motor = motor_steps
        driven = motor_steps + self._drive_error(motor_steps)
        self._contacts = np.asarray(driven - slack_share * self._gaps, dtype=np.float64)

    @property
    def place_steps(self) -> float:
        """Return where the drawtube stands, on the motor's scale."""
        place = float(np.mean(self._contacts))
        return min(max(place, self.train.inner_stop_steps), self.train.outer_stop_steps)

    def _drive_error(self, motor_steps: float) -> float:
        """Return the drive's error at a motor place; it is on the motor's side of the gaps."""
        turn = 2.0 * math.pi * motor_steps / self.train.period_steps + self.train.periodic_phase_rad
        return self.train.periodic_steps * math.sin(turn)

    def turn_to(self, motor_steps: float) -> None:
        """Let the motor turn straight to a place; only the ends of a one-way turn matter to the gears."""
        travel = motor_steps - self._motor
        self._motor = motor_steps
        if self.locked:
            self._slipped += travel
            return
        if travel > 0.0:
            self._slipped += self.train.slip * travel
        pushed = motor_steps + self._drive_error(motor_steps) - self._slipped
        self._contacts = np.clip(self._contacts, pushed - self._gaps, pushed)

    def rest(self, seconds: float) -> None:
        """Let time pass with the motor still: a load without a brake slides back inside the gap."""
        if self.train.creep_steps_per_s > 0.0 and not self.locked:
            pushed = self._motor + self._drive_error(self._motor) - self._slipped
            slid = self._contacts - self.train.creep_steps_per_s * seconds
            self._contacts = np.maximum(slid, pushed - self._gaps)
