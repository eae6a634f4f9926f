"""A short turn of the sky-seconds benchmark: our looks take a part of the sky that the grid takes."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

from sky_seconds import WAYS, outcome_of, told


def test_our_looks_reach_the_targets_in_less_sky(capsys) -> None:
    results = {way: [outcome_of((way, 1))] for way in WAYS}
    share = told(results)
    assert "sky s" in capsys.readouterr().out
    grids, fitted_grids, ours = results.values()
    assert all(one.reached for one in ours)
    # One grid, read as well as can be, takes longer than we do; read by lines it takes at least that.
    assert share < 0.6
    for grid, fitted, own in zip(grids, fitted_grids, ours, strict=True):
        assert own.seconds < fitted.seconds <= grid.seconds
        assert own.worst_offset_error < 3.0
