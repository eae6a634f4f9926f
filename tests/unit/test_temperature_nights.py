"""The temperature routine and the coefficient that its nights tell together, as `advise` then uses it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from fake_rig import FakeRig, SleptClock, begin, conductor_of, opened
from profile_cases import case_facts, case_fit
from test_scripts import FACTS, FILTERS, FittedTrain

from daemon.desk import Desk
from daemon.nights import keep_coefficient, night_crossings
from daemon.profile_store import ProfileStore
from routines.profile_build import build_profile
from routines.scripts.listing import list_steps
from routines.scripts.temperature import Temperature, temperature
from routines.steps import Await, Observe, Released, Seen

ALPHA = -4.0


class CoolingTrain(FittedTrain):
    """A train in air that cools while the script waits; its tube follows."""

    def __init__(self, start_c=10.0, zero=0.0, **facts):
        super().__init__(**facts)
        self.now_c, self.zero = start_c, zero

    def answer(self, step):
        if isinstance(step, Await) and step.condition == "time":
            self.now_c -= 1.2 * step.at_most_s / 3600.0
            return Released(step.at_most_s)
        answer = super().answer(step)
        if isinstance(step, Observe):
            seen = answer.observation
            moved = self.slope * (ALPHA * (self.now_c - 10.0) + self.zero)
            value = None if seen.value_px is None else seen.value_px - moved
            answer = Seen(replace(seen, value_px=value, temperature_c=self.now_c))
        return answer


def one_night(**facts):
    return list_steps(temperature(FACTS, Temperature(wanted_c=2.0)), CoolingTrain(**facts)).result


def test_crossings_follow_the_temperature_until_it_has_moved_enough():
    result = one_night()
    assert result["outcome"] == "done"
    assert 2.0 <= result["moved_c"] < 2.4
    found = result["temperature_crossings"]
    slope = np.polyfit([c["temperature_c"] for c in found], [c["crossing_steps"] for c in found], 1)[0]
    assert slope == pytest.approx(ALPHA, abs=0.5)
    assert all(0.2 < c["u_steps"] < 1.0 for c in found)


def test_a_night_that_does_not_cool_ends_in_time():
    how = Temperature(wanted_c=500.0, at_most_s=3600.0)
    result = list_steps(temperature(FACTS, how), CoolingTrain()).result
    assert result["outcome"] == "done"
    assert len(result["temperature_crossings"]) == 7


def test_without_a_thermometer_it_is_refused():
    result = list_steps(temperature(FACTS), FittedTrain()).result
    assert (result["outcome"], result["code"]) == ("failed", "temperature_unknown")


def test_nights_of_different_zeros_give_one_coefficient_in_the_profile(tmp_path):
    """A night's own level does not count: zero was lost between them."""

    class Run:
        def __init__(self, name, result):
            self.id = self.run_id = name
            self.result = result

    runs = [Run("one", one_night()), Run("other", None)]
    end = Run("two", one_night(start_c=12.0, zero=35.0))
    crossings = night_crossings(runs, end)
    assert {item["night"] for item in crossings} == {"one", "two"}
    told = Desk.nights(None, crossings)
    assert told["coefficient"]["value"] == pytest.approx(ALPHA, abs=3.0 * told["coefficient"]["u"])
    assert told["coefficient"]["u"] < 0.5
    assert not keep_coefficient(tmp_path, told, datetime.now(UTC))
    store = ProfileStore(tmp_path)
    store.save(build_profile(case_fit(), case_facts()))
    assert keep_coefficient(tmp_path, told, datetime.now(UTC))
    kept = store.latest().temperature_coefficient_steps_per_c
    assert kept.value == pytest.approx(told["coefficient"]["value"])
    assert (kept.valid_from_c, kept.valid_to_c) == (told["valid_from_c"], told["valid_to_c"])
    assert len(FILTERS) > 1


def test_the_conductor_lets_time_pass_and_hears_a_stop(tmp_path):
    journal, rig, clock = opened(tmp_path), FakeRig(), SleptClock()
    conductor = conductor_of(journal, rig, clock=clock)
    end = conductor.carry_on(begin(conductor, "temperature"))
    assert end.state == "done"
    assert clock.slept_s >= 6.0 * 3600.0
    assert end.result["moved_c"] == 0.0
    stopping = conductor_of(journal, rig, clock=clock)
    clock.on_sleep = stopping.stop
    assert stopping.carry_on(begin(stopping, "temperature")).state == "stopped"
    journal.close()
