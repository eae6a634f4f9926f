"""What the fit of widths answers."""

from __future__ import annotations

from dataclasses import dataclass, field

from routines.estimate.fitted import FittedCurve, FittedRow, Values
from routines.flags import Flag
from routines.quantity import Quantity


@dataclass(frozen=True, slots=True)
class WidthKnowledge:
    """Means and covariance at once: ``names`` (k) are "backlash", "alpha" and "minimum.<filter>" (inward)."""

    names: tuple[str, ...]
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class WidthFit:
    """Every number that the widths support; what they do not is None, with a flag that says why.

    Minima are the positions (steps, rising outward) of least width on a branch, at
    ``reference_temperature_c``. ``arm_px_per_step`` is the slope far from focus, the two arms' geometric
    mean, and ``far_width_px`` how wide the looks are that it rests on; ``arm_ratio`` the outward arm's over
    the inward one's. ``power`` is that of the curve (2 for a plain hyperbola). ``mask_minus_width_steps`` is
    filled where masks were looked through as well. ``coverage_factor`` turns a standard uncertainty into half
    of a 95 % interval.
    """

    minima_inward_steps: Values = field(default_factory=dict)
    minima_outward_steps: Values = field(default_factory=dict)
    least_width_px: Values = field(default_factory=dict)
    offsets_steps: Values = field(default_factory=dict)
    offsets_order: tuple[str, ...] = ()
    offsets_covariance_steps2: tuple[tuple[float, ...], ...] = ()
    backlash_steps: Quantity | None = None
    temperature_coefficient_steps_per_c: Quantity | None = None
    arm_px_per_step: Quantity | None = None
    far_width_px: float | None = None
    arm_ratio: Quantity | None = None
    arms_differ: bool = False
    power: Quantity | None = None
    mask_minus_width_steps: Values = field(default_factory=dict)
    relative_scatter: float = 0.0
    reference_temperature_c: float | None = None
    observed: dict[str, int] = field(default_factory=dict)
    rows: tuple[FittedRow, ...] = ()
    curves: tuple[FittedCurve, ...] = ()
    outliers: tuple[int, ...] = ()
    flags: tuple[Flag, ...] = ()
    knowledge: WidthKnowledge | None = None
    degrees_of_freedom: float = 0.0
    coverage_factor: float = 1.959964
