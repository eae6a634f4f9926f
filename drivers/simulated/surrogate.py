"""A look without pixels: a spike error or star width drawn as a rendered frame's measurement would give it.

Hundreds of nights and thousands of crashes are run on it, in the time that rendering would take for a few.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from drivers.simulated.mask_shift import mask_crossing_um
from drivers.simulated.parameters import Rig
from drivers.simulated.width_shift import narrowest_um
from drivers.simulated.world import Shot, defocus_um
from routines.optics import critical_focus_zone_um, kolmogorov_fwhm_rad, spike_error_px_per_um


@dataclass(frozen=True, slots=True)
class SurrogateResponse:
    """How the measurement answers, calibrated on some 250 rendered frames of the refractor.

    They were read with the mask's geometry known and the air stilled or moving.

    Photons give ``photon_widths`` widths of a spot over the root of the electrons, on a floor of
    ``floor_widths`` that no light lessens. The air gives ``air_arcsec`` after one second with r0 = 70 mm on
    112 mm, for each unit of the mask's displacement factor. ``air_told`` is how much of it the measurement
    owns to. Up to ``certain_zones`` focus zones the value is certain, beyond ``seen_zones`` there is none.
    ``outliers`` is the share of looks that something unforeseen moves by ``outlier_widths``.
    ``width_breath`` is how much the air changes the narrowest width from frame to frame, ``width_told`` what
    share of a width the measurement states as its u, ``seen_widths`` how many focus zones out stars are still
    found without the mask.
    """

    photon_widths: float = 1.5
    floor_widths: float = 0.004
    air_arcsec: float = 0.021
    air_told: float = 1.1
    certain_zones: float = 4.0
    seen_zones: float = 4.6
    outliers: float = 0.01
    outlier_widths: float = 0.5
    faint_electrons: float = 2e4
    least_electrons: float = 1_500.0
    width_breath: float = 0.025
    width_told: float = 0.008
    seen_widths: float = 12.0


def surrogate_look(
    rig: Rig, shot: Shot, rng: np.random.Generator, response: SurrogateResponse = SurrogateResponse()
) -> dict[str, Any]:
    """Return a look drawn from the response, as the measurement would give it, without any pixels.

    With the mask on it is a spike error, without it the width of the field's stars; "method" says which.
    """
    if shot.filter_name is None:
        return _nothing("no_star")
    if not shot.mask_on:
        return _width_look(rig, shot, rng, response)
    glass, telescope = rig.glass(shot.filter_name), rig.telescope
    wavelength_um = glass.band.centre_nm * 1e-3
    collected = rig.stars.star_rate * glass.band.width_nm * glass.throughput * shot.exposure_s
    electrons = collected * shot.transparency * telescope.mask.slit_duty
    if electrons < response.least_electrons:
        return _nothing("no_star" if electrons < 200.0 else "too_faint")
    off_um = float(np.mean(defocus_um(rig, shot))) - mask_crossing_um(telescope, glass)
    zones = abs(off_um) / critical_focus_zone_um(wavelength_um, telescope.optics)
    if zones > response.seen_zones:
        return _nothing("ambiguous")
    width_px = _spot_width_px(rig, shot, wavelength_um)
    still = width_px * math.hypot(response.photon_widths / math.sqrt(electrons), response.floor_widths)
    air = _air_px(rig, shot, response)
    # A mask put back half a turn round swaps what lies on either side of focus.
    side = -1.0 if math.cos(math.radians(shot.mask_turned_deg)) < 0.0 else 1.0
    value = side * spike_error_px_per_um(telescope.optics, telescope.mask) * off_um
    value += math.hypot(still, air) * float(rng.standard_normal())
    if rng.random() < response.outliers:
        value += response.outlier_widths * width_px * float(rng.standard_normal())
    notes = {"faint": electrons < response.faint_electrons, "far_from_focus": zones > response.certain_zones}
    return {
        "method": "mask",
        "value_px": value,
        "u_px": math.hypot(still, response.air_told * air),
        "flags": [code for code, holds in notes.items() if holds],
        "signal_electrons": electrons,
        "blur_px": width_px,
        "peak_share": _peak_share(rig, electrons, width_px, wavelength_um, glass.band.width_nm),
    }


def _width_look(
    rig: Rig, shot: Shot, rng: np.random.Generator, response: SurrogateResponse
) -> dict[str, Any]:
    """Return a half-flux diameter: that of the seeing in focus, of the cone's disc or ring far from it."""
    assert shot.filter_name is not None
    glass, optics = rig.glass(shot.filter_name), rig.telescope.optics
    wavelength_um = glass.band.centre_nm * 1e-3
    collected = rig.stars.star_rate * glass.band.width_nm * glass.throughput * shot.exposure_s
    electrons = collected * shot.transparency
    off_um = float(np.mean(defocus_um(rig, shot))) - narrowest_um(rig.telescope, glass)
    zones = abs(off_um) / critical_focus_zone_um(wavelength_um, optics)
    if electrons < response.least_electrons or zones > response.seen_widths:
        return _nothing("no_star")
    seeing = kolmogorov_fwhm_rad(0.5, shot.fried_mm) * (wavelength_um / 0.5) ** -0.2
    least_px = seeing * optics.focal_length_mm * 1e3 / optics.pixel_um
    least_px *= 1.0 + response.width_breath * float(rng.standard_normal())
    share = math.sqrt((1.0 + optics.obstruction_ratio**2) / 2.0)
    cone_px = share * abs(off_um) / optics.focal_ratio / optics.pixel_um
    width = math.hypot(least_px, cone_px)
    told = response.width_told * width
    return {
        "method": "width",
        "value_px": width + told * float(rng.standard_normal()),
        "u_px": told,
        "flags": [],
        "signal_electrons": electrons,
    }


def _peak_share(rig: Rig, electrons: float, width_px: float, wavelength_um: float, band_nm: float) -> float:
    """Return the brightest pixel of a first order against the full well.

    Each of the three sets of slits sends a tenth of its light into either first order (slits of half the
    period: (1/pi)^2, the grating's efficiency), drawn out over the band.
    """
    optics = rig.telescope.optics
    away_px = wavelength_um * optics.focal_length_mm / rig.telescope.mask.slit_period_mm / optics.pixel_um
    drawn_out_px = max(width_px, away_px * band_nm * 1e-3 / wavelength_um)
    brightest = 0.5 * electrons / math.pi**2 / (width_px * drawn_out_px)
    return min(1.0, brightest / rig.detector.full_well_electrons)


def _spot_width_px(rig: Rig, shot: Shot, wavelength_um: float) -> float:
    """Return how wide an order of one opening is: the seeing and half an aperture's diffraction."""
    optics = rig.telescope.optics
    seeing = kolmogorov_fwhm_rad(0.5, shot.fried_mm) * (wavelength_um / 0.5) ** -0.2
    diffraction = wavelength_um * 1e-3 / (optics.aperture_mm / 2.0)
    return float(math.hypot(seeing, diffraction)) * optics.focal_length_mm * 1e3 / optics.pixel_um


def _air_px(rig: Rig, shot: Shot, response: SurrogateResponse) -> float:
    """Return the air's part of the scatter: falls as exposure^-1/2, grows as r0^(-5/6) and D^(1/3)."""
    optics = rig.telescope.optics
    angle = response.air_arcsec * rig.telescope.mask.displacement_factor() * math.pi / 648_000.0
    angle *= (70.0 / shot.fried_mm) ** (5.0 / 6.0) * (optics.aperture_mm / 112.0) ** (1.0 / 3.0)
    angle *= math.sqrt(5_000.0 / rig.weather.wind_mm_per_s / max(shot.exposure_s, 0.05))
    return float(angle * optics.focal_length_mm * 1e3 / optics.pixel_um)


def _nothing(code: str) -> dict[str, Any]:
    return {"method": None, "value_px": None, "u_px": None, "flags": [code], "signal_electrons": None}
