"""The worker process: results, jobs that raise, processes that die, deadlines, stops, idleness."""

import os
import threading
import time
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
import quick_starts

from daemon.worker import JobAbandoned, JobRaised, Worker, WorkerLost


class Desk:
    def __init__(self, folder=None):
        self.folder = folder
        self.count = 0

    def add(self, one, other):
        self.count += 1
        return one + other

    def counted(self):
        return self.count

    def raises(self):
        raise ValueError("this frame is nothing")

    def dies(self):
        os._exit(9)

    def dies_once(self):
        marker = Path(self.folder) / "died"
        if not marker.exists():
            marker.touch()
            os._exit(9)
        return "second time"

    def sleeps(self):
        time.sleep(60)

    def pid(self):
        return os.getpid()


def broken():
    raise RuntimeError("no such library")


@pytest.fixture
def worker(tmp_path):
    worker = Worker(Desk, (str(tmp_path),))
    yield worker
    worker.close()


def test_a_job_is_done_in_another_process(worker):
    assert worker.call("add", 2, 3, deadline_s=20) == 5
    assert worker.call("pid", deadline_s=20) not in (None, os.getpid())


def test_begun_as_for_a_user_it_does_its_jobs_and_is_replaced(worker):
    with quick_starts.anew():
        assert worker.call("dies_once", deadline_s=20) == "second time"
        command = Path(f"/proc/{worker.pid}/cmdline").read_text()
    assert "multiprocessing.spawn" in command


def test_what_is_only_mentioned_is_done_before_the_next_job_and_not_answered(worker):
    worker.mention("add", 1, 1)  # there is no process yet, and none is started for it
    assert worker.pid is None
    assert worker.call("counted", deadline_s=20) == 0
    worker.mention("add", 1, 1)
    worker.mention("raises")
    assert worker.call("counted", deadline_s=20) == 1


def test_a_job_that_raises_is_told_and_the_process_stays(worker):
    first = worker.call("pid", deadline_s=20)
    with pytest.raises(JobRaised, match="this frame is nothing"):
        worker.call("raises", deadline_s=20)
    assert worker.call("pid", deadline_s=20) == first


def test_a_process_that_dies_is_replaced_and_the_job_tried_once_more(worker):
    assert worker.call("dies_once", deadline_s=20) == "second time"
    with pytest.raises(WorkerLost, match=r"died.*died"):
        worker.call("dies", deadline_s=20)
    assert worker.call("add", 1, 1, deadline_s=20) == 2


def test_a_job_past_its_deadline_is_given_up_after_a_second_try(worker):
    with pytest.raises(WorkerLost, match="no result within"):
        worker.call("sleeps", deadline_s=0.1)


def test_a_stop_abandons_the_job(worker):
    worker.call("pid", deadline_s=20)
    stop = threading.Event()
    stop.set()
    with pytest.raises(JobAbandoned):
        worker.call("sleeps", deadline_s=20, stop=stop)


def test_a_stop_waits_for_no_process_to_go_since_a_motor_has_to_be_halted(worker, monkeypatch):
    process_id = worker.call("pid", deadline_s=20)
    stop = threading.Event()
    stop.set()
    with monkeypatch.context() as patched:
        patched.setattr(BaseProcess, "join", lambda self, timeout=None: pytest.fail("it waited"))
        with pytest.raises(JobAbandoned):
            worker.call("sleeps", deadline_s=20, stop=stop)
    assert worker.call("pid", deadline_s=20) != process_id
    assert not Path(f"/proc/{process_id}").exists()


def test_a_desk_that_cannot_be_made_says_why():
    worker = Worker(broken)
    with pytest.raises(JobRaised, match="no such library"):
        worker.call("add", 1, 1, deadline_s=20)
    worker.close()


def test_idle_it_leaves_and_comes_back(tmp_path):
    worker = Worker(Desk, (str(tmp_path),), idle_s=0.05)
    first = worker.call("pid", deadline_s=20)
    time.sleep(0.5)
    assert worker.call("pid", deadline_s=20) != first
    worker.close()
