"""What the joint fit is asked, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from routines.estimate.fitted import FittedCurve, FittedRow, Values
from routines.estimate.width_result import WidthFit
from routines.flags import Flag
from routines.quantity import Quantity


@dataclass(frozen=True, slots=True)
class FitSetup:
    """What is known before the fit.

    ``filters`` are all configured names; ``reference_temperature_c`` None takes the mean of the readings.
    ``alpha_prior_steps_per_c`` is the standard deviation of what is believed about the temperature
    coefficient beforehand; where the step size is not known, ``alpha_prior_px_per_c`` says the same in spike
    error (neither: a tenth of the range of positions for each degree). ``lag_u_s`` is the standard deviation
    of what is believed about how far tube and thermometer may be behind each other. A drawtube that has not
    responded over ``longest_play_steps`` is said not to follow (None: the range of positions).
    """

    filters: tuple[str, ...]
    reference_filter: str
    expected_slope_px_per_step: float | None = None
    reference_temperature_c: float | None = None
    alpha_prior_steps_per_c: float | None = None
    alpha_prior_px_per_c: float | None = None
    longest_play_steps: float | None = None
    lag_u_s: float = 0.0
    outlier_share: float = 0.05


@dataclass(frozen=True, slots=True)
class TemperatureRange:
    """The temperatures between which the coefficient was seen."""

    valid_from_c: float
    valid_to_c: float


@dataclass(frozen=True, slots=True)
class DriveError:
    """The drive's error as it repeats with position: every ``period_steps``, by ``amplitude_steps``."""

    period_steps: float
    amplitude_steps: float


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What is known of the linear part of the model at once: enough to predict what another look adds.

    ``names`` (k) are "backlash", "slope", "alpha" and "crossing.<filter>" (inward, at the reference
    temperature), with ``values`` (k) and ``covariance`` (k, k). ``noise_px`` is the standard deviation of one
    look through each filter.
    """

    names: tuple[str, ...]
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    noise_px: dict[str, float]

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form, for an answer in the journal."""
        return {
            "names": list(self.names),
            "values": list(self.values),
            "covariance": [list(row) for row in self.covariance],
            "noise_px": dict(self.noise_px),
        }

    @classmethod
    def from_dict(cls, fields: dict[str, Any]) -> Knowledge:
        """Return the knowledge that ``as_dict`` wrote."""
        return cls(
            tuple(fields["names"]),
            tuple(fields["values"]),
            tuple(tuple(row) for row in fields["covariance"]),
            dict(fields["noise_px"]),
        )


@dataclass(frozen=True, slots=True)
class JointFit:
    """Every number the observations support; what they do not is None, with a flag that says why.

    Positions rise outward. Crossings hold at ``reference_temperature_c``. ``offsets_covariance_steps2`` is in
    the order of ``offsets_order``. ``slopes_px_per_step`` holds each filter's own slope as its own
    looks tell it. ``width`` is the fit of the looks without a mask, where there are any.
    """

    backlash_steps: Quantity | None = None
    transition_steps: Quantity | None = None
    slope_px_per_step: Quantity | None = None
    lost_motion_to_outward_steps: Quantity | None = None
    lost_motion_to_inward_steps: Quantity | None = None
    offsets_steps: Values = field(default_factory=dict)
    crossings_inward_steps: Values = field(default_factory=dict)
    crossings_outward_steps: Values = field(default_factory=dict)
    slopes_px_per_step: Values = field(default_factory=dict)
    temperature_coefficient_steps_per_c: Quantity | None = None
    temperature_range: TemperatureRange | None = None
    reference_temperature_c: float | None = None
    reference_filter: str = ""
    offsets_order: tuple[str, ...] = ()
    offsets_covariance_steps2: tuple[tuple[float, ...], ...] = ()
    scatter_px: dict[str, float | None] = field(default_factory=dict)
    observed: dict[str, int] = field(default_factory=dict)
    rows: tuple[FittedRow, ...] = ()
    outliers: tuple[int, ...] = ()
    curves: tuple[FittedCurve, ...] = ()
    flags: tuple[Flag, ...] = ()
    knowledge: Knowledge | None = None
    width: WidthFit | None = None
    drive_error: DriveError | None = None
    degrees_of_freedom: float = 0.0
    chi_square: float = 0.0

    def flagged(self, code: str) -> bool:
        """Tell whether any flag has this code."""
        return any(item.code == code for item in self.flags)
