"""Lessons in a child process: their result, their death, and that it does not matter when they are ready."""

import os
import signal
import time
from pathlib import Path

import pytest

from daemon.frame_result import FrameResult
from daemon.frame_star import Prepared
from daemon.lessons import FRAMES_UNTIL_TAKEN, Lesson
from daemon.measurement import FrameMeter
from daemon.rehearse import default_config
from daemon.worker import Worker


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


class Mask:
    """A mask's meter whose lessons count, and whose readings tell which lesson they are from."""

    def __init__(self, pause_s):
        self.learnt, self.pause_s, self.knows_mask = None, pause_s, False

    def learn(self, cutouts):
        time.sleep(self.pause_s if self.learnt else 0.0)
        self.learnt, self.knows_mask = len(cutouts), True

    def restore(self, learnt):
        self.learnt = learnt


class Meter(FrameMeter):
    """A frame meter whose frames are but their numbers."""

    def __init__(self, pause_s):
        super().__init__(default_config(), learns_beside=True)
        self._meter = Mask(pause_s)

    def _prepare(self, path):
        return Prepared(FrameResult(str(path), filter="L", position_steps=float(path.name)), cutout=object())

    def _line(self, prepared, method, hint):
        from dataclasses import replace

        return replace(prepared.result, spike_error_px=float(self._meter.learnt))


@pytest.fixture(autouse=True)
def teach_any(monkeypatch):
    monkeypatch.setattr("daemon.measurement.spread_out", list)
    monkeypatch.setattr("daemon.measurement.kept_to_teach", list)


def values(results):
    return [one.spike_error_px for one in results]


def measured(pause_s, *, spares=False):
    meter, seen = Meter(pause_s), []
    for number in range(14):
        seen.append(meter.measure_next(Path(str(number)), "mask"))
        while spares and meter.revise_one():
            pass
    return values(seen), values(meter.revised())


def test_frames_are_measured_alike_however_fast_the_lesson_was_and_whatever_was_done_in_spare_time():
    """The second lesson begins with the fifth frame and serves from a fixed number of frames later."""
    slow, quick, spare = measured(0.3), measured(0.0), measured(0.05, spares=True)
    assert slow == quick == spare
    first = 4 + FRAMES_UNTIL_TAKEN
    assert slow[0] == [1.0] * (first + 1) + [5.0] * (13 - first)
    assert slow[1] == [5.0] * 14


def test_the_last_lesson_is_waited_for_at_the_end_and_given_up_when_nobody_asks():
    meter = Meter(0.2)
    for number in range(6):
        meter.measure_next(Path(str(number)), "mask")
    assert values(meter.revised()) == [1.0] * 6
    meter.finish_lesson()
    assert values(meter.revised()) == [5.0] * 6
    idle = Meter(60.0)
    for number in range(6):
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
