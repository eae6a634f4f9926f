"""The simulated sensor: expected electrons in, 16-bit counts out, with its fixed faults and its noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Detector:
    """One sensor region; hot pixels and pixel response are fixed by ``pattern_seed``."""

    rows: int = 480
    columns: int = 640
    electrons_per_adu: float = 0.78
    read_noise_electrons: float = 3.2
    pedestal_adu: float = 500.0
    full_well_electrons: float = 51_000.0
    dark_electrons_per_s: float = 0.02
    hot_fraction: float = 3e-4
    hot_electrons_per_s: float = 150.0
    response_spread: float = 0.005
    pattern_seed: int = 1

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, columns)."""
        return self.rows, self.columns

    @property
    def saturation_adu(self) -> float:
        """Return the counts at which a pixel is full or the converter ends."""
        return min(65535.0, self.full_well_electrons / self.electrons_per_adu + self.pedestal_adu)

    def response(self) -> NDArray[np.float32]:
        """Return each pixel's sensitivity, near 1."""
        rng = np.random.default_rng([self.pattern_seed, 1])
        return (1.0 + self.response_spread * rng.standard_normal(self.shape)).astype(np.float32)

    def dark_rate(self) -> NDArray[np.float32]:
        """Return each pixel's dark current, electrons per second; a few are hot."""
        rng = np.random.default_rng([self.pattern_seed, 2])
        rate = np.full(self.shape, self.dark_electrons_per_s)
        hot = rng.random(self.shape) < self.hot_fraction
        rate[hot] += rng.exponential(self.hot_electrons_per_s, int(hot.sum()))
        return rate.astype(np.float32)

    def read(
        self, light_electrons: NDArray[np.float32], exposure_s: float, rng: np.random.Generator
    ) -> NDArray[np.uint16]:
        """Return the counts of one readout: photon noise, full well, read noise, quantisation."""
        expected = np.maximum(light_electrons, 0.0) * self.response() + self.dark_rate() * exposure_s
        collected = np.minimum(rng.poisson(expected), self.full_well_electrons)
        signal = collected + self.read_noise_electrons * rng.standard_normal(self.shape)
        counts = np.rint(signal / self.electrons_per_adu + self.pedestal_adu)
        return np.clip(counts, 0, self.saturation_adu).astype(np.uint16)


def background(
    shape: tuple[int, int], electrons: float, gradient: float, angle_rad: float
) -> NDArray[np.float32]:
    """Return a sky level that rises linearly by ``gradient`` (a fraction) across the frame's longer side."""
    rows, columns = shape
    y, x = np.mgrid[0:rows, 0:columns]
    along = (x - columns / 2.0) * np.cos(angle_rad) + (y - rows / 2.0) * np.sin(angle_rad)
    return np.asarray(electrons * (1.0 + gradient * along / max(rows, columns)), dtype=np.float32)
