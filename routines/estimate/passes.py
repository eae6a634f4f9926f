"""From rows in time order to passes: which looks were made without a reversal between them.

A recorded table holds no moves between its rows, so every pass starts with a slack of its own, and a look at
a turn may end one pass or begin the next (people overshoot unseen). A history of moves settles both: then
only what happened before the first move is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from routines.estimate.play import Array, Index, Route
from routines.observations import Move, Observation


@dataclass(frozen=True, slots=True)
class Layout:
    """The route of each look, and what is known about the slack of each group.

    Groups are runs of rows that share a slack, in row order; ``starts`` (groups) holds their first rows.
    ``known`` (groups) tells where the slack is zero by history; ``lowest`` (groups) is the least slack the
    rows allow. ``side_now`` and ``pass_index`` (n) are each look's own direction and pass. ``swing``
    (groups) is the travel that proves a known slack: it must exceed the play.
    """

    route: Route
    starts: Index
    known: npt.NDArray[np.bool_]
    lowest: Array
    side_now: Array
    pass_index: Index
    swing: Array

    @property
    def groups(self) -> int:
        """Return how many slacks there are."""
        return len(self.starts)


@dataclass(frozen=True, slots=True)
class Turn:
    """Where one pass meets the next: the rows at the turning position, and where the second may begin."""

    first_row: int
    end_row: int
    choices: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Runs:
    """A table's passes before it is decided which of them owns the rows at each turn.

    ``side`` and ``reference_steps`` (passes): direction, and the position its slack is counted from.
    """

    side: tuple[int, ...]
    reference_steps: tuple[float, ...]
    turns: tuple[Turn, ...]
    rows: int


def find_runs(position: Array, filters: Sequence[str], tolerance_steps: float) -> Runs:
    """Split rows (n) in time order into passes wherever the direction of travel changes."""
    visits = _visits(position, tolerance_steps)
    level = np.array([position[first] for first, _ in visits])
    side = np.sign(np.diff(level)).astype(int)
    if len(side) == 0:
        return Runs((1,), (float(level[0]),), (), len(position))
    sides, references, turns = [int(side[0])], [float(level[0])], []
    for visit in range(1, len(side)):
        if side[visit] != side[visit - 1]:
            sides.append(int(side[visit]))
            references.append(float(level[visit]))
            turns.append(_turn(*visits[visit], filters))
    return Runs(tuple(sides), tuple(references), tuple(turns), len(position))


def _visits(position: Array, tolerance_steps: float) -> list[tuple[int, int]]:
    """Return [first, end) row ranges that stay at one position."""
    breaks = [0]
    for row in range(1, len(position)):
        if abs(position[row] - position[breaks[-1]]) > tolerance_steps:
            breaks.append(row)
    return list(zip(breaks, [*breaks[1:], len(position)], strict=True))


def _turn(first: int, end: int, filters: Sequence[str]) -> Turn:
    """Return a turn whose rows may be divided only where a filter comes round again."""
    choices: list[int] = [first]
    seen: set[str] = set()
    for row in range(first, end):
        if filters[row] in seen:
            choices.append(row)
            seen = set()
        seen.add(filters[row])
    return Turn(first, end, (*choices, end))


def lay_out(runs: Runs, position: Array, first_rows: Sequence[int]) -> Layout:
    """Return the layout when pass k + 1 begins at row ``first_rows[k]``; passes without rows vanish."""
    bounds = [0, *first_rows, runs.rows]
    kept = [k for k in range(len(runs.side)) if bounds[k + 1] > bounds[k]]
    group = np.repeat(np.arange(len(kept)), [bounds[k + 1] - bounds[k] for k in kept])
    side = np.array([runs.side[k] for k in kept], dtype=float)[group]
    reference = np.array([runs.reference_steps[k] for k in kept])[group]
    travel = side * (position - reference)
    starts = np.array([bounds[k] for k in kept], dtype=np.intp)
    empty = np.zeros((len(position), 0))
    return Layout(
        route=Route(side, position, travel, group, empty, empty),
        starts=starts,
        known=np.zeros(len(kept), dtype=bool),
        lowest=-np.minimum.reduceat(travel, starts),
        side_now=side,
        pass_index=np.array(kept, dtype=np.intp)[group],
        swing=np.full(len(kept), np.inf),
    )


class _Walk:
    """The motor's path so far, with the turning points that the drawtube still remembers."""

    def __init__(self, start: float) -> None:
        self.position = start
        self.extremes = [start]
        self.side = 0
        self.passes = 0
        self.group = 0
        self.swings = [np.inf]

    def go(self, target: float) -> None:
        """Move to ``target`` and forget the turning points that the move wipes out."""
        if target == self.position:
            return
        side = 1 if target > self.position else -1
        if self.side and side != self.side:
            self.extremes.append(self.position)
            self.passes += 1
        self.side, self.position = side, target
        while len(self.extremes) > 1 and self._leg() >= abs(self.extremes[-1] - self.extremes[-2]):
            if len(self.extremes) == 2:
                self.swings.append(abs(self.extremes[1] - self.extremes[0]))
                self.group += 1
                del self.extremes[0]
            else:
                del self.extremes[-2:]

    def _leg(self) -> float:
        return abs(self.position - self.extremes[-1])

    def legs(self) -> list[tuple[float, float]]:
        """Return (signed length, end) of each remembered leg, the first one first."""
        points = [*self.extremes, self.position]
        return [(b - a, b) for a, b in pairwise(points)]


def follow_history(observations: Sequence[Observation], moves: Sequence[Move]) -> Layout:
    """Return the layout of looks whose moves are all known; only the state before the first is not."""
    waiting = sorted(moves, key=lambda move: move.before_number)
    start = waiting[0].position_steps if waiting else observations[0].position_steps
    walk = _Walk(start)
    rows: list[tuple[int, int, int, list[tuple[float, float]]]] = []
    taken = 0
    for look in observations:
        while taken < len(waiting) and waiting[taken].before_number <= look.number:
            walk.go(waiting[taken].position_steps)
            taken += 1
        walk.go(look.position_steps)
        rows.append((walk.group, walk.passes, walk.side, walk.legs()))
    return _layout_of(rows, walk.swings)


def _backfilled(sides: list[int]) -> Array:
    """Return the sides with looks before any motion counted to the first motion's side."""
    first = next((side for side in sides if side), 1)
    return np.array([side or first for side in sides], dtype=float)


def _layout_of(rows: list[tuple[int, int, int, list[tuple[float, float]]]], swings: list[float]) -> Layout:
    depth = max(len(legs) for *_, legs in rows) - 1
    count = len(rows)
    later_travel, later_sign = np.zeros((count, depth)), np.zeros((count, depth))
    for row, (_, _, _, legs) in enumerate(rows):
        for place, (length, _) in enumerate(legs[1:]):
            later_travel[row, place], later_sign[row, place] = abs(length), np.sign(length)
    first = np.array([legs[0][0] for *_, legs in rows])
    named, group = np.unique([row[0] for row in rows], return_inverse=True)
    now = _backfilled([row[2] for row in rows])
    side = np.where(first == 0.0, now, np.sign(first))
    return Layout(
        route=Route(
            side, np.array([legs[0][1] for *_, legs in rows]), np.abs(first), group, later_travel, later_sign
        ),
        starts=np.array([int(np.argmax(group == k)) for k in range(len(named))], dtype=np.intp),
        known=named > 0,
        lowest=np.zeros(len(named)),
        side_now=now,
        pass_index=np.array([row[1] for row in rows], dtype=np.intp),
        swing=np.array([swings[k] for k in named]),
    )
