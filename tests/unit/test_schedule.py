"""Schedules on a clock of the test's own: punctual, late, suspended, set by hours, and across DST."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from daemon.config import config_from_dict
from daemon.live import Live
from daemon.rehearse import default_config
from daemon.schedule import Scheduler
from daemon.service.engine import Busy
from drivers.errors import SensorFailed

VIENNA = ZoneInfo("Europe/Vienna")


class Clock:
    def __init__(self, now):
        self.at = now

    def now(self):
        return self.at

    def monotonic(self):
        return self.at.timestamp()

    def sleep(self, seconds):
        self.at += timedelta(seconds=seconds)


class Engine:
    """Takes requests; busy while told so."""

    def __init__(self, clock):
        self.clock, self.live, self.busy, self.started = clock, Live(), False, []

    def request(self, routine, origin):
        if self.busy:
            raise Busy("another run is on")
        self.started.append(self.clock.at)
        return f"run-{len(self.started)}"


class Night:
    def __init__(self, folder, now, temperature=lambda: 10.0, **table):
        raw = default_config().model_dump(by_alias=True, exclude_none=True)
        raw["schedule"] = [{"name": "one", "routine": "backlash", **table}]
        raw["service"]["timezone"] = "Europe/Vienna"
        raw["site"] = {"latitude_deg": 48.2, "longitude_deg": 16.4}
        self.config, self.folder, self.temperature = config_from_dict(raw), folder, temperature
        self.clock = Clock(now)
        self.engine = Engine(self.clock)
        self.begin()

    def begin(self):
        self.scheduler = Scheduler(
            self.config, self.engine, self.clock, self.folder / "schedule.json", lambda: self.temperature()
        )

    def go(self, hours, every_s=30.0):
        until = self.clock.at + timedelta(hours=hours)
        while self.clock.at < until:
            self.scheduler.tick()
            self.clock.sleep(every_s)

    @property
    def walls(self):
        return [at.astimezone(VIENNA).strftime("%d %H:%M") for at in self.engine.started]

    @property
    def said(self):
        return self.scheduler.states()[0].last


def at(*when):
    return datetime(*when, tzinfo=VIENNA).astimezone(UTC)


def test_a_cron_line_is_punctual_by_the_clock_on_the_wall(tmp_path):
    night = Night(tmp_path, at(2026, 1, 14, 20), at="30 21 * * *")
    night.go(30)
    assert night.walls == ["14 21:30", "15 21:30"]


def test_an_interval_counts_from_its_beginning(tmp_path):
    night = Night(tmp_path, at(2026, 1, 14, 20), every_s=3600.0)
    night.go(3.5)
    assert night.walls == ["14 21:00", "14 22:00", "14 23:00"]


def test_when_the_clock_goes_back_nothing_runs_twice(tmp_path):
    """2026-10-25, 03:00 CEST becomes 02:00 CET (IANA time zone database, Europe/Vienna)."""
    night = Night(tmp_path, at(2026, 10, 24, 22), at="30 2 * * *")
    night.go(26)
    assert len(night.engine.started) == 1
    assert night.walls == ["25 02:30"]


def test_when_the_clock_goes_forward_the_lost_hour_is_made_good_once(tmp_path):
    """2026-03-29, 02:00 CET becomes 03:00 CEST."""
    night = Night(tmp_path, at(2026, 3, 28, 22), at="30 2 * * *")
    night.go(24)
    assert len(night.engine.started) == 1


@pytest.mark.parametrize(("if_missed", "started"), [("skip", 0), ("run_once", 1)])
def test_after_a_suspend_a_missed_moment_is_skipped_or_run_once(tmp_path, if_missed, started):
    night = Night(tmp_path, at(2026, 1, 14, 21), at="*/10 * * * *", if_missed=if_missed, latest_s=3600.0)
    night.scheduler.tick()
    night.clock.sleep(2400.0 + 65.0)
    night.scheduler.tick()
    assert len(night.engine.started) == started
    assert "skipped" in night.said or "started" in night.said
    night.go(0.2)
    assert len(night.engine.started) == started + 1


def test_longer_than_allowed_it_is_skipped_with_its_reason(tmp_path):
    night = Night(tmp_path, at(2026, 1, 14, 21), at="30 21 * * *", if_missed="run_once", latest_s=600.0)
    night.scheduler.tick()
    night.clock.sleep(3 * 3600.0)
    night.scheduler.tick()
    assert night.engine.started == []
    assert "at most 600 s" in night.said


@pytest.mark.parametrize("hours", [-5.0, 5.0])
def test_a_clock_set_by_hours_neither_repeats_nor_falls_asleep(tmp_path, hours):
    night = Night(tmp_path, at(2026, 1, 14, 20), every_s=7200.0)
    night.go(4.5)
    before = len(night.engine.started)
    night.clock.sleep(hours * 3600.0)
    night.go(0.1)
    assert len(night.engine.started) == before
    night.go(abs(hours) + 4.5)
    assert len(night.engine.started) >= before + 2


def test_the_evening_event_is_minutes_after_the_sun_is_low_enough(tmp_path):
    """Vienna, 2026-03-20: the Sun is at -12 degrees about 19:12 CET (an almanac of equinox days: sunset near
    18:08, nautical dusk some 64 min later; from memory, to a few minutes)."""
    night = Night(tmp_path, at(2026, 3, 20, 12), sun_below_deg=-12.0, minutes_after=20.0)
    night.go(12)
    (started,) = night.engine.started
    assert at(2026, 3, 20, 19, 22) < started < at(2026, 3, 20, 19, 42)


def test_a_window_is_kept_and_said(tmp_path):
    night = Night(tmp_path, at(2026, 1, 14, 18), every_s=3600.0, window=["20:00", "22:30"])
    night.go(8)
    assert night.walls == ["14 20:00", "14 21:00", "14 22:00"]
    assert "outside its window" in night.said


def test_a_busy_rig_is_waited_for_where_a_late_run_is_wanted(tmp_path):
    night = Night(tmp_path, at(2026, 1, 14, 21), at="30 21 * * *", if_missed="run_once", latest_s=1800.0)
    night.engine.busy = True
    night.go(0.75)
    night.engine.busy = False
    night.go(0.1)
    assert night.walls == ["14 21:45"]
    skipping = Night(tmp_path, at(2026, 1, 15, 21), at="30 21 * * *")
    skipping.engine.busy = True
    skipping.go(1)
    assert skipping.engine.started == []
    assert "another run was on" in skipping.said


MISSED = {"at": "*/10 * * * *", "if_missed": "skip"}
EVERY_SKIP = {
    "late": (MISSED, 2500.0, False, "s late; at most 60 s is allowed"),
    "several missed": (MISSED | {"if_missed": "run_once", "latest_s": 1300.0}, 2500.0, False, "were missed"),
    "busy": ({"every_s": 3600.0}, 3600.0, True, "another run was on"),
    "window": ({"every_s": 3600.0, "window": ["02:00", "03:00"]}, 3600.0, False, "outside its window"),
    "daylight": ({"every_s": 3600.0, "only_while_sun_below_deg": -30.0}, 3600.0, False, "the Sun is at"),
}


@pytest.mark.parametrize("case", EVERY_SKIP)
def test_every_run_that_is_skipped_stands_in_the_log_and_among_the_events_with_its_reason(tmp_path, case):
    table, asleep_s, busy, reason = EVERY_SKIP[case]
    night = Night(tmp_path, at(2026, 1, 14, 18), **table)
    watcher = night.engine.live.watch()
    night.engine.busy = busy
    night.scheduler.tick()
    night.clock.sleep(asleep_s)
    with capture_logs() as log:
        night.scheduler.tick()
    skipped = [line for line in log if line["event"] == "schedule_skipped"]
    assert any(reason in line["reason"] and line["schedule"] == "one" for line in skipped), (log, night.said)
    told = [watcher.get_nowait() for _ in range(watcher.qsize())]
    assert [event.facts["reason"] for event in told] == [line["reason"] for line in skipped]


def test_a_shift_of_temperature_starts_a_check_and_then_cools_down(tmp_path):
    now = at(2026, 1, 14, 21)
    night = Night(tmp_path, now, temperature_shift_c=1.0, cool_down_s=3600.0, look_every_s=300.0)
    night.temperature = lambda: 10.0 - 2.0 * (night.clock.at - now).total_seconds() / 3600.0
    night.go(3.1)
    gaps = [(b - a).total_seconds() for a, b in pairwise(night.engine.started)]
    assert night.walls[0] == "14 21:30"
    assert len(night.engine.started) == 3
    assert min(gaps) >= 3600.0
    reads = []
    night.temperature = lambda: reads.append(1) or 0.0
    night.engine.busy = True
    night.go(1.0)
    assert reads == []  # the port is not opened while a run is on


def test_a_silent_sensor_is_said_and_asked_again(tmp_path):
    def silent():
        raise SensorFailed("no probe")

    night = Night(tmp_path, at(2026, 1, 14, 21), silent, temperature_shift_c=1.0)
    night.go(0.1)
    assert "no temperature: no probe" in night.said
    night.temperature = lambda: 5.0
    night.go(0.2)
    assert "first temperature seen" in night.said


def test_a_restart_neither_repeats_nor_forgets(tmp_path):
    night = Night(tmp_path, at(2026, 1, 14, 21), at="30 21 * * *")
    night.go(0.6)
    night.begin()
    night.go(0.5)
    assert night.walls == ["14 21:30"]
    (tmp_path / "schedule.json").write_text("{ damaged")
    night.begin()
    night.go(24)
    assert night.walls == ["14 21:30", "15 21:30"]
