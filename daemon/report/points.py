"""One plotted point for each observation, in the controller's counts, with what the fit made of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from routines.convention import sign_of
from routines.observations import INWARD, OUTWARD, Observation
from routines.profile import Profile

if TYPE_CHECKING:
    from routines.estimate.fitted import FittedRow
    from routines.estimate.result import JointFit

Branch = Literal["inward", "outward", "between"]

# From this share of the play on a look counts as having left the dead zone.
ENGAGED_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class Point:
    """A measured look; ``lag_steps`` is how far the drawtube was seen to trail the motor."""

    number: int
    filter: str
    position: float
    value_px: float
    u_px: float
    fitted_px: float | None
    residual_px: float | None
    weight: float
    branch: Branch
    lag_steps: float | None
    lag_u_steps: float | None
    fitted_lag_steps: float | None
    pass_index: int | None
    time_s: float | None
    temperature_c: float | None
    path: str | None
    is_outlier: bool


def plotted_points(profile: Profile, fit: JointFit, observations: Sequence[Observation]) -> list[Point]:
    """Return a point for every measured observation of the profile's method, in their order.

    Where there are both kinds these are the looks through the mask; a profile by width has the others.
    """
    rows = {row.number: row for row in fit.rows}
    wanted = "width" if profile.method == "width" else "mask"
    measured = (item for item in observations if item.value_px is not None and item.method == wanted)
    return [_point(profile, fit, item, rows.get(item.number)) for item in measured]


def _point(profile: Profile, fit: JointFit, item: Observation, row: FittedRow | None) -> Point:
    fitted_lag = None if row is None else item.position_steps - row.tube_place_steps
    lag, lag_u = _measured_lag(fit, item, row)
    return Point(
        number=item.number,
        filter=item.filter,
        position=sign_of(profile.outward) * item.position_steps,
        value_px=item.value_px or 0.0,
        u_px=(item.u_px or 0.0) if row is None else row.total_u_px,
        fitted_px=None if row is None else row.fitted_px,
        residual_px=None if row is None else row.residual_px,
        weight=0.0 if row is None else row.weight,
        branch=_branch(item, row),
        lag_steps=lag,
        lag_u_steps=lag_u,
        fitted_lag_steps=fitted_lag,
        pass_index=item.pass_id if row is None else row.pass_index,
        time_s=item.time_s,
        temperature_c=item.temperature_c,
        path=item.path,
        is_outlier=item.number in fit.outliers,
    )


def _measured_lag(
    fit: JointFit, item: Observation, row: FittedRow | None
) -> tuple[float | None, float | None]:
    """Return the lag and its u: the fitted lag less what the residual says the tube is further along."""
    slope = fit.slopes_px_per_step.get(item.filter) or fit.slope_px_per_step
    if item.method != "mask" or row is None or slope is None or not slope.value:
        return None, None
    lag = item.position_steps - row.tube_place_steps - row.residual_px / slope.value
    return lag, row.total_u_px / abs(slope.value)


def _branch(item: Observation, row: FittedRow | None) -> Branch:
    side = item.side if row is None else row.side
    if side not in (INWARD, OUTWARD) or (row is not None and row.engaged < ENGAGED_SHARE):
        return "between"
    return "inward" if side == INWARD else "outward"
