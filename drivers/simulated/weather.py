"""The simulated night: the air's temperature, the tube that follows it late, the seeing, and the clouds.

Everything is a closed function of time: the same moment is the same weather however a run got there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Wave:
    """One sinusoid of the temperature curve."""

    amplitude_c: float
    period_s: float
    phase_rad: float

    def at(self, time_s: float, lag_s: float) -> float:
        """Return the wave as a body sees it that follows with a first-order lag."""
        rate = 2.0 * math.pi / self.period_s
        weakened = self.amplitude_c / math.hypot(1.0, rate * lag_s)
        return weakened * math.sin(rate * time_s + self.phase_rad - math.atan(rate * lag_s))


@dataclass(frozen=True, slots=True)
class Weather:
    """One night; times are seconds since the rig's night began.

    ``drop_c`` falls away with the time constant ``drop_s`` on top of the waves. The probe hangs in the air
    beside the tube: it follows faster, is off by ``probe_bias_c`` and noisy.
    """

    mean_c: float = 9.0
    waves: tuple[Wave, ...] = ()
    drop_c: float = 0.0
    drop_s: float = 5400.0
    tube_lag_s: float = 600.0
    probe_lag_s: float = 90.0
    probe_bias_c: float = 0.0
    probe_noise_c: float = 0.04
    seeing_fwhm_arcsec: float = 2.4
    seeing_wander: float = 0.12
    wind_mm_per_s: float = 5_000.0
    seed: int = 0

    def tube_c(self, time_s: float) -> float:
        """Return the temperature of the tube, which is what focus follows."""
        return self._seen_with(time_s, self.tube_lag_s)

    def probe_c(self, time_s: float) -> float:
        """Return what the probe tells, before the controller rounds it; its noise belongs to the second."""
        noise = np.random.default_rng([self.seed, 31, int(max(0.0, time_s))]).standard_normal()
        return (
            self._seen_with(time_s, self.probe_lag_s) + self.probe_bias_c + self.probe_noise_c * float(noise)
        )

    def fried_mm(self, time_s: float) -> float:
        """Return r0 at 500 nm towards the star, from 0.98 lambda / r0 (Fried 1966) and a slow wander."""
        wander = math.sin(time_s / 431.0 + self.seed) + 0.6 * math.sin(time_s / 97.0 + 2.3 * self.seed)
        fwhm_rad = self.seeing_fwhm_arcsec * (1.0 + self.seeing_wander * wander) * math.pi / 648_000.0
        return 0.98 * 0.5e-3 / fwhm_rad

    def _seen_with(self, time_s: float, lag_s: float) -> float:
        total = self.mean_c + sum(wave.at(time_s, lag_s) for wave in self.waves)
        if self.drop_c:
            late = self.drop_s / (self.drop_s - lag_s) if lag_s < 0.9 * self.drop_s else 1.0
            total += self.drop_c * late * math.exp(-time_s / self.drop_s)
        return total
