"""Expect where the next frame's defocus lies, from the frames before it: it saves the search.

Only a starting point: a fit that does not end near it is done again from scratch.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from routines.measure.capture import Hint

_REMEMBERED = 24
_LOOSENESS_UM = 25.0
_BLURS = 9


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
        slope = self._slope_um_per_step()
        if position_steps is None or slope is None:
            return None
        same = [entry for entry in self._seen if entry[0] == filter_name] or self._seen
        _, position, defocus = same[-1]
        moved = slope * (position_steps - position)
        blur = float(np.median(self._blurs))
        return Hint(defocus + moved, _LOOSENESS_UM + 0.25 * abs(moved), blur)

    def _slope_um_per_step(self) -> float | None:
        """Return the median slope of pairs of the same filter, which a dead zone does not upset."""
        slopes = [
            (b[2] - a[2]) / (b[1] - a[1])
            for a, b in combinations(self._seen, 2)
            if a[0] == b[0] and a[1] != b[1]
        ]
        return float(np.median(slopes)) if len(slopes) >= 2 else None
