"""Turns a shot into what a camera gives: 16-bit pixels with a header.

All noise of a shot comes from the rig's seed and the shot's number, so that the same exposure taken again
after a crash is the same frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.detector import background
from drivers.simulated.parameters import Glass, Rig
from drivers.simulated.sky import Light, Sky, Star
from drivers.simulated.turbulence import Air
from drivers.simulated.world import Shot, defocus_um

Pixels = NDArray[np.uint16]
_BRIGHT_NEIGHBOURS = 6
_STAR_COUNT_SLOPE = 0.65  # N(brighter than F) ~ F^-0.65 off the galactic plane: common practice


@dataclass(slots=True)
class CameraRoom:
    """Renders shots of one rig; keeps the drawn pupils between them."""

    rig: Rig
    _sky: Sky | None = None
    _turned_deg: float = 0.0

    def rng(self, shot: Shot) -> np.random.Generator:
        """Return the generator of everything random in a shot."""
        return np.random.default_rng([self.rig.seed, 977, shot.number])

    def frame(self, shot: Shot) -> Pixels:
        """Return the counts of one frame, (rows, columns) uint16."""
        rng = self.rng(shot)
        detector = self.rig.detector
        electrons = np.zeros(detector.shape, np.float32)
        if shot.filter_name is not None:
            glass = self.rig.glass(shot.filter_name)
            light, stars = self._light(shot, glass, rng), self._stars(shot, glass, rng)
            sky = self._sky_for(shot)
            render = sky.masked_stars if shot.mask_on else sky.open_stars
            electrons = render(detector.shape, stars, light, rng) + self._glow(shot, glass, sky)
        return detector.read(electrons, shot.exposure_s, rng)

    def header(self, shot: Shot) -> dict[str, Any]:
        """Return the cards that a camera program would write, and our own."""
        began = datetime.fromtimestamp(self.rig.night_begins_unix_s + shot.began_s, UTC)
        cards: dict[str, Any] = {
            "DATE-OBS": (began.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "UTC, start of the exposure"),
            "EXPTIME": (shot.exposure_s, "s"),
            "DT-POS": (shot.count, "focuser position, controller's counts"),
            "DT-NUM": (shot.number, "number of the observation"),
            "DT-SIM": (True, "made on the simulated rig"),
        }
        if shot.asked_filter or shot.filter_name:
            cards["FILTER"] = shot.asked_filter or shot.filter_name
        if shot.probe_c is not None:
            cards["DT-TEMP"] = (round(shot.probe_c, 2), "C, the focuser's probe")
        return cards

    def _sky_for(self, shot: Shot) -> Sky:
        if self._sky is None or self._turned_deg != shot.mask_turned_deg:
            telescope = self.rig.telescope
            turned = telescope.mask.orientation_deg + shot.mask_turned_deg
            self._sky = Sky(telescope.with_mask_turned(turned))
            self._turned_deg = shot.mask_turned_deg
        return self._sky

    def _light(self, shot: Shot, glass: Glass, rng: np.random.Generator) -> Light:
        stars = self.rig.stars
        drift_x, drift_y = stars.drift_px_per_s
        return Light(
            band=glass.band,
            exposure_s=shot.exposure_s,
            defocus_um=defocus_um(self.rig, shot),
            air=Air(
                shot.fried_mm * math.exp(0.05 * float(rng.standard_normal())),
                wind_mm_per_s=self.rig.weather.wind_mm_per_s,
            ),
            drift_px=(drift_x * shot.exposure_s, drift_y * shot.exposure_s),
            jitter_px=stars.jitter_px,
            focus_slope_um_per_um=glass.focus_slope_um_per_um,
            focus_bend_um_per_um2=glass.focus_bend_um_per_um2,
            altitude_deg=stars.altitude_deg,
            zenith_deg=stars.zenith_deg,
            field_curvature_um_per_mm2=stars.curvature_um_per_mm2,
        )

    def _stars(self, shot: Shot, glass: Glass, rng: np.random.Generator) -> list[Star]:
        """Return the calibration star first, then its companion and neighbours, brightest first."""
        field, detector = self.rig.stars, self.rig.detector
        fixed = np.random.default_rng([self.rig.seed, 401])
        reach = 0.12 * min(detector.shape)
        wander = field.pointing_px * rng.standard_normal(2) * 0.5
        x = (detector.columns - 1) / 2.0 + float(fixed.uniform(-reach, reach)) + float(wander[0])
        y = (detector.rows - 1) / 2.0 + float(fixed.uniform(-reach, reach)) + float(wander[1])
        passed = glass.band.width_nm * glass.throughput * shot.exposure_s * shot.transparency
        passed *= math.exp(field.flicker * float(rng.standard_normal()))
        stars = [Star(x, y, field.star_rate * passed)]
        if field.companion_ratio > 0.0:
            off_x, off_y = field.companion_px
            stars.append(Star(x + off_x, y + off_y, field.companion_ratio * field.star_rate * passed))
        places = fixed.uniform(-0.5, 0.5, (field.field_stars, 2)) * [detector.columns, detector.rows]
        rates = field.brightest_rate * np.arange(1, field.field_stars + 1) ** (-1.0 / _STAR_COUNT_SLOPE)
        neighbours = zip(places, rates, strict=True)
        shown = [
            Star(x + float(place[0]), y + float(place[1]), float(rate) * passed) for place, rate in neighbours
        ]
        return stars + (shown[:_BRIGHT_NEIGHBOURS] if shot.mask_on else shown)

    def _glow(self, shot: Shot, glass: Glass, sky: Sky) -> NDArray[np.float32]:
        field = self.rig.stars
        electrons = field.sky_rate * glass.band.width_nm * glass.throughput * shot.exposure_s
        electrons *= sky.mask_share() if shot.mask_on else 1.0
        angle = float(np.random.default_rng([self.rig.seed, 402]).uniform(0.0, 2.0 * math.pi))
        # Cloud dims the stars and, under town lights, brightens the sky about as much.
        brighter = 1.0 + 2.0 * (1.0 - shot.transparency)
        return background(self.rig.detector.shape, electrons * brighter, field.sky_gradient, angle)
