"""Masked-star frames by poppy's own propagation (matrix Fourier transform; Fresnel for the sign).

poppy counts an optical path difference positive where the wavefront leads, and a converging wavefront
leads at its edge; a sensor beyond the focus sees a wave that converges too strongly, so its path
difference is ``+ z r^2 / (2 f^2)``. `fresnel_image` moves the plane instead and needs no such sign.
"""

from __future__ import annotations

import logging
import math
import warnings
from functools import lru_cache

import numpy as np
from masked_star import (
    Bahtinov,
    Light,
    Telescope,
    drawn_pupil,
    points_needed,
    raster_restored,
    summed_over_pixels,
    wavelengths_needed,
    wavelengths_nm,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import astropy.units as u
    import poppy

logging.getLogger("poppy").setLevel(logging.ERROR)

FINER = 3


def masked_star(
    telescope: Telescope,
    mask: Bahtinov | None,
    light: Light,
    defocus_um: float,
    *,
    size_px: int = 192,
    star_px: tuple[float, float] | None = None,
    blur_fwhm_px: float = 0.0,
    seed: int = 1,
) -> np.ndarray:
    """Return the noiseless image in electrons, summed over each pixel, ``size_px`` square.

    ``star_px`` is the star's (x, y), the middle of the frame when None; ``seed`` draws the wavelengths.
    The electrons are those through the mask: the ones that fall outside the frame are lost.
    """
    points = points_needed(telescope, light, size_px)
    pupil = drawn_pupil(telescope, mask, points)
    count = 1 if light.width_nm == 0.0 else wavelengths_needed(telescope, light, size_px)
    waves = wavelengths_nm(light, count, seed)
    fine = sum(
        pupil_image(telescope, pupil, wave, defocus_um, size_px=size_px, star_px=star_px) for wave in waves
    )
    return light.electrons * summed_over_pixels(fine / len(waves), FINER, blur_fwhm_px)


def pupil_image(
    telescope: Telescope,
    pupil: np.ndarray,
    wavelength_nm: float,
    defocus_um: float,
    *,
    size_px: int = 192,
    star_px: tuple[float, float] | None = None,
    finer: int = FINER,
) -> np.ndarray:
    """Return the image of any pupil in one colour, ``finer`` points a pixel, 1 in all over the plane.

    poppy scales by the squared open fractions; a half-open cell passes half its light, all the same, of
    which a quarter goes to orders too far out for the raster.
    """
    step_m = telescope.aperture_mm * 1e-3 / pupil.shape[0]
    element = poppy.ArrayOpticalElement(
        transmission=pupil,
        opd=_path_difference_m(telescope, pupil.shape[0], defocus_um),
        pixelscale=step_m * u.m / u.pix,
    )
    system = poppy.OpticalSystem(pupil_diameter=telescope.aperture_mm * u.mm, npix=pupil.shape[0])
    system.add_pupil(element)
    scale_arcsec = math.degrees(telescope.pixel_um * 1e-3 / telescope.focal_length_mm) * 3600.0
    middle = (size_px - 1) / 2.0
    offset = (0.0, 0.0) if star_px is None else (star_px[0] - middle, star_px[1] - middle)
    detector_moved = (-offset[1] * finer, -offset[0] * finer)  # poppy's: (y, x), in fine pixels
    system.add_detector(pixelscale=scale_arcsec, fov_pixels=size_px, oversample=finer, offset=detector_moved)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = system.calc_psf(wavelength=wavelength_nm * 1e-9, normalize="first")
    fine = np.asarray(image[0].data, dtype=float) * float((pupil**2).sum() / pupil.sum())
    return raster_restored(fine, finer, telescope, pupil.shape[0], wavelength_nm, offset)


@lru_cache(maxsize=8)
def _radius2_m2(telescope: Telescope, points: int) -> np.ndarray:
    places = ((np.arange(points) + 0.5) / points - 0.5) * telescope.aperture_mm * 1e-3
    return places[:, None] ** 2 + places[None, :] ** 2


def _path_difference_m(telescope: Telescope, points: int, defocus_um: float) -> np.ndarray:
    scale = defocus_um * 1e-6 / (2.0 * (telescope.focal_length_mm * 1e-3) ** 2)
    return scale * _radius2_m2(telescope, points)


def fresnel_image(
    telescope: Telescope, pupil: np.ndarray, wavelength_nm: float, defocus_um: float
) -> tuple[np.ndarray, float]:
    """Return the intensity on a plane truly moved beyond the focus of a lens, and its step (um).

    Its step is not ours to choose, so no frames come from it; it shows the sign and the size of a defocus
    without any path difference of ours.
    """
    system = poppy.FresnelOpticalSystem(
        pupil_diameter=telescope.aperture_mm * u.mm, npix=pupil.shape[0], beam_ratio=0.25
    )
    step = telescope.aperture_mm * 1e-3 / pupil.shape[0] * u.m / u.pix
    system.add_optic(poppy.ArrayOpticalElement(transmission=pupil, pixelscale=step))
    system.add_optic(poppy.QuadraticLens(telescope.focal_length_mm * u.mm))
    reach = telescope.focal_length_mm * u.mm + defocus_um * u.um
    plane = poppy.ScalarTransmission(planetype=poppy.poppy_core.PlaneType.intermediate)
    system.add_optic(plane, distance=reach)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _, waves = system.calc_psf(wavelength=wavelength_nm * 1e-9, return_final=True)
    return np.asarray(waves[0].intensity), float(waves[0].pixelscale.to(u.um / u.pix).value)
