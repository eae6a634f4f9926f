"""What the worker's desk makes of frames that are measured again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest

from daemon.desk import Desk, _agreement, _measured_again
from daemon.frame_result import FrameResult
from daemon.rehearse import default_config
from routines.measure.turbulence import _behind_one_mm, defocus_turbulence
from routines.observations import Observation


def look(value_px: float | None, frames: int = 1) -> Observation:
    return Observation(0, "L", 100.0, value_px=value_px, u_px=0.1, frames=frames, path="a.fits")


def result(value_px: float | None) -> FrameResult:
    return FrameResult("a.fits", filter="L", spike_error_px=value_px, spike_error_u_px=0.05, flags=("faint",))


def test_a_run_keeps_the_sense_in_which_it_began() -> None:
    # The second look was first taken for the other side of focus (the mask had been turned before it).
    pairs = [
        (look(4.0), result(-4.1)),
        (look(2.0), result(2.0)),
        (look(-5.0), result(5.0)),
        (look(1.0), None),
    ]
    assert _agreement(pairs) == -1
    assert [_measured_again(*pair, sense=-1).value_px for pair in pairs] == [4.1, -2.0, -5.0, 1.0]
    assert _agreement([(look(4.0), result(3.9))]) == _agreement([]) == 1


@pytest.mark.parametrize(("first_frame_px", "kept_px"), [(-3.9, -4.0), (4.2, 4.0), (None, 4.0)])
def test_of_a_look_of_several_frames_only_the_side_may_change(
    first_frame_px: float | None, kept_px: float
) -> None:
    again = _measured_again(look(4.0, frames=3), result(first_frame_px), sense=1)
    assert again.value_px == kept_px and again.u_px == 0.1


class Noting:
    """Notes what it is given to measure, and as what."""

    seen: ClassVar[list[tuple[str, str]]] = []

    def __init__(self, *arguments: object, **settings: object) -> None:
        self.seen.clear()

    def measure_next(self, path: Path, method: str) -> FrameResult:
        self.seen.append((path.name, method))
        return result(1.0)

    def peak_share(self, method: str) -> None:
        return None

    def close(self) -> None:
        pass


def test_what_the_first_frame_would_wait_for_is_known_before_it_comes() -> None:
    """What the air does behind an aperture hangs on the config alone."""
    _behind_one_mm.cache_clear()
    config = default_config()
    desk = Desk(config)
    assert not desk.spare()
    computed = _behind_one_mm.cache_info().misses
    learnt = replace(config.science_optics(), aperture_mm=config.optics.aperture_mm * 0.99)
    defocus_turbulence(learnt)
    assert _behind_one_mm.cache_info().misses == computed == 1


def test_in_spare_time_a_desk_makes_ready_before_it_measures_again() -> None:
    done: list[str] = []

    class Idle:
        def make_ready(self) -> bool:
            done.append("ready")
            return done.count("ready") == 1

        def revise_one(self) -> bool:
            done.append("again")
            return False

    desk = Desk(default_config(), measures=False)
    desk._meter = Idle()  # type: ignore[assignment]  # what is left to do, and nothing else of a meter
    assert desk.spare() and not desk.spare()
    assert done == ["ready", "ready", "again"]


def test_a_desk_that_replaces_a_lost_one_measures_the_runs_frames_as_what_they_were_taken_for(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A star without a mask teaches nothing of one: taken for the other kind, it would shift every lesson."""
    monkeypatch.setattr("daemon.measurement.FrameMeter", Noting)
    before = [(str(tmp_path / "a.fits"), "mask"), (str(tmp_path / "b.fits"), "width")]
    for path, _ in before:
        Path(path).touch()
    Desk(default_config(), measures=False).measure(str(tmp_path / "c.fits"), before, "width")
    assert Noting.seen == [("a.fits", "mask"), ("b.fits", "width"), ("c.fits", "width")]
