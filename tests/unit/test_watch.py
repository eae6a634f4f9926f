"""What the gates go by: temperature, star, dew, Sun and window, each with made-up readings."""

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.gates import Level, Levels
from daemon.watch.night import NightEnd, SunRules, Window, sun_gate, window_gate
from daemon.watch.star import DewGate, DewRules, StarWatch, brightness_gate, mask_gate
from daemon.watch.temperature import (
    DepartureGate,
    FocusShift,
    PaceGate,
    Rules,
    TemperatureWatch,
    sensor_gate,
)
from routines.observations import Observation

RULES = Rules(3.0, 1.5, settle_s=60.0, longest_hold_s=1800.0)


class Tube:
    """A temperature as a function of time, read with noise through a gate's eyes."""

    def __init__(self, temperature_c, noise_c=0.03, step_c=0.1):
        self.at_s, self.temperature_c = 0.0, temperature_c
        self.rng, self.noise_c, self.step_c = np.random.default_rng(5), noise_c, step_c

    def read(self):
        value = self.temperature_c(self.at_s) + self.noise_c * self.rng.standard_normal()
        return Level(round(value / self.step_c) * self.step_c if self.step_c else value)

    def verdicts(self, gate, until_s, every_s=10.0, from_s=0.0):
        found = []
        for at in np.arange(from_s, until_s, every_s):
            self.at_s = float(at)
            found.append((self.at_s, gate.judge(self.at_s)))
        return found


def cooling(excess_c, constant_s):
    return lambda at: 5.0 + excess_c * math.exp(-at / constant_s)


def test_a_fast_fall_that_settles_holds_and_resumes():
    tube = Tube(cooling(4.0, 1200.0))
    patient = replace(RULES, longest_hold_s=3600.0)
    verdicts = tube.verdicts(PaceGate(TemperatureWatch(tube.read, 900.0), patient), 5400.0)
    shut = [at for at, verdict in verdicts if not verdict.open]
    assert verdicts[0][1].open
    assert shut
    # The true rate sinks below the resume level (1.5 C/h) at tau * ln(12 / 1.5) = 2495 s; the rate over
    # 15 min follows it by half of that, and it has to last a minute.
    assert 2495.0 - 600.0 < shut[-1] < 2495.0 + 900.0
    assert "C/h (u " in next(verdict.reason for _, verdict in verdicts if not verdict.open)
    assert verdicts[-1][1].open


def test_before_a_rate_is_known_it_says_so_and_goes_by_the_distance_from_the_first_reading():
    """3 C/h over 15 min are 0.75 C: what has gone further within a minute is too fast already."""
    tube = Tube(lambda at: 6.0, noise_c=0.02)
    gate = PaceGate(TemperatureWatch(tube.read, 900.0), RULES)
    assert RULES.rate_trip * 900.0 / 3600.0 == 0.75
    early = tube.verdicts(gate, 60.0)[-1][1]
    assert early.open
    assert early.reason == ""
    assert "not known before" in early.note
    assert "50 s so far" in early.note
    assert tube.verdicts(gate, 300.0, from_s=60.0)[-1][1].note == ""

    plunging = Tube(lambda at: 20.0 - 2.0 * at / 60.0, noise_c=0.02)
    verdict = plunging.verdicts(PaceGate(TemperatureWatch(plunging.read, 900.0), RULES), 60.0)[-1][1]
    assert not verdict.open
    assert "of the first reading" in verdict.reason


def test_readings_of_the_run_before_tell_the_rate_at_once():
    tube = Tube(lambda at: 15.0 - 6.0 * at / 3600.0, noise_c=0.02, step_c=0.0)
    watch = TemperatureWatch(tube.read, 900.0)
    watch.remember((at, 15.0 - 6.0 * at / 3600.0) for at in range(600, 1000, 20))
    gate = PaceGate(watch, replace(RULES, when_fast="hold"))
    verdict = tube.verdicts(gate, 1101.0, from_s=1100.0)[0][1]
    assert not verdict.open
    assert "-6.0" in verdict.reason


def test_noise_and_steps_alone_never_shut_it():
    tube = Tube(lambda at: 6.05, noise_c=0.05)
    verdicts = tube.verdicts(PaceGate(TemperatureWatch(tube.read, 900.0), RULES), 4 * 3600.0)
    assert all(verdict.open for _, verdict in verdicts)


def test_a_fall_that_will_not_end_in_time_goes_on_and_says_why():
    tube = Tube(lambda at: 15.0 - 6.0 * at / 3600.0)
    gate = PaceGate(TemperatureWatch(tube.read, 900.0), RULES)
    last = tube.verdicts(gate, 1500.0)[-1][1]
    assert last.open
    assert "longest hold" in last.reason
    assert "the looks go on" in last.reason


def test_it_holds_all_the_same_where_told_to():
    tube = Tube(lambda at: 15.0 - 6.0 * at / 3600.0)
    gate = PaceGate(TemperatureWatch(tube.read, 900.0), replace(RULES, when_fast="hold"))
    assert not tube.verdicts(gate, 1500.0)[-1][1].open
    gate = PaceGate(TemperatureWatch(tube.read, 900.0), replace(RULES, when_fast="interleave"))
    assert "as told" in tube.verdicts(gate, 3000.0, from_s=1500.0)[-1][1].reason


def test_a_star_that_sets_soon_is_not_waited_away():
    tube = Tube(cooling(4.0, 1200.0))
    short = replace(RULES, time_left_s=lambda: 1500.0, longest_hold_s=7200.0)
    gate = PaceGate(TemperatureWatch(tube.read, 900.0), short)
    verdicts = tube.verdicts(gate, 1300.0)
    assert any(verdict.open and "25 min that are left" in verdict.reason for _, verdict in verdicts)


def test_levels_in_focus_units_go_by_the_coefficient():
    """12 steps a degree and a zone of 24 steps: 3 C/h are 1.5 focus zones an hour."""
    shift = FocusShift(-12.0, 24.0)
    assert shift.zones_per_c == 0.5
    tube = Tube(lambda at: 15.0 - 3.0 * at / 3600.0, noise_c=0.01, step_c=0.0)
    for trip, is_open in ((1.2, False), (2.0, True)):
        rules = Rules(trip, 0.5, unit="focus zones", shift=shift, when_fast="hold")
        verdict = tube.verdicts(PaceGate(TemperatureWatch(tube.read, 900.0), rules), 1200.0)[-1][1]
        assert verdict.open == is_open
    assert (
        "steps/h"
        in tube.verdicts(PaceGate(TemperatureWatch(tube.read, 900.0), replace(rules, rate_trip=1.2)), 1200.0)[
            -1
        ][1].reason
    )


def test_the_departure_counts_from_the_runs_first_look():
    tube = Tube(lambda at: 10.0 - 2.0 * at / 3600.0, noise_c=0.0, step_c=0.0)
    watch = TemperatureWatch(tube.read, 900.0)
    watch.note(look(temperature_c=10.0))
    watch.note(look(temperature_c=4.0))
    rules = replace(RULES, departure_trip=1.0, departure_resume=0.5, when_fast="hold")
    verdicts = tube.verdicts(DepartureGate(watch, rules), 3600.0)
    first = next(at for at, verdict in verdicts if not verdict.open)
    assert first == pytest.approx(1800.0, abs=11.0)
    chosen = DepartureGate(watch, replace(rules, when_fast="choose"))
    assert "would not bring it back" in tube.verdicts(chosen, 3600.0, from_s=3500.0)[-1][1].reason


def test_a_sensor_that_freezes_shuts_its_gate_and_one_that_thaws_opens_it():
    state = {"frozen": None}
    tube = Tube(lambda at: 8.0 - 0.5 * at / 3600.0)

    def read():
        return Level(state["frozen"]) if state["frozen"] is not None else tube.read()

    watch = TemperatureWatch(read, 900.0)
    gate = sensor_gate(watch, lambda: tube.at_s, RULES)
    assert all(verdict.open for _, verdict in tube.verdicts(gate, 3600.0))
    state["frozen"] = tube.read().value
    verdicts = tube.verdicts(gate, 7200.0, from_s=3600.0)
    assert not verdicts[-1][1].open
    assert "frozen" in verdicts[-1][1].reason
    assert next(at for at, verdict in verdicts if not verdict.open) < 3600.0 + 1200.0
    state["frozen"] = None
    assert tube.verdicts(gate, 7260.0, from_s=7200.0)[-1][1].open


def test_a_sensor_that_hardly_ever_changes_is_not_taken_for_frozen():
    tube = Tube(lambda at: 8.0 - 0.3 * at / 3600.0, noise_c=0.0, step_c=0.5)
    gate = sensor_gate(TemperatureWatch(tube.read, 900.0), lambda: tube.at_s, RULES)
    assert all(verdict.open for _, verdict in tube.verdicts(gate, 6 * 3600.0, every_s=30.0))
    strict = sensor_gate(TemperatureWatch(tube.read, 900.0, 600.0), lambda: tube.at_s, RULES)
    assert not tube.verdicts(strict, 2900.0)[-1][1].open


def look(number=0, filter="L", position_steps=5000.0, electrons=1e6, flags=(), **more):
    value = None if flags else 0.1
    return Observation(
        number,
        filter,
        position_steps,
        value_px=value,
        u_px=None if flags else 0.02,
        exposure_s=2.0,
        signal_electrons=electrons,
        flags=tuple(flags),
        **more,
    )


def star():
    watch = StarWatch({"L": 300.0, "Ha": 7.0, "Dark": 0.01})
    for number in range(4):
        watch.note(look(number, position_steps=5000.0 + 20.0 * number))
    return watch


def test_a_cloud_dims_the_star_against_its_best_in_the_same_filter():
    watch = star()
    gate = brightness_gate(watch, Levels("star", "of its best", 0.5, 0.7, "below", settling_s=30.0))
    assert gate.judge(0.0).open
    watch.note(look(electrons=3e5))
    assert not gate.judge(1.0).open
    assert gate.judge(2.0).wants_looks
    watch.note(look(electrons=9e5))
    assert not gate.judge(10.0).open
    assert gate.judge(41.0).open
    # A narrow filter passes little light of its own: that is no cloud.
    watch.note(look(filter="Ha", electrons=2.5e4))
    assert gate.judge(42.0).open


def test_one_bright_look_does_not_make_all_others_look_clouded():
    watch = star()
    watch.note(look(electrons=5e6))
    watch.note(look(electrons=1e6))
    assert watch.brightness().value == pytest.approx(1.0)


def test_a_star_that_is_gone_counts_only_where_it_should_be_seen():
    watch = star()
    watch.note(look(electrons=None, flags=["no_star"], position_steps=9000.0))
    assert watch.brightness().value == 1.0
    watch.note(look(electrons=None, flags=["too_faint"], filter="Dark"))
    assert watch.brightness().value == 1.0
    watch.note(look(electrons=None, flags=["no_star"], position_steps=5065.0))
    assert watch.brightness().value == 0.0
    fresh = StarWatch({"L": 300.0})
    fresh.note(look(electrons=None, flags=["no_star"]))
    assert fresh.brightness().value == 1.0


def test_a_mask_that_is_missing_twice_shuts_its_gate():
    watch = star()
    gate = mask_gate(watch, 0.0, 600.0)
    watch.note(look(electrons=None, flags=["no_mask_pattern"]))
    assert gate.judge(0.0).open
    watch.note(look(electrons=None, flags=["no_mask_pattern"]))
    assert "mask" in gate.judge(1.0).reason
    assert not gate.judge(1.0).open
    watch.note(look())
    assert gate.judge(2.0).open


def dewing(light_per_h, halo_per_h, hours=1.5, wander=0.05, seed=2):
    rng, gate = np.random.default_rng(seed), DewGate(DewRules())
    names = itertools.cycle([("L", 1e6), ("R", 3e5)])
    for number, at in enumerate(np.arange(0.0, hours * 3600.0, 60.0)):
        name, electrons = next(names)
        light = electrons * (light_per_h ** (at / 3600.0)) * (1.0 + 0.02 * rng.standard_normal())
        halo = 3.0 * (1.0 + halo_per_h * at / 3600.0) * (1.0 + wander * rng.standard_normal())
        gate.note(look(number, name, electrons=light, time_s=float(at), blur_px=halo))
    return gate.judge(0.0)


def test_dew_ends_the_run_at_once_with_what_to_do():
    verdict = dewing(0.5, 0.3)
    assert verdict.ends is not None
    assert verdict.ends[0] == "dew"
    assert "Warm the objective" in verdict.ends[1]


@pytest.mark.parametrize(("light", "halo"), [(0.5, 0.0), (1.0, 0.4), (0.93, 0.05)])
def test_neither_extinction_nor_seeing_is_dew(light, halo):
    assert dewing(light, halo).open


def test_a_cloud_that_comes_and_goes_is_not_dew():
    gate = DewGate(DewRules())
    for number in range(120):
        passed = 1.0 - 0.6 * math.exp(-(((number - 60) / 15.0) ** 2))
        halo = 3.0 * (1.0 + 0.1 * (number % 7) / 7.0)
        gate.note(look(number, electrons=1e6 * passed, time_s=60.0 * number, blur_px=halo))
        assert gate.judge(0.0).open


VIENNA = SunRules(48.2, 16.4, -10.0, -11.0, 7200.0)


def test_dusk_is_waited_for_and_dawn_ends_the_run():
    """In Vienna on 2026-03-20 civil dusk ends about 18:40 CET and dawn begins about 05:30 CET (an almanac
    of equinox days; from memory): at 17:30 UTC the Sun is low, at 05:00 UTC it rises."""
    moments = iter(
        datetime(2026, 3, day, hour, minute, tzinfo=UTC)
        for day, hour, minute in ((20, 17, 30), (20, 17, 30), (20, 19, 0), (21, 4, 30), (21, 4, 30))
    )
    now = {"at": next(moments)}
    gate = sun_gate(VIENNA, lambda: now["at"])
    dusk = gate.judge(0.0)
    assert (dusk.open, dusk.ends) == (False, None)
    next(moments)
    now["at"] = next(moments)
    assert gate.judge(3600.0).open
    now["at"] = next(moments)
    dawn = gate.judge(7200.0)
    assert dawn.ends is not None
    assert "longer than the longest hold" in dawn.ends[1]


def test_a_window_passes_midnight_and_ends_the_run_when_it_has_closed():
    zone = ZoneInfo("Europe/Vienna")
    window, now = Window("21:00", "03:00", zone), {}
    gate = window_gate(window, 3600.0, lambda: now["at"])
    now["at"] = datetime(2026, 1, 14, 20, 30, tzinfo=zone)
    assert (gate.judge(0.0).open, gate.judge(0.0).ends) == (False, None)
    now["at"] = datetime(2026, 1, 15, 0, 30, tzinfo=zone)
    assert gate.judge(1.0).open
    now["at"] = datetime(2026, 1, 15, 3, 0, tzinfo=zone)
    assert gate.judge(2.0).ends is not None


def test_what_is_left_of_the_night_is_its_nearest_end():
    zone, now = ZoneInfo("Europe/Vienna"), datetime(2026, 3, 20, 22, 0, tzinfo=UTC)
    both = NightEnd(VIENNA, Window("21:00", "03:00", zone), Window("01:30", "01:30", zone))
    assert both.left_s(now) == 2.5 * 3600.0
    assert NightEnd(None, Window("21:00", "03:00", zone)).left_s(now) == 4.0 * 3600.0
    dawn = now + timedelta(seconds=NightEnd(VIENNA).left_s(now))
    assert datetime(2026, 3, 21, 3, 30, tzinfo=UTC) < dawn < datetime(2026, 3, 21, 4, 40, tzinfo=UTC)
    assert NightEnd().left_s(now) is None
