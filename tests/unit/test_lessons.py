"""Lessons in a child process: their result, their death, and that it does not matter when they are ready."""

import os
import signal
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from daemon.frame_result import FrameResult
from daemon.frame_star import Prepared
from daemon.lessons import FRAMES_UNTIL_TAKEN, Lesson, side_by_side
from daemon.measurement import FrameMeter, _hint_from, _Taken
from daemon.rehearse import default_config
from daemon.worker import Worker
from routines import optics
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt


def test_a_lesson_is_learnt_by_a_child_and_leaves_the_parent_as_it_was():
    notes = []

    def learn():
        notes.append("learnt")
        return os.getpid()

    assert Lesson(learn).result() not in (None, os.getpid())
    assert notes == []


def test_a_child_that_dies_costs_time_and_nothing_else():
    parent = os.getpid()

    def learn():
        if os.getpid() != parent:
            os.kill(os.getpid(), signal.SIGKILL)
        return "learnt here"

    assert Lesson(learn).result() == "learnt here"


def test_a_lesson_that_nobody_wants_is_ended_at_once():
    began = time.monotonic()
    lesson = Lesson(lambda: time.sleep(60.0))
    lesson.drop()
    assert time.monotonic() - began < 30.0
    with pytest.raises(ProcessLookupError):
        os.kill(lesson._child, 0)


BRIEF = -1
GEOMETRY = Geometry(optics.Optics(588.0, 112.0, 0.0, 3.9), optics.Mask(3.6, 20.0))


@dataclass(frozen=True)
class Piece:
    """A cut-out that only tells its filter and size."""

    filter: str
    size_px: int = 256


class Mask:
    """A mask's meter whose lessons count, and whose readings tell which lesson they are from."""

    def __init__(self, pause_s):
        self.learnt, self.pause_s, self.knows_mask, self.made = None, pause_s, False, []

    def learn(self, cutouts, *, brief=False):
        time.sleep(0.0 if brief else self.pause_s)
        frames = BRIEF if brief else len(cutouts)
        self.learnt, self.knows_mask = Learnt(GEOMETRY, True, True, frames, brief=brief), True

    def stars(self, filter_names, size_px):
        return dict.fromkeys(filter_names, f"a star for {size_px} px")

    def restore(self, learnt, stars=None):
        self.learnt, self.given = learnt, stars

    def has_star(self, filter_name):
        return filter_name in self.made

    def star(self, filter_name, size_px):
        assert size_px == Piece("L").size_px
        self.made.append(filter_name)


class Meter(FrameMeter):
    """A frame meter whose frames are but their numbers."""

    def __init__(self, pause_s):
        super().__init__(default_config(), learns_beside=True)
        self.asides = False
        self._meter = Mask(pause_s)

    def _prepare(self, path):
        return Prepared(
            FrameResult(str(path), filter="L", position_steps=float(path.name)), cutout=Piece("L")
        )

    def _line(self, prepared, method, hint):
        expected = None if hint is None else hint.defocus_um
        u_um = 1.0 if self.asides else None  # with it, the tracker would take a frame in
        seen = replace(prepared.result, defocus_u_um=u_um, spike_error_px=float(self._meter.learnt.frames))
        # What it came from leaves its trace in where a frame is found, as in a real fit.
        return replace(seen, defocus_um=(expected or prepared.result.position_steps) + 1e-3, width_px=2.0,
                       star_x_px=expected)  # fmt: skip


@pytest.fixture(autouse=True)
def teach_any(monkeypatch):
    monkeypatch.setattr("daemon.measurement.spread_out", lambda pool: [one.cutout for one in pool])
    monkeypatch.setattr("daemon.measurement.kept_to_teach", list)


def values(results):
    return [one.spike_error_px for one in results]


def measured(pause_s, *, spares=False):
    meter, seen = Meter(pause_s), []
    for number in range(14):
        seen.append(meter.measure_next(Path(str(number)), "mask"))
        while spares and meter.revise_one():
            pass
    again = meter.revised()
    return values(seen), values(again), [(one.defocus_um, one.star_x_px) for one in again]


def test_frames_are_measured_alike_however_fast_the_lesson_was_and_whatever_was_done_in_spare_time():
    """The first look waits for a brief lesson alone; what else it teaches is there when the second begins.

    That is with the fifth frame, and serves from a fixed number of frames later.
    """
    slow, quick, spare = measured(0.3), measured(0.0), measured(0.05, spares=True)
    assert slow == quick == spare
    second = 4
    later = second + FRAMES_UNTIL_TAKEN
    assert slow[0] == [BRIEF] * second + [1.0] * (later - second + 1) + [5.0] * (13 - later)
    assert slow[1] == [5.0] * 14
    # Measured again, each is looked for where it was at first, and not where it was last.
    assert [looked_for for _, looked_for in slow[2][: later + 1]] == [n + 1e-3 for n in range(later + 1)]


@pytest.mark.parametrize(
    ("flags", "since", "trusted"),
    [
        ((), {}, True),
        (("saturated",), {"orientation_deg": 2.0}, True),
        ((), {"orientation_deg": 180.0}, False),
        ((), {"tilt": -1}, False),
        (("poor_match",), {}, False),
        (("layout_undecided",), {}, False),
    ],
)
def test_a_frame_is_looked_for_where_it_was_only_where_that_still_holds(flags, since, trusted):
    before = Learnt(GEOMETRY, True, True, 1, brief=True)
    now = replace(before, geometry=replace(before.geometry, mask=replace(before.geometry.mask, **since)))
    line = FrameResult("a.fits", defocus_um=30.0, width_px=5.0, flags=flags)
    taken = _Taken(Prepared(line, pitch_px=2), replace(line, defocus_um=99.0), 1, line, before, "mask")
    hint = _hint_from(taken, now)
    assert (hint is not None) is trusted
    if hint is not None:
        assert (hint.defocus_um, hint.blur_px) == (30.0, 2.5)
        turned = _hint_from(replace(taken, mirrored=True), now)
        assert turned is not None and turned.defocus_um == -30.0


def test_a_look_aside_leaves_no_trace_in_what_later_looks_are_looked_for_by():
    meter = Meter(0.0)
    meter.measure_next(Path("1"), "mask")
    star, tracker = meter._star, vars(meter._tracker).copy()
    meter.asides = True
    assert meter.measure_aside(Path("500"), "mask").defocus_um is not None
    assert (meter._star, vars(meter._tracker), meter.half_turned) == (star, tracker, False)
    assert len(meter.revised()) == 1
    meter.close()


def test_a_lesson_brings_what_frames_of_its_filters_are_compared_with():
    meter = Meter(0.0)
    for number in range(6):
        meter.measure_next(Path(str(number)), "mask")
    assert meter._meter.given == {"L": "a star for 256 px"}
    meter.close()


def test_what_the_second_frame_is_compared_with_is_made_once_and_only_after_the_first():
    meter = Meter(0.0)
    assert not meter.make_ready()
    meter._latest = meter._prepare(Path("0"))
    assert not meter.make_ready()  # the mask is not known yet
    meter.measure_next(Path("0"), "mask")
    meter._latest = meter._prepare(Path("0"))
    assert meter.make_ready() and not meter.make_ready()
    assert meter._meter.made == ["L"]
    meter.close()


def test_values_are_tried_side_by_side_and_come_back_in_their_order():
    parent = os.getpid()
    found = side_by_side(lambda value: (value, os.getpid() == parent), (1, -1))
    assert found == [(1, False), (-1, True)]


def test_where_the_last_value_raises_the_others_are_given_up(monkeypatch):
    begun = []

    class Noted(Lesson):
        def __init__(self, *arguments, **settings):
            super().__init__(*arguments, **settings)
            begun.append(self)

    monkeypatch.setattr("daemon.lessons.Lesson", Noted)

    def tried(value):
        if value < 0:
            raise ValueError("nothing can be learnt")
        time.sleep(60.0)

    with pytest.raises(ValueError, match="nothing can be learnt"):
        side_by_side(tried, (1, -1))
    with pytest.raises(ProcessLookupError):
        os.kill(begun[0]._child, 0)


def test_the_last_lesson_is_waited_for_at_the_end_and_given_up_when_nobody_asks():
    meter = Meter(0.2)
    for number in range(6):
        meter.measure_next(Path(str(number)), "mask")
    assert values(meter.revised()) == [1.0] * 6  # the lesson of the first frame
    meter.finish_lesson()
    assert values(meter.revised()) == [5.0] * 6  # that of the first five
    idle = Meter(60.0)
    for number in range(FRAMES_UNTIL_TAKEN - 1):
        idle.measure_next(Path(str(number)), "mask")
    idle.close()
    idle.close()


class Spare:
    """A desk with something left to do, which notes how much of it was done before a job came."""

    def __init__(self):
        self.left, self.done = 3, 0

    def spare(self):
        if self.left == 0:
            return False
        self.left, self.done = self.left - 1, self.done + 1
        if self.done == 3:
            raise ValueError("what goes wrong in spare time keeps no job back")
        return True

    def tell(self):
        return self.done


def test_a_worker_does_what_is_left_while_no_job_waits():
    worker = Worker(Spare)
    try:
        worker.call("tell", deadline_s=20)
        until = time.monotonic() + 20.0
        while worker.call("tell", deadline_s=20) < 3 and time.monotonic() < until:
            time.sleep(0.02)
        assert worker.call("tell", deadline_s=20) == 3
    finally:
        worker.close()
