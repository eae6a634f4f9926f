"""The config's settings as the report lists them: what the numbers depend on, each with its unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from routines.wording import short

if TYPE_CHECKING:
    from daemon.config import Config


def settings_in_words(config: Config) -> dict[str, str]:
    """Return the settings that the numbers depend on, by name."""
    optics, camera = config.optics, config.camera
    step = "from the frames" if optics.step_um is None else f"{short(optics.step_um)} um"
    settings = {
        "telescope": (
            f"focal length {short(optics.focal_length_mm)} mm, clear aperture "
            f"{short(optics.aperture_mm)} mm, obstruction {short(optics.obstruction_ratio)}"
        ),
        "pixel": f"{short(optics.pixel_um)} um",
        "step at the sensor": step,
        "mask": _mask(config),
        "camera": (
            f"{short(camera.electrons_per_adu)} electrons per ADU, read noise "
            f"{short(camera.read_noise_electrons)} electrons, saturation {short(camera.saturation_adu)} ADU"
        ),
    }
    for item in config.filters:
        band = f"{short(item.centre_nm)} nm, {short(item.width_nm)} nm wide, {short(item.exposure_s)} s"
        settings[f"filter {item.name}"] = f"{band}{', the reference' if item.reference else ''}"
    settings["config, SHA-256"] = config.fingerprint()
    return settings


def _mask(config: Config) -> str:
    mask = config.mask
    if mask is None:
        return "learnt from the frames"
    return f"slit period {short(mask.slit_period_mm)} mm, arms at {short(mask.arm_angle_deg)} degrees"
