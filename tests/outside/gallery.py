"""Frames as a bad night makes them: poppy's stars with one trouble each, the truth known, written as FITS.

A star is drawn once and troubled many times: the light is poppy's, the trouble is drawn here, and nothing of
the project is used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import poppy_frames
from astropy.io import fits
from masked_star import (
    Bahtinov,
    Light,
    Sensor,
    Telescope,
    drawn_pupil,
    placed,
    points_needed,
    recorded,
    summed_over_pixels,
    wavelengths_needed,
    wavelengths_nm,
)
from scipy.ndimage import convolve1d

REFRACTOR = Telescope()
REFLECTOR = Telescope(1750.0, 190.0, 0.38, 3.9, (45.0, 135.0, 225.0, 315.0), 1.5)
MASK = Bahtinov(3.6, 20.0, 0.48, 31.0, 1, 0.2)
REFLECTOR_MASK = Bahtinov(9.0, 22.0, 0.5, 118.0, 1)
NARROW, BROAD = Light(656.3, 7.0, 3e5), Light(540.0, 110.0, 6e5)
SENSOR = Sensor()
SHAPE, STAMP_PX, CORNER = (300, 360), 208, (40, 70)
WIDE_PX, WIDE_CORNER = 288, (6, 36)  # where two pixels are joined the measurement looks twice as far
BLUR_PX = 2.3


@dataclass(frozen=True, slots=True)
class Shot:
    """A frame as the camera gives it, with what is true about it; ``binning`` goes into the header."""

    name: str
    frame_adu: np.ndarray
    defocus_um: float
    filter: str = "H"
    binning: int = 1
    mosaic: str | None = None


@lru_cache(maxsize=32)
def star(
    defocus_um: float,
    light: Light = NARROW,
    telescope: Telescope = REFRACTOR,
    mask: Bahtinov | None = MASK,
    size_px: int = STAMP_PX,
) -> np.ndarray:
    """Return poppy's noiseless star in electrons; the same arguments are drawn once."""
    image = poppy_frames.masked_star(
        telescope, mask, light, defocus_um, size_px=size_px, blur_fwhm_px=BLUR_PX, seed=7
    )
    image.flags.writeable = False
    return image


@lru_cache(maxsize=2)
def dispersed_star(defocus_um: float, light: Light, spread_arcsec: float) -> np.ndarray:
    """Return a star whose colours the air has spread along a slanting line, blue to one side."""
    scale_arcsec_per_px = REFRACTOR.pixel_um / REFRACTOR.focal_length_mm * 206.265
    points = points_needed(REFRACTOR, light, STAMP_PX)
    pupil = drawn_pupil(REFRACTOR, MASK, points)
    waves = wavelengths_nm(light, wavelengths_needed(REFRACTOR, light, STAMP_PX), 7)
    # Refraction falls roughly as the inverse square of the wavelength (Cauchy's formula).
    bend = waves**-2.0
    ends = (light.centre_nm + light.width_nm * np.array([-0.5, 0.5])) ** -2.0
    away_px = (bend - light.centre_nm**-2.0) / (ends[0] - ends[1]) * spread_arcsec / scale_arcsec_per_px
    middle = (STAMP_PX - 1) / 2.0
    fine = sum(
        poppy_frames.pupil_image(
            REFRACTOR, pupil, wave, defocus_um,
            size_px=STAMP_PX, star_px=(middle + 0.8 * away, middle + 0.6 * away),
        )
        for wave, away in zip(waves, away_px, strict=True)
    )  # fmt: skip
    return light.electrons * summed_over_pixels(fine / len(waves), poppy_frames.FINER, BLUR_PX)


def in_frame(stamp: np.ndarray, corner: tuple[int, int] = CORNER) -> np.ndarray:
    """Return a frame's electrons, without sky, with a stamp somewhere in it."""
    return placed(stamp, SHAPE, corner)


# A tenth of the light is lost where a second rim stands 9 mm aside of the first (area of two circles' lens).
RIMS = {
    "pupil cut on the straight slits' side": MASK.orientation_deg,
    "pupil cut across the slits": MASK.orientation_deg + 90.0,
}


def masked_night() -> list[Shot]:
    """Return one fitting's frames through one filter: three clean ones, then one of each trouble."""
    clean = {z: in_frame(star(z)) for z in (-95.0, -35.0, 55.0)}
    shots = [
        Shot(f"clean at {z:+.0f} um", recorded(one, SENSOR, 100 + k), z)
        for k, (z, one) in enumerate(clean.items())
    ]
    for number, (name, make) in enumerate(TROUBLES.items()):
        z = (55.0, -35.0, -95.0)[number % 3]
        shots.append(Shot(name, make(clean[z], 200 + number), z))
    slipped = replace(MASK, orientation_deg=MASK.orientation_deg + 1.0)
    turned = in_frame(star(55.0, mask=slipped))
    return [*shots, Shot("mask slipped by 1 degree", recorded(turned, SENSOR, 300), 55.0)]


def rim_shots() -> list[Shot]:
    """Return frames of a star on the axis, and of one so far off it that a second rim cuts the pupil."""
    shots = [
        Shot(f"clean at {z:+.0f} um", recorded(in_frame(star(z)), SENSOR, 310 + k), z)
        for k, z in enumerate((-95.0, -35.0, 55.0))
    ]
    for number, (name, towards_deg) in enumerate(RIMS.items()):
        cut = replace(REFRACTOR, rim_aside_mm=9.0, rim_towards_deg=towards_deg)
        shots.append(Shot(name, recorded(in_frame(star(55.0, telescope=cut)), SENSOR, 320 + number), 55.0))
    return shots


def _companion(share: float, away: tuple[int, int]) -> Callable[[np.ndarray, int], np.ndarray]:
    def make(electrons: np.ndarray, seed: int) -> np.ndarray:
        return recorded(electrons + share * np.roll(electrons, away, axis=(0, 1)), SENSOR, seed)

    return make


def _hot_pixels(electrons: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    frame = recorded(electrons, SENSOR, seed)
    hot = rng.random(frame.shape) < 0.004
    frame[hot] = rng.integers(1000, 65000, int(hot.sum()))
    return frame


def _gradient(electrons: np.ndarray, seed: int) -> np.ndarray:
    slope = np.linspace(0.0, 200.0, STAMP_PX)
    sky = np.interp(np.arange(SHAPE[1]) - CORNER[1], np.arange(STAMP_PX), slope)
    return recorded(electrons + sky[None, :], SENSOR, seed)


def _vignetted(electrons: np.ndarray, seed: int) -> np.ndarray:
    rows, columns = np.indices(SHAPE)
    falling = 1.0 - 0.45 * (np.hypot(rows - 20.0, columns - 30.0) / np.hypot(*SHAPE)) ** 2
    sky = SENSOR.sky_electrons
    return recorded((electrons + 4.0 * sky) * falling - sky, SENSOR, seed)


def _saturated(electrons: np.ndarray, seed: int) -> np.ndarray:
    return recorded(electrons * 12.0, SENSOR, seed)


def _near_the_edge(electrons: np.ndarray, seed: int) -> np.ndarray:
    middle = CORNER[1] + STAMP_PX // 2
    moved = np.zeros_like(electrons)
    moved[:, : SHAPE[1] - (middle - 38)] = electrons[:, middle - 38 :]
    return recorded(moved, SENSOR, seed)


def _smeared(electrons: np.ndarray, seed: int) -> np.ndarray:
    return recorded(convolve1d(electrons, np.array([0.5, 1.0, 1.0, 0.5]) / 3.0, axis=1), SENSOR, seed)


def _thin_cloud(electrons: np.ndarray, seed: int) -> np.ndarray:
    return recorded(0.5 * electrons + 60.0, SENSOR, seed)


def _trail(electrons: np.ndarray, seed: int) -> np.ndarray:
    rows, columns = np.indices(SHAPE)
    middle = (CORNER[0] + STAMP_PX / 2, CORNER[1] + STAMP_PX / 2)
    across = (rows - middle[0]) * np.cos(0.35) - (columns - middle[1]) * np.sin(0.35) - 17.0
    return recorded(electrons + 500.0 * np.exp(-(across**2) / 3.0), SENSOR, seed)


TROUBLES: dict[str, Callable[[np.ndarray, int], np.ndarray]] = {
    "companion of 2 % at 90 px": _companion(0.02, (54, -72)),
    "companion of 30 % at 15 px": _companion(0.3, (9, 12)),
    "hot pixels": _hot_pixels,
    "gradient of 200 electrons": _gradient,
    "vignetting": _vignetted,
    "saturated core": _saturated,
    "star 38 px from the edge": _near_the_edge,
    "tracking smear of 3 px": _smeared,
    "thin cloud, half the light": _thin_cloud,
    "satellite trail": _trail,
}


def binned_shots() -> list[Shot]:
    """Return frames binned 2 x 2 on the sensor: charge is joined before it is read out."""
    shots = []
    for k, z in enumerate((-95.0, 55.0)):
        electrons = in_frame(star(z, size_px=WIDE_PX), WIDE_CORNER)
        joined = electrons.reshape(SHAPE[0] // 2, 2, SHAPE[1] // 2, 2).sum(axis=(1, 3))
        frame = recorded(joined, replace(SENSOR, sky_electrons=80.0), 400 + k)
        shots.append(Shot(f"binned 2 x 2 at {z:+.0f} um", frame, z, binning=2))
    return shots


def coarse_shots() -> list[Shot]:
    """Return frames of a 14-bit converter: four electrons a step, a low ceiling."""
    sensor = replace(SENSOR, electrons_per_adu=4.0, pedestal_adu=200.0, ceiling_adu=16383.0)
    return [
        Shot(f"14 bits at {z:+.0f} um", recorded(in_frame(star(z)), sensor, 500 + k), z)
        for k, z in enumerate((-95.0, 55.0))
    ]


def mosaic_shots() -> list[Shot]:
    """Return frames of a colour mosaic: the green pixels see the star, the others a tenth of it."""
    rows, columns = np.indices(SHAPE)
    green = (rows + columns) % 2 == 1
    return [
        Shot(
            f"colour mosaic at {z:+.0f} um",
            recorded(
                in_frame(star(z, size_px=WIDE_PX), WIDE_CORNER) * np.where(green, 3.0, 0.3), SENSOR, 600 + k
            ),
            z,
            mosaic="RGGB",
        )
        for k, z in enumerate((-95.0, 55.0))
    ]


def dispersed_shots() -> list[Shot]:
    """Return frames of a star low in the sky through a broad band: its colours 1.5 arcsec apart."""
    image = dispersed_star(-35.0, BROAD, 1.5)
    return [
        Shot(f"dispersion of 1.5 arcsec, frame {k}", recorded(in_frame(image), SENSOR, 700 + k), -35.0, "B")
        for k in range(2)
    ]


def obstructed_shots() -> list[Shot]:
    """Return frames through a reflector: a central obstruction and four vanes."""
    return [
        Shot(
            f"obstruction and vanes at {z:+.0f} um",
            recorded(in_frame(star(z, NARROW, REFLECTOR, REFLECTOR_MASK)), SENSOR, 800 + k),
            z,
        )
        for k, z in enumerate((-200.0, 120.0))
    ]


def unmasked_shots() -> list[Shot]:
    """Return frames without a mask: rings of an obstructed tube far from focus, and a star in focus."""
    return [
        Shot(
            f"no mask, obstructed, {z:+.0f} um",
            recorded(in_frame(star(z, NARROW, REFLECTOR, None)), SENSOR, 900 + k),
            z,
        )
        for k, z in enumerate((1500.0, 0.0))
    ]


def write_shots(shots: list[Shot], folder: Path) -> list[Path]:
    """Write shots as FITS by astropy; the keyword of the position is left out: nothing hints at it."""
    paths = []
    for number, shot in enumerate(shots):
        header = fits.Header()
        begun = datetime(2026, 3, 14, 21, 5) + timedelta(seconds=20.0 * number)
        header["DATE-OBS"] = begun.isoformat(timespec="milliseconds")
        header["EXPTIME"], header["FILTER"] = 4.0, shot.filter
        header["XBINNING"] = header["YBINNING"] = shot.binning
        if shot.mosaic is not None:
            header["BAYERPAT"] = shot.mosaic
        paths.append(folder / f"frame-{number:02d}.fits")
        fits.PrimaryHDU(shot.frame_adu, header).writeto(paths[-1])
    return paths
