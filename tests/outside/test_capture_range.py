"""A brief turn of the capture table: nothing lost where none may be, and nothing confident and wrong."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
if str(REPOSITORY) not in sys.path:
    sys.path.insert(0, str(REPOSITORY))

from routines.measure.learning import MaskHint  # noqa: E402  # after the path is set
from routines.measure.meter import MaskMeter  # noqa: E402  # after the path is set
from routines.optics import critical_focus_zone_um  # noqa: E402  # after the path is set
from tests.benchmarks import capture_range  # noqa: E402  # after the path is set


@pytest.mark.parametrize("zones", [-4.0, -1.0, 2.7])
def test_two_faint_frames_are_right_or_say_so(zones: float) -> None:
    star = capture_range.meter()
    assert capture_range.counted(star, zones, 2e4, 1) == {"right": 1}
    assert capture_range.counted(star, zones, 2e3, 1)["WRONG"] == 0


def test_frames_far_out_of_reach_teach_no_mask_and_do_not_hinder_those_that_do() -> None:
    """Seven and ten critical focus zones out the spikes are clear still, but no fit within reach is true."""
    far = [capture_range.cutout(zones, 1e6, number) for number, zones in enumerate((7.0, 8.5, 10.0))]
    near = [capture_range.cutout(zones, 1e6, number) for number, zones in enumerate((0.8, -1.6))]
    star = MaskMeter(capture_range.OPTICS, MaskHint(3.6, 20.0), capture_range.BANDS)
    star.learn(far)
    assert not star.knows_mask
    readings = [star.measure(cutout) for cutout in far]
    assert [reading.defocus_um for reading in readings] == [None] * 3
    assert all({"ambiguous", "far_from_focus"} <= set(reading.flags) for reading in readings)
    star.learn(near)
    assert star.knows_mask
    zone_um = critical_focus_zone_um(0.6563, capture_range.OPTICS)
    first, second = (star.measure(cutout).defocus_um for cutout in near)
    assert first is not None
    assert second is not None
    assert abs(first - second) == pytest.approx(2.4 * zone_um, rel=0.03)
