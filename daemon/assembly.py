"""From a config to what a run needs: the facts its script starts from, the fit's setup, exposures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daemon.exposures import Bounds, ExposureRule
from drivers import description
from drivers.errors import DeviceError
from drivers.roles import Limits
from routines.convention import limits_to_science, to_science
from routines.observations import INWARD, OUTWARD
from routines.scripts.common import Pace, TrainFacts

if TYPE_CHECKING:
    from daemon.config import Config
    from routines.estimate.result import FitSetup, JointFit
    from routines.estimate.width_problem import WidthSetup
    from routines.observations import Move, Observation
    from routines.optics import Mask

# Looks up to this many critical focus zones on either side of focus: far enough for the slope to be sure,
# near enough that faint filters still give a number.
_REACH_ZONES = 1.5
_MARGIN_STEPS = 10.0
_USUAL_SEEING_ARCSEC = 2.5
_SHORTEST = 20.0
# A drawtube may well be ten minutes behind its thermometer or before it: spread evenly over that, it has
# this standard deviation (JCGM 100:2008, 4.3.7).
LAG_U_S = 600.0 / 3.0**0.5


def soft_limits(config: Config) -> Limits:
    """Return the focuser's limits (controller's counts); the config must have them."""
    if config.limits is None:
        raise ValueError("nothing moves without [limits] in the config")
    return Limits(round(config.limits.low_steps), round(config.limits.high_steps))


def play_bound_steps(config: Config) -> float:
    """Return what the backlash surely stays under: the configured overshoot, or the largest backlash."""
    return config.focuser.overshoot_steps or config.routines.largest_backlash_steps


def final_side(config: Config) -> int:
    """Return the side from which every position that matters is approached."""
    return OUTWARD if config.focuser.final_side == "outward" else INWARD


def _px_per_um(config: Config, mask: Mask | None = None) -> float:
    """Return the spike error for a micrometre of defocus, with a usual mask where none is configured."""
    from routines.optics import Mask, spike_error_px_per_um

    # A usual mask: 20 degrees between the straight and the tilted slits (common practice).
    mask = mask or config.science_mask() or Mask(slit_period_mm=1.0, arm_angle_deg=20.0)
    return spike_error_px_per_um(config.science_optics(), mask)


def expected_slope_px_per_step(config: Config) -> float | None:
    """Return the slope's magnitude as optics, mask and step size predict it; None without a step size."""
    if config.optics.step_um is None:
        return None
    return abs(_px_per_um(config) * config.optics.step_um)


def plausible_shift_um_per_c(config: Config) -> float:
    """Return how far (um) focus may plausibly move for a degree: three times what a tube of aluminium does.

    Aluminium expands by 23.6e-6 of its length for a degree (a handbook value, from memory); lenses, mirrors
    and mounts add their own, either way.
    """
    return 3.0 * 23.6e-6 * config.optics.focal_length_mm * 1e3


def reach_px(config: Config) -> float:
    """Return the spike error up to which looks are wanted."""
    from routines.optics import critical_focus_zone_um

    band = config.bands()[config.reference_filter]
    zone_um = critical_focus_zone_um(band.centre_nm * 1e-3, config.science_optics())
    return abs(_px_per_um(config)) * zone_um * _REACH_ZONES


def zone_px(config: Config) -> float:
    """Return the narrowest filter's critical focus zone as a spike error."""
    from routines.optics import critical_focus_zone_um

    optics = config.science_optics()
    zones = (critical_focus_zone_um(band.centre_nm * 1e-3, optics) for band in config.bands().values())
    return abs(_px_per_um(config)) * min(zones)


def motor_steps_per_s(config: Config) -> float:
    """Return the motor's speed as its description tells it, else a usual one."""
    name = config.focuser.description
    if name is None:
        return Pace().steps_per_s
    try:
        dialect = description.load(str(config.resolve(name)) if name.endswith(".toml") else name)
    except (DeviceError, OSError):
        return Pace().steps_per_s
    return dialect.motion.speed_steps_per_s or Pace().steps_per_s


def expected_noise_px(config: Config) -> tuple[float, ...]:
    """Return the scatter of a look through each filter that the air alone lets expect, doubled.

    The air is that of an ordinary night: seeing of 2.5 arcsec and wind of 10 m/s (common practice). A faint
    star adds to it, as does the drive; hence the factor.
    """
    from routines.measure.turbulence import TYPICAL_WIND_M_PER_S, defocus_turbulence
    from routines.optics import Mask, spike_error_px_per_um

    optics, mask = config.science_optics(), config.science_mask() or Mask(1.0, 20.0)
    air, px_per_um = defocus_turbulence(optics), spike_error_px_per_um(optics, mask)
    noise = []
    for item in config.filters:
        wavelength_um = config.bands()[item.name].centre_nm * 1e-3
        r0_mm = 0.98 * 0.5e-3 / (_USUAL_SEEING_ARCSEC / 206_265.0) * (wavelength_um / 0.5) ** 1.2
        variance = air.variance_um2(wavelength_um, r0_mm, item.exposure_s, TYPICAL_WIND_M_PER_S)
        noise.append(2.0 * px_per_um * variance**0.5)
    return tuple(noise)


def train_facts(config: Config, position_counts: float) -> TrainFacts:
    """Return what a script starts from, with the focuser at ``position_counts``."""
    limits, outward = soft_limits(config), config.focuser.outward
    low, high = limits_to_science(limits.lowest_steps, limits.highest_steps, outward)
    start = config.routines.start_steps
    return TrainFacts(
        start_position_steps=to_science(position_counts if start is None else start, outward),
        low_limit_steps=low,
        high_limit_steps=high,
        play_bound_steps=play_bound_steps(config),
        final_side=final_side(config),
        filters=config.filter_names,
        reference_filter=config.reference_filter,
        reach_px=reach_px(config),
        expected_slope_px_per_step=expected_slope_px_per_step(config),
        margin_steps=_MARGIN_STEPS,
        plausible_px_per_c=abs(_px_per_um(config)) * plausible_shift_um_per_c(config),
        zone_px=zone_px(config),
        pace=Pace(
            exposures_s=tuple(item.exposure_s for item in config.filters),
            steps_per_s=motor_steps_per_s(config),
        ),
    )


def fit_setup(config: Config) -> FitSetup:
    """Return what the joint fit knows beforehand (imports the estimation: for the worker process)."""
    from routines.estimate.result import FitSetup

    return FitSetup(
        filters=config.filter_names,
        reference_filter=config.reference_filter,
        expected_slope_px_per_step=expected_slope_px_per_step(config),
        longest_play_steps=play_bound_steps(config),
        lag_u_s=LAG_U_S,
        alpha_prior_px_per_c=abs(_px_per_um(config)) * plausible_shift_um_per_c(config),
    )


def width_setup(config: Config) -> WidthSetup:
    """Return what the fit of star widths knows beforehand."""
    from routines.estimate.width_curve import arm_px_per_um
    from routines.estimate.width_problem import WidthSetup

    step_um = config.optics.step_um
    given = config.focuser.overshoot_steps
    return WidthSetup(
        filters=config.filter_names,
        reference_filter=config.reference_filter,
        expected_arm_px_per_step=None
        if step_um is None
        else step_um * arm_px_per_um(config.science_optics()),
        alpha_u_steps_per_c=None if step_um is None else plausible_shift_um_per_c(config) / step_um,
        longest_play_steps=given,
    )


def joint_fit(
    config: Config,
    observations: Sequence[Observation],
    moves: Sequence[Move] | None,
    setup: FitSetup | None = None,
) -> JointFit:
    """Return the fit of all looks, through the mask and without it."""
    from routines.estimate.joint import fit_jointly
    from routines.estimate.width_join import with_widths

    fit = fit_jointly(observations, moves, setup or fit_setup(config))
    return with_widths(fit, observations, moves, width_setup(config))


def fit_for_profile(
    config: Config,
    observations: Sequence[Observation],
    moves: Sequence[Move] | None,
    setup: FitSetup | None = None,
    mask: Mask | None = None,
) -> JointFit:
    """Return the joint fit with what repeating cannot shrink: the fit that a profile is made from.

    ``setup`` None is that of a run; ``mask`` is what the frames taught of it, where they did.
    """
    from routines.estimate.systematic import (
        COMMON_SHARE_OF_ZONE,
        CROSSING_SHARE_OF_ZONE,
        with_crossing_systematics,
        with_drive_error,
    )
    from routines.optics import critical_focus_zone_um

    fit = with_drive_error(joint_fit(config, observations, moves, setup))
    slope = fit.slope_px_per_step
    if slope is None or not slope.value:
        return fit
    steps_per_um = abs(_px_per_um(config, mask) / slope.value)
    optics = config.science_optics()
    zones = {
        name: critical_focus_zone_um(band.centre_nm * 1e-3, optics) * steps_per_um
        for name, band in config.bands().items()
    }
    u_steps = {name: CROSSING_SHARE_OF_ZONE * zone for name, zone in zones.items()}
    return with_crossing_systematics(fit, u_steps, COMMON_SHARE_OF_ZONE * zones[config.reference_filter])


def described(config: Config, name: str) -> str:
    """Return a description's name as drivers take it: a path counts from the config's folder."""
    return str(config.resolve(name)) if name.endswith(".toml") or "/" in name else name


def exposure_rule(config: Config) -> ExposureRule:
    """Return how exposures are chosen within the configured bounds."""
    return ExposureRule(
        {
            item.name: Bounds(
                item.exposure_s,
                item.exposure_s / _SHORTEST if item.shortest_s is None else item.shortest_s,
                item.exposure_s if item.longest_s is None else item.longest_s,
            )
            for item in config.filters
        }
    )
