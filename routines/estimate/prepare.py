"""From observations to the arrays of the joint fit, and to the route of each look."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.estimate.model import Problem
from routines.estimate.passes import Layout, Runs, find_runs, follow_history, lay_out
from routines.estimate.play import Array
from routines.estimate.result import FitSetup
from routines.estimate.temperature import smooth_temperature
from routines.observations import SIDE_UNKNOWN, Move, Observation

# What rounding leaves of a constant when its mean is taken away.
LEAST_BEND_C = 1e-9


@dataclass(frozen=True, slots=True)
class Prepared:
    """The problem, its rows in order, the names behind the filter indices, and how the looks were reached.

    ``runs`` is None where a history of moves settles the passes. ``travel_steps`` (n) is how far the motor
    had gone in all at each look, either way, as far as it is told. ``lags_seen`` is how many times as long
    the looks took as tube and thermometer may well be behind each other.
    """

    problem: Problem
    rows: tuple[Observation, ...]
    filters: tuple[str, ...]
    layout: Layout
    runs: Runs | None
    reference_c: float | None
    temperatures: Array | None
    temperature_signal: float
    rate_c_per_s: Array | None
    lags_seen: float
    travel_steps: Array

    @property
    def unsteady_rate_c_per_s(self) -> Array | None:
        """Return how much faster than on the average the temperature changed at each look (n).

        Behind a steady change a reading is off by a constant, tonight as on other nights: what holds at a
        temperature then holds at the temperature as it is read.
        """
        return None if self.rate_c_per_s is None else self.rate_c_per_s - float(np.mean(self.rate_c_per_s))


def usable(observations: Sequence[Observation], setup: FitSetup) -> list[Observation]:
    """Return the measured mask looks of configured filters, in order."""
    kept = [
        item
        for item in observations
        if item.method == "mask"
        and item.value_px is not None
        and math.isfinite(item.value_px)
        and math.isfinite(item.position_steps)
        and item.filter in setup.filters
    ]
    return sorted(kept, key=lambda item: item.number)


def prepare(rows: Sequence[Observation], moves: Sequence[Move] | None, setup: FitSetup) -> Prepared:
    """Return the arrays for the fit; ``rows`` are the usable observations in order (at least one)."""
    filters = tuple(name for name in setup.filters if any(row.filter == name for row in rows))
    position = np.array([row.position_steps for row in rows], dtype=float)
    value = np.array([row.value_px for row in rows], dtype=float)
    warmth, bends, reference, temperatures, signal = _warmth(rows, setup)
    rate = _rate(rows, temperatures)
    if rate is not None and setup.lag_u_s > 0.0 and not bends.shape[1]:
        bends = setup.lag_u_s * (rate - np.mean(rate))[:, None]
    problem = Problem(
        position=position,
        value=value,
        u=np.array([_own_u(row) for row in rows]),
        filter_index=np.array([filters.index(row.filter) for row in rows], dtype=np.intp),
        warmth=warmth,
        bends=bends,
        strays=np.zeros((len(rows), 0)),
        slips=0,
        filters=len(filters),
        slopes=1,
        alpha_prior=_alpha_prior(setup, position, value),
        transition_scale=max(0.1 * float(np.ptp(position)), 1e-6),
        outlier_share=setup.outlier_share,
        outlier_width=_outlier_width(value),
    )
    known = _moves_of(rows) if moves is None else list(moves)
    runs = None
    if known is None:
        runs = find_runs(position, [row.filter for row in rows], _tolerance(position))
        layout = lay_out(runs, position, [turn.end_row for turn in runs.turns])
    else:
        layout = follow_history(rows, known)
    travel = _travel(rows, known or [])
    lags = _lags_seen(rows, setup)
    return Prepared(
        problem, tuple(rows), filters, layout, runs, reference, temperatures, signal, rate, lags, travel
    )


def _lags_seen(rows: Sequence[Observation], setup: FitSetup) -> float:
    """Return how many times as long as a believed lag the looks took; endless where nothing tells."""
    when = _told_times(rows)
    return math.inf if when is None or not setup.lag_u_s else float(np.ptp(when)) / setup.lag_u_s


def _travel(rows: Sequence[Observation], moves: Sequence[Move]) -> Array:
    """Return how far (n, steps) the motor had gone at each look, both ways together."""
    places = [(float(row.number), 1, row.position_steps) for row in rows]
    places += [(float(move.before_number), 0, move.position_steps) for move in moves]
    places.sort(key=lambda item: item[:2])
    gone = np.concatenate([[0.0], np.cumsum(np.abs(np.diff([place for *_, place in places])))])
    return np.asarray(gone[[bool(is_look) for _, is_look, _ in places]], dtype=float)


def without_history(prepared: Prepared) -> Prepared:
    """Return the same looks as a table whose moves nobody wrote down."""
    position = prepared.problem.position
    runs = find_runs(position, [row.filter for row in prepared.rows], _tolerance(position))
    layout = lay_out(runs, position, [turn.end_row for turn in runs.turns])
    return replace(prepared, runs=runs, layout=layout)


def _own_u(row: Observation) -> float:
    """Return the frame's own standard uncertainty, 0 where it is not known."""
    return row.u_px if row.u_px is not None and math.isfinite(row.u_px) and row.u_px > 0.0 else 0.0


def _warmth(
    rows: Sequence[Observation], setup: FitSetup
) -> tuple[Array, Array, float | None, Array | None, float]:
    """Return temperature minus the reference (n), its bends (n, k), the reference, temperatures, signal."""
    known = [k for k, row in enumerate(rows) if row.temperature_c is not None]
    if not known:
        return np.zeros(len(rows)), np.zeros((len(rows), 0)), setup.reference_temperature_c, None, 0.0
    readings = np.array([rows[k].temperature_c for k in known], dtype=float)
    when = _times(rows)
    lag_u_s = 0.0 if _told_times(rows) is None else setup.lag_u_s
    smooth = smooth_temperature(when[known], readings, lag_u=lag_u_s)
    bridged = np.interp(when, when[known], smooth.celsius)
    bends = np.array([np.interp(when, when[known], bend) for bend in smooth.bends_c.T])
    bends = bends.reshape(-1, len(rows)).T
    reference = setup.reference_temperature_c
    if reference is None:
        # The mean and not the median: there the crossings hang least on a coefficient that nobody knows. What
        # the mean reading is off by is then a matter of its name: focus was there while so much was read.
        reference = float(np.mean(bridged))
        bends = bends - np.mean(bends, axis=0)
        bends = bends[:, np.max(np.abs(bends), axis=0, initial=0.0) > LEAST_BEND_C]
    return bridged - reference, bends, reference, bridged, smooth.signal


def _rate(rows: Sequence[Observation], temperatures: Array | None) -> Array | None:
    """Return how fast (deg C per s) the temperature changed at each look (n); None without times."""
    when = _told_times(rows)
    if temperatures is None or when is None:
        return None
    moments, first = np.unique(when, return_index=True)
    if len(moments) < 3:
        return None
    rate: Array = np.interp(when, moments, np.gradient(temperatures[first], moments))
    return rate


def _times(rows: Sequence[Observation]) -> Array:
    """Return when each look was made (s), or its place in the order where times are missing or run back."""
    when = _told_times(rows)
    return np.arange(len(rows), dtype=float) if when is None else when


def _told_times(rows: Sequence[Observation]) -> Array | None:
    """Return when each look was made (s); None where times are missing or run back."""
    when = np.array([np.nan if row.time_s is None else row.time_s for row in rows])
    return when if np.all(np.isfinite(when)) and np.all(np.diff(when) >= 0.0) else None


def _alpha_prior(setup: FitSetup, position: Array, value: Array) -> float:
    """Return the standard deviation (steps per deg C) of what is believed about alpha beforehand."""
    if setup.alpha_prior_steps_per_c:
        return setup.alpha_prior_steps_per_c
    span = max(float(np.ptp(position)), 1e-6)
    if setup.alpha_prior_px_per_c:
        low, high = np.percentile(value, [5.0, 95.0])
        return setup.alpha_prior_px_per_c * span / max(float(high - low), 1e-9)
    return 0.1 * span


def _outlier_width(value: Array) -> float:
    """Return the range (px) over which an outlier may fall: the bulk of the values, three times over."""
    low, high = np.percentile(value, [5.0, 95.0])
    return 3.0 * float(high - low) + 1e-9


def _tolerance(position: Array) -> float:
    """Return how far (steps) two readings may differ and still be one position."""
    distances = np.abs(np.diff(position))
    moved = distances[distances > 0.0]
    return min(0.5, 0.1 * float(np.median(moved))) if len(moved) else 0.5


def _moves_of(rows: Sequence[Observation]) -> list[Move] | None:
    """Return the reversals that the rows' own sides and travels tell of; None unless every row has them."""
    if any(row.side == SIDE_UNKNOWN or row.travel_since_reversal_steps is None for row in rows):
        return None
    moves: list[Move] = []
    for row in rows:
        turn = row.position_steps - row.side * (row.travel_since_reversal_steps or 0.0)
        if not moves or abs(moves[-1].position_steps - turn) > 0.5:
            moves.append(Move(row.number, turn))
    return moves
