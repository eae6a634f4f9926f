"""Does the star move with the focuser, as it must, or against it because the mask sits half a turn round?

Told by two looks on one engaged flank. Play cannot make a star move backwards: between two looks on the same
flank the drawtube goes the motor's way or stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from routines.observations import SIDE_UNKNOWN, Observation

_SURE_U = 8.0
_LOOKED_BACK = 6
UNCHECKED, REVERSED = "sign_unchecked", "mask_reversed"


def sense_of(looks: Sequence[Observation], play_bound_steps: float) -> int:
    """Return 1 where the first engaged pair of looks moves outward with the focuser, -1 against it, else 0.

    ``play_bound_steps`` is what the play surely stays under: a look after as much travel one way is engaged.
    """
    for place, look in enumerate(looks):
        for before in reversed(looks[max(place - _LOOKED_BACK, 0) : place]):
            sense = _sense_of_pair(before, look, play_bound_steps)
            if sense:
                return sense
    return 0


def checked(look: Observation, sense: int) -> Observation:
    """Return a look with what is known of its sign now: remembered from the mask's last fitting, or not."""
    if sense == 0 or look.method != "mask" or "sign_unknown" in look.flags:
        return look
    flags = tuple(code for code in look.flags if code not in (UNCHECKED, REVERSED))
    return replace(look, flags=flags if sense > 0 else (*flags, REVERSED))


def _sense_of_pair(one: Observation, other: Observation, play_bound_steps: float) -> int:
    if one.method != "mask" or other.method != "mask" or one.filter != other.filter:
        return 0
    if one.value_px is None or other.value_px is None or not _same_flank(one, other, play_bound_steps):
        return 0
    seen_px, gone_steps = other.value_px - one.value_px, other.position_steps - one.position_steps
    if gone_steps == 0.0 or abs(seen_px) < _SURE_U * hypot(one.u_px or 0.0, other.u_px or 0.0):
        return 0
    return 1 if seen_px * gone_steps > 0.0 else -1


def _same_flank(one: Observation, other: Observation, play_bound_steps: float) -> bool:
    """Tell whether the gears lay on the same flank, or the motor never turned back between the two looks."""
    if one.side == SIDE_UNKNOWN or one.side != other.side:
        return False
    if one.pass_id is not None and one.pass_id == other.pass_id:
        return (other.position_steps - one.position_steps) * one.side > 0.0
    travels = (one.travel_since_reversal_steps or 0.0, other.travel_since_reversal_steps or 0.0)
    return min(travels) >= play_bound_steps
