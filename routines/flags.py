"""The one registry of flags: what can be said about a frame, a fit or a profile.

A note leaves the value standing (its uncertainty includes the effect); a refusal means that the value is
null, and is its reason. Notes alone never make a result "not good enough".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["note", "refusal"]


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing said about a result: a registered code, the field it is about, and words for people."""

    code: str
    field: str
    message: str

    @property
    def is_refusal(self) -> bool:
        """Tell whether the field is null because of this."""
        return kind_of(self.code) == "refusal"

    def as_dict(self) -> dict[str, str]:
        """Return the JSON form used in the profile."""
        return {"code": self.code, "field": self.field, "message": self.message}


_NOTES = {
    "sign_unknown": "which side of focus the frame is on is not known; the sign is relative to its set",
    "saturated": "the star's core is saturated; those pixels were left out",
    "clipped": "part of the pattern lies beyond the edge of the frame",
    "blended": "light of another star or a trail is close enough to disturb the fit; u includes it",
    "mask_slipped": "the mask sits turned against the rest of its set; the fit followed it",
    "mask_turned": "the mask was put back turned by 180 degrees; the sign follows the earlier fitting",
    "sign_unchecked": "the sign is that of the mask's last fitting; two looks on one flank will check it",
    "mask_reversed": "the mask sits half a turn round from its last fitting: this run's signs are mirrored",
    "faint": "few electrons: only the first orders carry the result",
    "poor_match": "the frame differs from the model by more than noise; u includes it",
    "far_from_focus": "beyond the range in which the value is certain; rough",
    "outlier": "disagrees with the other observations and was down-weighted",
    "exposure_short": "the exposure is too short to average the turbulence; u includes it",
    "orientation_learnt": "the mask's orientation was learnt from the frames",
    "geometry_learnt": "the mask's geometry was learnt from the frames, not from the config",
    "layout_undecided": "the frames cannot tell which way the mask's quarters tilt",
    "extrapolated": "the value lies outside the positions that were visited",
    "no_dead_zone_seen": "no look fell inside the dead zone; backlash rests on the crossings alone",
    "upper_limit": "only an upper limit is known",
    "slope_differs": "the slope differs between filters; each was fitted with its own",
    "temperature_drift": "the temperature moved too little to tell its effect; u includes the drift",
    "temperature_unknown": "no temperature was recorded; u does not include its drift",
    "play_shape": "the play is not taken up as one straight transition; the fit follows its shape",
    "slip": "crossings from the same side drift beyond what temperature explains",
    "steady_slip": "the zero moves steadily with the looks, as when a drawtube slips; the fit follows it and "
    "u includes it",
    "periodic_error": "the residuals repeat with position",
    "compensating_controller": "no dead zone: the controller may compensate for backlash, or gravity may "
    "hold one flank",
    "extra_scatter": "the observations scatter beyond the frames' own uncertainty; u includes it",
    "not_repeated": "these looks could not have shown a slow slip, which would move this number by more than "
    "its u: visit each side at least twice",
    "not_interleaved": "looked through in passes of its own: a slip between them would pass for the offset "
    "and move its crossing",
    "drift_confounded": "the temperature changed steadily: a steady slip or sag would pass for its effect, "
    "and only other nights tell them apart",
    "sides_untold": "looks that hang back at the end of the play on one side only would pass for a wider "
    "transition",
    "lag_unknown": "if the tube follows the thermometer late, crossings shift by more than their u",
    "nights_disagree": "the nights' temperature coefficients differ; u includes their spread",
    "thermometer_lag": "tube and thermometer follow each other with a delay, which was fitted",
    "arms_differ": "star width grows faster on one side of focus than on the other",
    "methods_disagree": "mask and width tell different plays or temperature effects; each keeps its own",
    "few_observations": "few observations: the interval is wide",
    "sides_disagree": "separate estimates from the two sides disagree",
    "left_out": "rows or frames that could not be used were left out",
    "from_config": "taken from the config, not measured",
    "step_by_width": "the growth of star width gives a step size of its own",
    "step_disagrees": "the step size from the frames disagrees with the one in use",
    "not_on_final_side": "seen from the other side only; carried over by the backlash",
    "kept_from_earlier": "not measured in this run; kept from the profile before it",
    "rechecked": "best focus was found again by a check; the rest is as it was measured before",
    "cut_short": "the run ended before its routine did; the numbers rest on the looks until then",
    "simulated": "made on the simulated rig: never use these numbers on hardware",
}

# Notes that say that the world is otherwise than the model: looks have shown it.
DOUBTS = frozenset(
    ("slip", "sides_disagree", "slope_differs", "play_shape", "periodic_error", "thermometer_lag")
)
# Notes that say what the looks could not have shown: the number that they name stands or falls with it.
CAUTIONS = frozenset(("not_repeated", "not_interleaved", "drift_confounded", "sides_untold"))

_REFUSALS = {
    "unreadable": "the file could not be read as a frame",
    "no_star": "no star was found",
    "no_mask_pattern": "a star was found but no mask pattern around it",
    "mask_present": "a mask pattern was found where an unmasked star was expected",
    "too_faint": "too few electrons to tell the defocus",
    "ambiguous": "more than one defocus fits the frame about equally well",
    "all_saturated": "too much of the star is saturated",
    "no_signal": "the frame holds no usable pixels",
    "unknown_filter": "the config does not know this filter",
    "missing_position": "the focuser position is not known",
    "no_observations": "nothing was measured",
    "one_position": "only one position was visited",
    "no_reversal": "the focuser never reversed, so backlash cannot be told",
    "all_in_dead_zone": "every look lies inside the dead zone",
    "does_not_follow": "the star did not respond to the focuser",
    "pass_too_short": "a pass is too short to leave the dead zone",
    "slopes_contradict": "passes or filters disagree about the slope",
    "not_identifiable": "the observations cannot tell this number",
    "temperature_constant": "the temperature moved too little to tell a coefficient",
    "scale_unknown": "the size of a step at the sensor is not known",
    "not_observed": "this filter was not observed",
    "reference_not_observed": "the reference filter was not observed",
    "single_method": "mask and width were not both observed",
}

MEANINGS: dict[str, tuple[Kind, str]] = {
    **{code: ("note", meaning) for code, meaning in _NOTES.items()},
    **{code: ("refusal", meaning) for code, meaning in _REFUSALS.items()},
}


def kind_of(code: str) -> Kind:
    """Return whether a code is a note or a refusal; KeyError when it is not registered."""
    return MEANINGS[code][0]


def flag(code: str, field: str, message: str | None = None) -> Flag:
    """Return a flag with a registered code; without a message it carries the registry's meaning."""
    return Flag(code, field, MEANINGS[code][1] if message is None else message)
