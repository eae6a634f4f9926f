"""The looks as a fit sees them, the curve it draws through them, and numbers by filter."""

from __future__ import annotations

from dataclasses import dataclass

from routines.quantity import Quantity

Values = dict[str, Quantity | None]


@dataclass(frozen=True, slots=True)
class FittedRow:
    """One observation as the fit sees it.

    ``weight`` is the probability (0 to 1) that it is no outlier; ``total_u_px`` includes the scatter beyond
    the frame's own uncertainty; ``tube_place_steps`` is where the drawtube is, on the inward branch's scale;
    ``engaged`` the share of the play that was taken up.
    """

    number: int
    filter: str
    position_steps: float
    value_px: float
    fitted_px: float
    residual_px: float
    total_u_px: float
    weight: float
    tube_place_steps: float
    pass_index: int
    side: int
    engaged: float


@dataclass(frozen=True, slots=True)
class FittedCurve:
    """The fitted spike error of one filter along one pass, at the reference temperature."""

    filter: str
    side: int
    pass_index: int
    position_steps: tuple[float, ...]
    fitted_px: tuple[float, ...]
