"""The conductor on devices made of attributes: crashes at every place, stops, holds, failures."""

import contextlib
import itertools
import threading
from dataclasses import replace

import pytest
from fake_rig import FakeRig, SleptClock, begin, conductor_of, fitted, hands_of, opened

from daemon.gates import Gate, Level, Levels
from daemon.ledger import Ledger
from daemon.live import Live
from daemon.performer import Performer, RunStopped
from daemon.replay import JournalDisagrees
from daemon.worker import JobAbandoned, JobRaised
from drivers.errors import LinkLost, Stopped
from routines.convention import to_science
from routines.observations import INWARD, Move
from routines.scripts.catalogue import ROUTINES
from routines.steps import Approach, Arrived, Failed, Observe, Selected, SelectFilter, Travel


class Crash(BaseException):
    """Ends the conductor as a kill would: nothing catches it."""


class CrashAt:
    def __init__(self, place, number):
        self.where = (place, number)

    def reach(self, place, number):
        if (place, number) == self.where:
            raise Crash


class Places:
    """Collects every place of an undisturbed run."""

    def __init__(self):
        self.seen = []

    def reach(self, place, number):
        self.seen.append((place, number))


def uninterrupted(folder, name):
    journal, rig, places = opened(folder), FakeRig(), Places()
    conductor = conductor_of(journal, rig, faults=places)
    end = conductor.carry_on(begin(conductor, name))
    steps = journal.steps(end.run_id)
    journal.close()
    return end, rig, places.seen, steps


def comparable(observations):
    return [replace(seen, time_s=None) for seen in observations]


def test_an_undisturbed_run_is_journaled_whole(tmp_path):
    end, rig, places, steps = uninterrupted(tmp_path, "characterise")
    assert end.state == "done"
    assert all(record.answer is not None for record in steps)
    assert [number for place, number in places if place == "acted"] == list(range(len(steps)))
    assert rig.halts >= 1
    assert [seen.number for seen in end.ledger.observations] == list(range(len(rig.exposed)))
    assert {seen.side for seen in end.ledger.observations} == {-1, 1}


def test_a_filter_is_told_of_before_its_wheel_turns(tmp_path):
    rig, told = FakeRig(), []
    real = rig.select

    def select(name, stop=None):
        told.append(("turns", name))
        real(name, stop)

    rig.select = select
    with contextlib.closing(opened(tmp_path)) as journal:
        conductor = conductor_of(journal, rig, foresee=lambda name: told.append(("foreseen", name)))
        conductor.carry_on(begin(conductor, "offsets"))
    assert len(told) > 4
    assert told[::2] == [("foreseen", name) for _, name in told[1::2]]
    assert all(what == "turns" for what, _ in told[1::2])


class CrashEverywhere:
    """Crashes once at each place that is reached."""

    def __init__(self):
        self.crashed = set()

    def reach(self, place, number):
        if (place, number) not in self.crashed:
            self.crashed.add((place, number))
            raise Crash


def test_a_run_that_crashes_at_every_place_of_every_step_sees_the_same(tmp_path):
    whole, _, places, steps = uninterrupted(tmp_path / "whole", "characterise")
    journal, rig, faults = opened(tmp_path / "crashing"), FakeRig(), CrashEverywhere()
    run_id, end = begin(conductor_of(journal, rig)), None
    while end is None:
        before = journal.observations(run_id)
        with contextlib.suppress(Crash):
            end = conductor_of(journal, rig, faults=faults).carry_on(run_id)
        after = journal.observations(run_id)
        assert after[: len(before)] == before
    assert faults.crashed == set(places)
    assert end.state == "done"
    assert end.result == whole.result
    assert end.ledger.moves == whole.ledger.moves
    assert comparable(end.ledger.observations) == comparable(whole.ledger.observations)
    assert [record.step for record in journal.steps(run_id)] == [record.step for record in steps]
    # Only a look whose answer was lost is taken again: once for each of its two crashes before the record.
    assert max(rig.exposed.count(seen.number) for seen in after) == 2
    assert journal.run(run_id).starts == len(places) + 1
    journal.close()


def test_a_single_crash_changes_nothing_wherever_it_falls(tmp_path):
    whole, _, places, steps = uninterrupted(tmp_path / "whole", "backlash")
    expected = comparable(whole.ledger.observations)
    for number, place in list(enumerate(places))[5::14]:
        journal, rig = opened(tmp_path / str(number)), FakeRig()
        conductor = conductor_of(journal, rig, faults=CrashAt(*place))
        run_id = begin(conductor, "backlash")
        with pytest.raises(Crash):
            conductor.carry_on(run_id)
        recorded = journal.observations(run_id)
        assert [run.id for run in journal.unfinished()] == [run_id]
        end = conductor_of(journal, rig).carry_on(run_id)
        assert comparable(end.ledger.observations) == expected, place
        assert [record.step for record in journal.steps(run_id)] == [record.step for record in steps]
        # What was recorded before the crash was not taken again.
        assert all(rig.exposed.count(seen.number) == 1 for seen in recorded), place
        journal.close()


def test_a_crash_in_the_middle_of_a_leg_is_made_good(tmp_path):
    whole, rig, _, _ = uninterrupted(tmp_path / "whole", "backlash")
    expected = comparable(whole.ledger.observations)
    for crash_leg in range(1, len(rig.legs), 6):
        journal, victim = opened(tmp_path / str(crash_leg)), FakeRig()

        def half_way(target, victim=victim, crash_leg=crash_leg):
            if len(victim.legs) == crash_leg:
                victim.leg_hook = lambda leg: None
                victim.move_to((victim.count + target) // 2)
                raise Crash

        victim.leg_hook = half_way
        conductor = conductor_of(journal, victim)
        run_id = begin(conductor, "backlash")
        with pytest.raises(Crash):
            conductor.carry_on(run_id)
        end = conductor_of(journal, victim).carry_on(run_id)
        assert comparable(end.ledger.observations) == expected, crash_leg
        journal.close()


def test_a_focuser_moved_by_hand_before_the_resume_is_brought_back_with_its_slack(tmp_path):
    whole, _, _, steps = uninterrupted(tmp_path / "whole", "backlash")
    looks = [record.number for record in steps if record.step["kind"] == "Observe"]
    for number in looks[6:18:3]:
        journal, rig = opened(tmp_path / str(number)), FakeRig()
        conductor = conductor_of(journal, rig, faults=CrashAt("intended", number))
        run_id = begin(conductor, "backlash")
        with pytest.raises(Crash):
            conductor.carry_on(run_id)
        rig.move_to(rig.count + 500)
        rig.move_to(rig.count - 530)
        end = conductor_of(journal, rig).carry_on(run_id)
        assert comparable(end.ledger.observations) == comparable(whole.ledger.observations), number
        journal.close()


def test_a_rig_with_falling_counts_sees_the_mirror_image(tmp_path):
    ends = []
    for outward in ("rising", "falling"):
        journal, rig = opened(tmp_path / outward), FakeRig(outward)
        conductor = conductor_of(journal, rig)
        ends.append((conductor.carry_on(begin(conductor)), rig))
        journal.close()
    (rising, rising_rig), (falling, falling_rig) = ends
    assert comparable(rising.ledger.observations) == comparable(falling.ledger.observations)
    assert rising_rig.legs == [-leg for leg in falling_rig.legs]


def test_every_leg_stays_inside_the_limits_and_an_overshoot_outside_moves_nothing(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig, limits_counts=(0, 5300))
    end = conductor.carry_on(begin(conductor))
    assert end.state == "failed"
    assert end.result["code"] == "outside_limits"
    assert rig.legs == []
    journal.close()


def test_a_changed_routine_refuses_the_resume_and_names_both_versions(tmp_path, monkeypatch):
    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig, faults=CrashAt("acted", 9))
    run_id = begin(conductor, "backlash")
    with pytest.raises(Crash):
        conductor.carry_on(run_id)
    journal._connection.execute("UPDATE runs SET script_version = 77")
    legs = len(rig.legs)
    with pytest.raises(JournalDisagrees, match=f"77.*{ROUTINES['backlash'].version}"):
        conductor_of(journal, rig).carry_on(run_id)
    assert len(rig.legs) == legs
    journal.close()


def test_a_step_that_differs_from_the_journal_refuses_the_resume_and_names_both(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig, faults=CrashAt("answered", 9))
    run_id = begin(conductor, "backlash")
    with pytest.raises(Crash):
        conductor.carry_on(run_id)
    journal._connection.execute(
        'UPDATE steps SET step = \'{"kind":"SelectFilter","filter":"Violet"}\', sum = NULL WHERE number = 5'
    )
    with pytest.raises(JournalDisagrees, match=r"step 5.*Violet.*asks for"):
        conductor_of(journal, rig).carry_on(run_id)
    journal.close()


def test_a_lost_link_is_an_answer_and_ends_the_run(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()

    def pull(target):
        if len(rig.legs) == 20:
            rig.lost = True
            raise LinkLost("the focuser's cable is gone")

    rig.leg_hook = pull
    conductor = conductor_of(journal, rig)
    end = conductor.carry_on(begin(conductor))
    assert end.result["code"] == "link_lost"
    assert end.state == "partial"
    assert journal.steps(end.run_id)[-1].answer["kind"] == "Failed"
    assert len(end.ledger.observations) > 5
    journal.close()


def test_a_failing_fit_leaves_the_bound_in_force(tmp_path):
    def fails(observations, moves, stop, ask):
        raise JobRaised("ValueError: no reversal")

    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig, fitter=fails)
    end = conductor.carry_on(begin(conductor))
    assert end.state == "done"
    assert end.result["overshoot_steps"] == 200.0
    journal.close()


def test_a_stop_ends_the_run_halts_and_keeps_what_was_seen(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig)
    rig.leg_hook = lambda leg: conductor.stop() if len(rig.legs) == 12 else None
    end = conductor.carry_on(begin(conductor))
    assert end.state == "stopped"
    assert rig.halts >= 1
    assert len(rig.legs) == 13
    assert journal.run(end.run_id).state == "stopped"
    assert len(journal.observations(end.run_id)) == len(rig.exposed)
    journal.close()


def test_a_stop_halts_at_once_also_while_a_camera_takes_its_time(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()
    looking, let_go = threading.Event(), threading.Event()

    class SlowEye:
        def take(self, request, stop):
            looking.set()
            let_go.wait(20.0)
            raise Stopped("the camera's command has ended")

    conductor = conductor_of(journal, rig, eye=SlowEye())
    run_id = begin(conductor)
    ends = []
    thread = threading.Thread(target=lambda: ends.append(conductor.carry_on(run_id)))
    thread.start()
    assert looking.wait(20.0)
    before = rig.halts
    conductor.stop()
    assert rig.halts > before
    assert not ends
    let_go.set()
    thread.join(20.0)
    assert [end.state for end in ends] == ["stopped"]
    journal.close()


PLACES = (5000.0, 4900.0)


def two_looks(then):
    def script():
        yield Approach(PLACES[0], INWARD, 200.0)
        yield SelectFilter("Clear")
        first = yield Observe("Clear", then=then)
        second = yield Observe("Red")
        return {"outcome": "done", "answers": [first, second]}

    return script()


def performed(rig, then, stop=None):
    """Carry these few steps out as a conductor would, and return the first look's answer and the ledger."""
    ledger = Ledger()
    performer = Performer(hands_of(rig), ledger, Live(), stop or threading.Event())
    script = two_looks(then)
    step = next(script)
    while True:
        answer = performer.carry_out(step)
        ledger.note(step, answer)
        if isinstance(step, Observe) and step.then:
            return answer, ledger
        step = script.send(answer)


def test_a_look_is_measured_while_the_rig_goes_on_to_the_next_place():
    rig, moved = FakeRig(), threading.Event()
    rig.read_hook = lambda: None if moved.wait(20.0) else pytest.fail("nothing moved while it was measured")
    rig.leg_hook = lambda leg: moved.set() if leg == PLACES[1] else None
    answer, ledger = performed(rig, (Travel(PLACES[1]), SelectFilter("Red")))
    seen = answer.observation
    assert (seen.position_steps, seen.filter, seen.side) == (PLACES[0], "Clear", INWARD)
    assert seen.value_px == pytest.approx(rig.noise[0])
    assert answer.then == (Arrived(PLACES[1], INWARD, 300.0), Selected("Red"))
    assert (ledger.position_steps, ledger.filter) == (PLACES[1], "Red")
    assert ledger.moves[-1] == Move(1, PLACES[1])
    assert rig.count == PLACES[1]


def test_what_fails_while_a_look_is_measured_does_not_lose_the_look():
    rig = FakeRig()
    answer, ledger = performed(rig, (Travel(99_999.0), SelectFilter("Red")))
    assert answer.observation.measured
    assert [(type(one), one.code) for one in answer.then] == [(Failed, "outside_limits")]
    assert (ledger.position_steps, ledger.filter, len(ledger.observations)) == (PLACES[0], "Clear", 1)


def test_a_stop_while_a_look_is_measured_ends_both():
    rig, stop = FakeRig(), threading.Event()

    def halted(leg):
        if leg == PLACES[1]:
            stop.set()
            raise Stopped("stopped on the way")

    def abandoned():
        if not stop.wait(20.0):
            pytest.fail("the measurement was not told")
        raise JobAbandoned("stopped while measuring")

    rig.leg_hook, rig.read_hook = halted, abandoned
    with pytest.raises(RunStopped):
        performed(rig, (Travel(PLACES[1]),), stop)


def test_a_pass_is_made_again_where_a_crash_may_have_cut_the_way_on():
    rig, ledger = FakeRig(), Ledger()
    entered = Approach(PLACES[0], INWARD, 200.0)
    ledger.note(entered, ledger.arrival(entered, PLACES[0]))
    rig.count = PLACES[0]  # where it stood may as well lie on the way that was cut
    performer = Performer(hands_of(rig), ledger, Live(), threading.Event())
    performer.restore(pending=Observe("Clear", then=(SelectFilter("Red"),)))
    assert rig.legs == []
    performer.restore(pending=Observe("Clear", then=(Travel(PLACES[1]),)))
    assert rig.legs == [PLACES[0] + 200.0, PLACES[0]]


def test_a_hold_by_a_person_moves_nothing_and_survives_a_restart(tmp_path):
    journal, rig, clock = opened(tmp_path), FakeRig(), SleptClock()
    conductor = conductor_of(journal, rig, clock=clock)
    run_id = begin(conductor)

    def hold_at(leg):
        if len(rig.legs) == 10:
            conductor.hold()

    def killed():
        raise Crash

    rig.leg_hook, clock.on_sleep = hold_at, killed
    with pytest.raises(Crash):
        conductor.carry_on(run_id)
    legs = len(rig.legs)
    assert journal.run(run_id).operator_hold

    clock = SleptClock()
    again = conductor_of(journal, rig, clock=clock)
    holding = []

    def let_go_after_a_while():
        holding.append((again.live.snapshot().state, len(rig.legs)))
        if len(holding) == 5:
            again.resume()

    clock.on_sleep = let_go_after_a_while
    assert again.carry_on(run_id).state == "done"
    assert holding == [("holding", legs)] * 5
    journal.close()


@pytest.mark.parametrize("number", [1, 6, 7, 8])
def test_a_hold_that_comes_during_a_look_lets_nothing_move_after_it(number, tmp_path):
    journal, rig, clock = opened(tmp_path), FakeRig(), SleptClock()
    conductor = conductor_of(journal, rig, clock=clock)
    take, found = rig.take, []

    def stands():
        return len(rig.legs), rig.filter, rig.halts

    def held_while_exposing(request, stop):
        reading = take(request, stop)
        if request.number == number:
            conductor.hold()
            found.append(stands())
        return reading

    def let_go_after_a_while():
        found.append(stands())
        if len(found) == 6:
            conductor.resume()

    rig.take, clock.on_sleep = held_while_exposing, let_go_after_a_while
    assert conductor.carry_on(begin(conductor, "offsets")).state == "done"
    assert len(found) == 6
    assert set(found) == {found[0]}
    journal.close()


def shut_gate(read):
    levels = Levels(
        "star brightness", "of its best", 0.5, 0.7, "below", settling_s=10.0, longest_hold_s=100.0
    )
    return Gate("star", levels, read)


def test_a_shut_gate_holds_looks_until_it_has_settled(tmp_path):
    journal, rig, clock = opened(tmp_path), FakeRig(), SleptClock()
    cloud = iter(itertools.chain([1.0] * 4, [0.1] * 20, itertools.repeat(0.9)))
    conductor = conductor_of(journal, rig, clock=clock, gates=[shut_gate(lambda: Level(next(cloud)))])
    events = conductor.live.watch()
    end = conductor.carry_on(begin(conductor))
    kinds = [events.get_nowait().kind for _ in range(events.qsize())]
    assert end.state == "done"
    assert (kinds.count("hold"), kinds.count("resume")) == (1, 1)
    assert clock.slept_s == pytest.approx(20 + 10, abs=1.5)
    journal.close()


def test_a_gate_shut_from_the_start_holds_from_the_start_and_not_for_ever(tmp_path):
    journal, rig, clock = opened(tmp_path), FakeRig(), SleptClock()
    conductor = conductor_of(journal, rig, clock=clock, gates=[shut_gate(lambda: Level(None))])
    end = conductor.carry_on(begin(conductor))
    assert (end.state, end.result["code"]) == ("failed", "held_too_long")
    assert "no reading" in end.result["message"]
    assert rig.exposed == []
    assert clock.slept_s == pytest.approx(100.0, abs=2.0)
    journal.close()


def test_holds_before_a_restart_are_told_of_in_the_result(tmp_path):
    journal, rig, clock = opened(tmp_path), FakeRig(), SleptClock()
    levels = itertools.chain([1.0] * 4, [0.1] * 20, itertools.repeat(0.9))
    gate = shut_gate(lambda: Level(next(levels)))
    crash = CrashAt("answered", 14)
    conductor = conductor_of(journal, rig, clock=clock, gates=[gate], faults=crash)
    run_id = begin(conductor)
    with pytest.raises(Crash):
        conductor.carry_on(run_id)
    (first,) = journal.holds(run_id)
    assert "ended" in first
    journal.keep_holds(run_id, [first, {"began": first["ended"], "reasons": ["cut short by the crash"]}])
    end = conductor_of(journal, rig, clock=clock).carry_on(run_id)
    assert end.result["holds"][0] == first
    assert end.result["holds"][1]["restarted"]
    assert end.result["holds"][1]["ended"] >= first["ended"]
    journal.close()


def test_an_ended_run_is_not_carried_on_twice(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig)
    first = conductor.carry_on(begin(conductor, "backlash"))
    legs = len(rig.legs)
    again = conductor.carry_on(first.run_id)
    assert again.result == first.result
    assert len(rig.legs) == legs
    assert again.ledger.observations == first.ledger.observations
    journal.close()


def test_the_fit_is_given_the_scripts_own_moves(tmp_path):
    given = []

    def fit(observations, moves, stop, ask):
        given.append((len(observations), [move.position_steps for move in moves]))
        return fitted(observations, moves, stop)

    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig, fitter=fit)
    conductor.carry_on(begin(conductor, "backlash"))
    looks, moves = given[-1]
    assert looks == len(rig.exposed)
    assert [to_science(leg, "rising") for leg in rig.legs[: len(moves)]] == moves
    journal.close()
