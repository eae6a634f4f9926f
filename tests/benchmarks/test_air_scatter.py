"""A short turn of the repeats through hcipy's air; the table is by hand."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
if str(REPOSITORY) not in sys.path:
    sys.path.insert(0, str(REPOSITORY))

from tests.benchmarks import air_scatter  # noqa: E402  # after the path is set


@pytest.mark.timeout(300)
def test_a_few_seconds_of_air_scatter_as_stated(tmp_path: Path) -> None:
    run = air_scatter.drawn_run(air_scatter.TELESCOPES[3], 100.0, 1, seconds=6, kept=tmp_path)
    found = list(air_scatter.repeats(run, exposures_s=(1,)))
    assert len(found) == 6
    assert all(one.error_um is not None for one in found)
    # Of six normal errors the RMS over u lies in here 998 times of 1000 (chi-square): nothing finer is told.
    assert 0.25 < air_scatter.truth_of_u(found) < 1.94
    again = air_scatter.drawn_run(air_scatter.TELESCOPES[3], 100.0, 1, seconds=6, kept=tmp_path)
    assert (again.seconds == run.seconds).all()
    assert again.wind_m_s == run.wind_m_s
