"""Expect where the next frame's defocus lies, from the frames before it: it saves the search.

Only a starting point: a fit that does not end near it is done again from scratch. The same expectation tells
a mask that was put back turned by half a turn, which shows every frame from the other side of focus.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from routines.measure.capture import Hint

_REMEMBERED = 24
LOOSENESS_UM = 25.0
_BLURS = 9
_SURE_U = 8.0
_SAME_SLOPE = 0.25


class Tracker:
    """Remembers positions and defoci of the latest frames of a set."""

    def __init__(self) -> None:
        self._seen: list[tuple[str | None, float, float]] = []
        self._blurs: list[float] = []

    def take(
        self, filter_name: str | None, position_steps: float | None, defocus_um: float, blur_px: float
    ) -> None:
        """Remember one measured frame."""
        self._blurs = [*self._blurs, blur_px][-_BLURS:]
        if position_steps is not None:
            self._seen = [*self._seen, (filter_name, position_steps, defocus_um)][-_REMEMBERED:]

    def hint(self, filter_name: str | None, position_steps: float | None) -> Hint | None:
        """Return where a frame's defocus is expected, or None when nothing tells."""
        slope = _median_slope(self._seen, least=1)
        if position_steps is None or slope is None:
            return None
        same = [entry for entry in self._seen if entry[0] == filter_name] or self._seen
        _, position, defocus = same[-1]
        moved = slope * (position_steps - position)
        blur = float(np.median(self._blurs))
        return Hint(defocus + moved, LOOSENESS_UM + 0.25 * abs(moved), blur)

    def sees_half_a_turn(
        self, filter_name: str | None, position_steps: float | None, defocus_um: float, u_um: float
    ) -> bool:
        """Tell whether this frame and the one before it, not yet and already taken, show focus mirrored.

        Both must lie on the other side of where they were expected, and the star must have moved against
        the focuser by just what it should have moved with it. Play alone cannot do that: of two looks that
        it sets apart so, one lies where it was expected.
        """
        before, slope = self._seen[:-1], _median_slope(self._seen[:-1], least=2)
        if position_steps is None or slope is None or self._seen[-1][0] != filter_name:
            return False
        _, position, defocus = self._seen[-1]
        expected_change = slope * (position_steps - position)
        change = defocus_um - defocus
        if abs(change) < _SURE_U * u_um or abs(change + expected_change) > _SAME_SLOPE * abs(expected_change):
            return False
        same = [entry for entry in before if entry[0] == filter_name]
        return bool(same) and all(
            _is_mirrored(seen_um, same[-1][2] + slope * (place - same[-1][1]), u_um)
            for place, seen_um in ((position, defocus), (position_steps, defocus_um))
        )

    def turn_back_last(self) -> None:
        """Mirror the latest frame's defocus: it was taken for the wrong side."""
        name, position, defocus = self._seen[-1]
        self._seen = [*self._seen[:-1], (name, position, -defocus)]


def _is_mirrored(seen_um: float, expected_um: float, u_um: float) -> bool:
    """Tell whether a defocus surely is not the one expected, and nearer to its opposite."""
    off_um, mirrored_off_um = abs(seen_um - expected_um), abs(seen_um + expected_um)
    return off_um > _SURE_U * u_um and off_um > 2.0 * mirrored_off_um


def _median_slope(seen: Sequence[tuple[str | None, float, float]], least: int) -> float | None:
    """Return the median slope of pairs of the same filter, which a dead zone does not upset.

    None where there are fewer than the ``least`` number of pairs.
    """
    slopes = [
        (b[2] - a[2]) / (b[1] - a[1]) for a, b in combinations(seen, 2) if a[0] == b[0] and a[1] != b[1]
    ]
    return float(np.median(slopes)) if len(slopes) >= least else None
