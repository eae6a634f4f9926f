"""Between a stored profile and the routine that checks it: what the script is told, and what is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from secrets import randbelow
from typing import TYPE_CHECKING, Any

from daemon.assembly import plausible_shift_um_per_c
from daemon.profile_store import ProfileStore
from routines.convention import sign_of
from routines.profile_update import checked_profile, profile_with_differences
from routines.scripts.catalogue import ROUTINES
from routines.scripts.recheck import KnownFocus, Recheck

if TYPE_CHECKING:
    from daemon.config import Config
    from routines.profile import Measured, Profile

RECHECKS = ("recheck", "recheck_by_mask")
# Where the difference between mask and width was never measured: a tenth of the whole focus zone.
_UNKNOWN_DIFFERENCE = 0.1
_SEEDS = 2**31


def parameters_for(routine: str, config: Config, state: Path | None, seed: int | None = None) -> Any:
    """Return a routine's parameters: the config's targets, and for a check what the latest profile says.

    The profile is the latest one in ``state``. ``seed`` draws the order of a proof's looks; None draws a
    seed, which the run then stores. Raises `ProfileDamaged` when the latest profile cannot be read.
    """
    if routine not in RECHECKS:
        return _with_targets(ROUTINES[routine].parameters(), config, seed)
    profile = None if state is None else ProfileStore(state).latest()
    return Recheck() if profile is None else Recheck(known=known_focus(profile, config))


def _with_targets(how: Any, config: Config, seed: int | None) -> Any:
    """Return parameters with what the config says of targets and budget, and with a seed for the proof."""
    told = config.routines
    parts: dict[str, Any] = {}
    if hasattr(how, "targets"):
        parts["targets"] = replace(
            how.targets,
            offset_half_width_steps=told.offset_half_width_steps,
            backlash_half_width_steps=told.backlash_half_width_steps,
            budget_s=told.budget_s,
        )
    if hasattr(how, "proof"):
        parts["proof"] = replace(how.proof, seed=_seed(config) if seed is None else seed)
    return replace(how, **parts) if parts else how


def _seed(config: Config) -> int:
    """Return a seed: drawn, but on a simulated rig its own, so that the same night can be had again."""
    return randbelow(_SEEDS) if config.simulated is None else config.simulated.seed


def known_focus(profile: Profile, config: Config) -> KnownFocus:
    """Return what a profile says of the reference filter's focus, in positions that rise outward."""
    entry = profile.filter_named(config.reference_filter)
    sign = sign_of(profile.outward)
    here = None if entry is None else entry.crossing(config.focuser.final_side)
    there = None if entry is None else entry.crossing(_other(config.focuser.final_side))
    zone = None if entry is None else entry.critical_focus_zone_steps
    apart = None if entry is None else entry.mask_minus_width_steps
    coefficient = profile.temperature_coefficient_steps_per_c
    place, u = _number(here)
    other, _ = _number(there)
    whole, _ = _number(zone)
    gap_u = _number(profile.backlash_steps)[1]
    difference, difference_u = _number(apart)
    if difference is None:
        difference, difference_u = 0.0, _UNKNOWN_DIFFERENCE * (whole or 0.0)
    alpha, alpha_u = _number(coefficient)
    slope, _ = _number(profile.slope_px_per_step)
    return KnownFocus(
        position_steps=None if place is None else sign * place,
        u_steps=u,
        by="width" if profile.method == "width" else "mask",
        temperature_c=profile.reference_temperature_c,
        alpha_steps_per_c=sign * (alpha or 0.0),
        alpha_u_steps_per_c=alpha_u,
        alpha_known=alpha is not None,
        plausible_steps_per_c=_plausible(profile, config),
        overshoot_steps=profile.overshoot_steps,
        half_zone_steps=None if whole is None else 0.5 * whole,
        slope_px_per_step=None if slope is None else sign * slope,
        other_side_steps=None if other is None else sign * other,
        other_side_u_steps=gap_u,
        mask_minus_width_steps=sign * difference,
        mask_minus_width_u_steps=difference_u,
    )


def _number(measured: Measured | None) -> tuple[float | None, float]:
    if measured is None or measured.value is None:
        return None, 0.0
    return measured.value, measured.u or 0.0


def _other(side: str) -> Any:
    return "outward" if side == "inward" else "inward"


def _plausible(profile: Profile, config: Config) -> float:
    """Return how many steps a degree may plausibly move focus; 0 where the size of a step is not known."""
    step_um, _ = _number(profile.step_um)
    return 0.0 if not step_um else plausible_shift_um_per_c(config) / step_um


def keep_result(state: Path, result: Mapping[str, Any], created: datetime) -> bool | None:
    """Put the profile with what a run found in place of the latest one; False where that changes nothing.

    None for a run that is no check and compares nothing, or where there is no profile. Raises
    `ProfileDamaged`, ValueError and OSError.
    """
    check, apart = result.get("recheck"), result.get("mask_minus_width")
    store = ProfileStore(state)
    profile = store.latest() if check or apart else None
    if profile is None:
        return None
    if check:
        updated = checked_profile(profile, check, created)
    else:
        updated = profile_with_differences(profile, apart or {}, created)
    if updated is None:
        return False
    store.save(updated)
    return True
