"""The fit row by row, and its curves, for the report."""

from __future__ import annotations

import numpy as np

from routines.estimate.fitted import FittedCurve, FittedRow
from routines.estimate.model import FIRST_SLOPE, places_of
from routines.estimate.play import Array, Places
from routines.estimate.prepare import Prepared
from routines.estimate.settle import Settled


def _places(settled: Settled) -> Places:
    return places_of(settled.layout, settled.solution.state)


def engaged_share(settled: Settled) -> Array:
    """Return the share (n) of the play taken up at each look."""
    return _places(settled).engaged


def fitted_rows(settled: Settled, prepared: Prepared) -> tuple[FittedRow, ...]:
    """Return every usable observation with its fitted value."""
    at, layout = settled.solution.at, settled.layout
    where = _places(settled)
    total_u = np.sqrt(settled.solution.state.variance)
    return tuple(
        FittedRow(
            number=row.number,
            filter=row.filter,
            position_steps=row.position_steps,
            value_px=float(settled.problem.value[k]),
            fitted_px=float(settled.problem.value[k] - at.residual[k]),
            residual_px=float(at.residual[k]),
            total_u_px=float(total_u[k]),
            weight=float(at.good[k]),
            tube_place_steps=float(where.place[k]),
            pass_index=int(layout.pass_index[k]),
            side=int(layout.side_now[k]),
            engaged=float(where.engaged[k]),
        )
        for k, row in enumerate(prepared.rows)
    )


def curves(settled: Settled, prepared: Prepared) -> tuple[FittedCurve, ...]:
    """Return, for every pass and filter seen in it, the fitted spike error at the positions of the pass."""
    problem, layout, theta = settled.problem, settled.layout, settled.solution.state.theta
    place = _places(settled).place
    drawn = []
    for which in np.unique(layout.pass_index):
        rows = np.flatnonzero(layout.pass_index == which)
        position, first = np.unique(problem.position[rows], return_index=True)
        for index in np.unique(problem.filter_index[rows]):
            slope = theta[FIRST_SLOPE + (index if problem.slopes > 1 else 0)]
            crossing = theta[FIRST_SLOPE + problem.slopes + index]
            fitted = slope * (place[rows][first] - crossing)
            drawn.append(
                FittedCurve(
                    prepared.filters[index],
                    int(layout.side_now[rows[0]]),
                    int(which),
                    tuple(float(p) for p in position),
                    tuple(float(v) for v in fitted),
                )
            )
    return tuple(drawn)
