"""The simulated focus train and controllers: play, slip, stops, take-up, follow, faults."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.simulated.controllers import FocuserController, Refused, WheelController
from drivers.simulated.mechanics import FocusTrain, Train
from drivers.simulated.weather import Wave, Weather

PLAY = Train(play_steps=100.0, spread_steps=20.0)


def test_drawtube_stands_at_the_motor_when_moving_inward_and_lags_by_the_play_when_moving_outward() -> None:
    train = FocusTrain(PLAY, 1000.0)
    train.turn_to(1300.0)
    assert train.place_steps == pytest.approx(1200.0)
    train.turn_to(1000.0)
    assert train.place_steps == pytest.approx(1000.0)


def test_nothing_follows_inside_the_gap_and_the_contacts_take_hold_over_the_spread() -> None:
    train = FocusTrain(PLAY, 1000.0)
    train.turn_to(1089.9)
    assert train.place_steps == pytest.approx(1000.0, abs=0.01)
    train.turn_to(1100.0)  # half the contacts have taken hold, by 5 steps in the mean
    assert train.place_steps == pytest.approx(1002.5, abs=0.05)
    train.turn_to(1110.0)
    assert train.place_steps == pytest.approx(1010.0, abs=0.05)


def test_preload_keeps_part_of_the_gap_closed() -> None:
    train = FocusTrain(replace(PLAY, preload=0.4), 0.0)
    train.turn_to(500.0)
    assert train.place_steps == pytest.approx(440.0)
    assert train.train.lost_motion_steps == pytest.approx(60.0)


def test_slip_loses_its_share_of_outward_travel_for_good() -> None:
    train = FocusTrain(replace(PLAY, slip=0.01), 0.0)
    train.turn_to(1000.0)
    train.turn_to(0.0)
    assert train.place_steps == pytest.approx(-10.0)


def test_locked_drawtube_stays_and_does_not_catch_up_when_freed() -> None:
    train = FocusTrain(PLAY, 0.0)
    train.locked = True
    train.turn_to(700.0)
    assert train.place_steps == pytest.approx(0.0)
    train.locked = False
    train.turn_to(1000.0)
    assert train.place_steps == pytest.approx(200.0)


def test_end_stop_holds_the_drawtube() -> None:
    train = FocusTrain(replace(PLAY, outer_stop_steps=250.0), 0.0)
    train.turn_to(900.0)
    assert train.place_steps == 250.0


def test_a_load_without_a_brake_creeps_inward_inside_the_gap_and_no_further() -> None:
    train = FocusTrain(replace(PLAY, spread_steps=0.0, creep_steps_per_s=1.0), 0.0)
    train.turn_to(500.0)
    train.turn_to(450.0)
    assert train.place_steps == pytest.approx(400.0)
    train.rest(30.0)
    assert train.place_steps == pytest.approx(370.0)
    train.rest(1000.0)
    assert train.place_steps == pytest.approx(350.0)


def test_drive_error_repeats_with_its_period() -> None:
    train = FocusTrain(replace(PLAY, periodic_steps=2.0, period_steps=400.0), 0.0)
    train.turn_to(-500.0)
    first = train.place_steps
    train.turn_to(-900.0)
    assert train.place_steps == pytest.approx(first - 400.0)


def test_drive_error_does_not_reach_across_a_gap() -> None:
    train = FocusTrain(replace(PLAY, spread_steps=0.0, periodic_steps=2.0, period_steps=40.0), 0.0)
    train.turn_to(500.0)
    train.turn_to(480.0)
    inside = train.place_steps
    train.turn_to(470.0)
    assert train.place_steps == inside


def controller(**changes: object) -> tuple[FocuserController, list[float]]:
    turned: list[float] = []
    made = FocuserController(0, 60_000, 400, 20_000.0, turned.append, lambda: 10.0)
    for name, value in changes.items():
        setattr(made, name, value)
    return made, turned


def test_motor_runs_at_its_speed_and_arrives_exactly() -> None:
    focuser, turned = controller()
    focuser.go(20_500)
    focuser.advance(1.0)
    assert (focuser.position, focuser.state) == (20_400, "turning")
    focuser.advance(10.0)
    assert (focuser.position, focuser.state) == (20_500, "still")
    assert sum(turned) == pytest.approx(500.0)


@pytest.mark.parametrize(("target", "reason"), [(-1, "limit"), (60_001, "limit")])
def test_move_outside_the_range_is_refused_and_nothing_turns(target: int, reason: str) -> None:
    focuser, turned = controller()
    with pytest.raises(Refused, match=reason):
        focuser.go(target)
    focuser.advance(5.0)
    assert focuser.position == 20_000 and not turned


def test_second_move_while_turning_is_refused() -> None:
    focuser, _ = controller()
    focuser.go(21_000)
    with pytest.raises(Refused, match="turning"):
        focuser.go(19_000)


def test_halt_keeps_counter_and_shaft_in_step() -> None:
    focuser, turned = controller()
    focuser.go(21_000)
    focuser.advance(0.5012)
    focuser.halt()
    focuser.advance(1.0)
    assert focuser.count == focuser.position == 20_000 + round(sum(turned), 9)


def test_take_up_runs_past_a_lower_target_only_and_stays_in_the_range() -> None:
    focuser, turned = controller(take_up=150)
    focuser.go(19_000)
    focuser.advance(60.0)
    assert min(sum(turned[:n]) for n in range(1, len(turned) + 1)) == pytest.approx(-1150.0)
    assert focuser.position == 19_000
    turned.clear()
    focuser.go(20_000)
    focuser.advance(60.0)
    assert sum(abs(step) for step in turned) == pytest.approx(1000.0)
    focuser.go(50)
    focuser.advance(600.0)
    assert focuser.position == 50


def test_reset_in_mid_move_loses_the_counter_and_at_rest_keeps_it() -> None:
    focuser, _ = controller()
    focuser.reset()
    assert focuser.position == 20_000
    focuser.go(21_000)
    focuser.advance(0.1)
    focuser.reset()
    assert (focuser.position, focuser.state) == (0, "still")


def test_follow_moves_ten_steps_a_degree() -> None:
    warmth = [10.0]
    focuser = FocuserController(0, 60_000, 400, 20_000.0, lambda _: None, lambda: warmth[0])
    focuser.set_follow(on=True)
    warmth[0] = 8.0
    focuser.advance(1.0)
    assert focuser.state == "turning"
    focuser.advance(5.0)
    assert focuser.position == 19_980


def test_motor_faults_show_as_they_would() -> None:
    focuser, turned = controller()
    focuser.faults.stuck = True
    focuser.go(20_100)
    focuser.advance(100.0)
    assert (focuser.position, focuser.state) == (20_000, "turning")
    focuser.faults.stuck = False
    focuser.faults.counting_only = True
    focuser.advance(1.0)
    assert focuser.position == 20_100 and not turned
    focuser.faults.counting_only, focuser.faults.wrong_way = False, True
    focuser.go(20_200)
    focuser.advance(1.0)
    assert sum(turned) == pytest.approx(-100.0)
    focuser.faults.wrong_way, focuser.faults.switch_at = False, 20_250.0
    focuser.go(20_400)
    focuser.advance(5.0)
    assert (focuser.position, focuser.state) == (20_250, "blocked")
    focuser.halt()
    assert focuser.state == "still"


def test_ignored_halt_and_unasked_motion() -> None:
    focuser, _ = controller()
    focuser.faults.ignores_halt = True
    focuser.go(21_000)
    focuser.halt()
    assert focuser.state == "turning"
    focuser.advance(10.0)
    focuser.faults.creep_steps_per_s = 2.0
    focuser.advance(10.0)
    assert focuser.position == 21_020


def test_wheel_turns_the_shorter_way_and_is_on_no_slot_meanwhile() -> None:
    wheel = WheelController(slots=7)
    wheel.turn(6)
    assert (wheel.state, wheel.slot) == ("turning", None)
    wheel.advance(0.9)
    assert (wheel.state, wheel.slot) == ("still", 6)
    with pytest.raises(Refused, match="limit"):
        wheel.turn(7)


def test_wheel_that_misses_or_is_halted_is_lost_until_a_turn_succeeds() -> None:
    wheel = WheelController(slots=7, misses_mark=True)
    wheel.turn(2)
    wheel.advance(10.0)
    assert (wheel.state, wheel.slot) == ("lost", None)
    wheel.turn(2)
    wheel.halt()
    assert wheel.state == "lost"
    wheel.turn(2)
    wheel.advance(10.0)
    assert (wheel.state, wheel.slot) == ("still", 2)


def test_tube_lags_a_slow_wave_as_a_first_order_body_must() -> None:
    weather = Weather(waves=(Wave(2.0, 20_000.0, 0.3),), drop_c=3.0, drop_s=7000.0, tube_lag_s=900.0)
    air = replace(weather, tube_lag_s=0.0)
    step, when = 5.0, 4000.0
    slope = (weather.tube_c(when + step) - weather.tube_c(when - step)) / (2.0 * step)
    assert slope == pytest.approx((air.tube_c(when) - weather.tube_c(when)) / 900.0, rel=1e-4)


def test_probe_repeats_itself_at_the_same_moment_and_is_noisy_from_one_to_the_next() -> None:
    weather = Weather(probe_noise_c=0.05, probe_bias_c=0.4, seed=3)
    readings = [weather.probe_c(float(second)) for second in range(400)]
    assert readings == [weather.probe_c(float(second)) for second in range(400)]
    mean = sum(readings) / len(readings)
    assert mean == pytest.approx(9.4, abs=0.01)
    spread = (sum((value - mean) ** 2 for value in readings) / 399) ** 0.5
    assert spread == pytest.approx(0.05, rel=0.15)
