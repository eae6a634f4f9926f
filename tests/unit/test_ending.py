"""How a rig is left after a run, and the owner's commands around it."""

import json
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from fake_rig import FakeRig, begin, conductor_of, hands_of, opened

from daemon.config import config_from_dict
from daemon.eyes import Sight
from daemon.live import Live
from daemon.rehearse import default_config
from daemon.service.ending import Ending, found_now
from daemon.service.frames_kept import keep_within
from daemon.service.hooks import after_run, before_run, why_unsafe
from daemon.service.people import HookFailed, People, run_hook


def config(**tables):
    raw = default_config().model_dump(by_alias=True, exclude_none=True)
    names = ("Clear", "Red", "Blue")
    raw["filter"] = [item | {"name": name} for item, name in zip(raw["filter"], names, strict=False)]
    raw["limits"] = {"low_steps": 0.0, "high_steps": 10_000.0}
    for name, values in tables.items():
        raw[name] = raw.get(name, {}) | values
    return config_from_dict(raw)


class Eye:
    def __init__(self, *flags):
        self.flags, self.looks = flags, []

    def take(self, request, stop):
        self.looks.append(request)
        return lambda: Sight(None, None, self.flags)


@pytest.fixture
def ended(tmp_path):
    journal, rig = opened(tmp_path), FakeRig()
    conductor = conductor_of(journal, rig)
    end = conductor.carry_on(begin(conductor))
    journal.close()
    return end, rig


def left(ended, settings, *, masked=True, flags=("no_mask_pattern",), within=0.0, **changes):
    end, rig = ended
    live, eye = Live(), Eye(*flags)
    watcher = live.watch()
    conditions = {"mask_off": lambda at_most_s, stop: within}
    hands = hands_of(rig, eye=eye, conditions=conditions)
    rig.legs.clear()
    ending = Ending(settings, hands, live, threading.Event())
    alerts = ending.leave(replace(end, **changes), {"position_counts": 5200, "filter": "Blue"}, masked=masked)
    kinds = [watcher.get_nowait().kind for _ in range(watcher.qsize())]
    assert kinds == ["alert"] * len(alerts)
    return alerts, rig, eye


def test_a_mask_that_is_gone_is_seen_to_be_gone(ended):
    alerts, _, eye = left(ended, config())
    assert alerts == []
    assert eye.looks[0].aside
    assert eye.looks[0].filter == "Clear"


@pytest.mark.parametrize(
    ("flags", "within", "words"),
    [
        ((), 0.0, "THE MASK IS STILL ON"),
        (("no_star",), 0.0, "nobody knows"),
        (("no_mask_pattern",), None, "TAKE THE MASK OFF"),
    ],
)
def test_a_mask_that_may_still_be_on_is_a_loud_alert(ended, flags, within, words):
    alerts, _, _ = left(ended, config(), flags=flags, within=within)
    assert len(alerts) == 1
    assert words in alerts[0]


def test_nobody_looks_for_a_mask_that_stays_on_or_was_not_used(ended):
    assert left(ended, config(hooks={"mask": "stays_on"}), flags=())[2].looks == []
    assert left(ended, config(), masked=False, flags=())[2].looks == []


def test_after_a_stop_nothing_moves(ended):
    alerts, rig, eye = left(ended, config(focuser={"leave_at": "found"}), state="stopped")
    assert (alerts, rig.legs, eye.looks) == ([], [], [])


def test_it_goes_back_to_where_it_was_found_on_the_final_side(ended):
    _, rig, _ = left(ended, config(focuser={"leave_at": "found"}))
    assert rig.legs == [5450, 5200]  # inward is the final side: from outside, past the play
    assert rig.filter == "Blue"


def test_a_run_that_failed_leaves_it_at_the_best_focus_that_is_known(ended):
    _, rig, _ = left(ended, config(), state="partial")
    assert rig.legs[-1] == 5000
    assert rig.legs[0] == 5250
    assert left(ended, config())[1].legs == []  # done: the routine itself ended at focus
    assert left(ended, config(focuser={"leave_at": "stay"}), state="partial")[1].legs == []


def test_near_a_limit_the_overshoot_gives_way_and_outside_nothing_moves(ended):
    end, rig = ended
    settings = config(focuser={"leave_at": "found"})
    hands = hands_of(rig, eye=Eye("no_mask_pattern"), limits_counts=(4000, 5300))
    rig.legs.clear()
    Ending(settings, hands, Live(), threading.Event()).leave(
        end, {"position_counts": 5200, "filter": None}, masked=False
    )
    assert rig.legs == [5300, 5200]
    rig.legs.clear()
    alerts = Ending(settings, hands, Live(), threading.Event()).leave(
        end, {"position_counts": 9000, "filter": None}, masked=False
    )
    assert rig.legs == []
    assert "outside the limits" in alerts[0]


def test_a_cable_pulled_at_the_end_is_an_alert_and_no_lost_result(ended):
    end, rig = ended
    hands = hands_of(rig, eye=Eye("no_mask_pattern"))
    rig.lost = True
    alerts = Ending(config(focuser={"leave_at": "found"}), hands, Live(), threading.Event()).leave(
        end, {"position_counts": 5200, "filter": None}, masked=False
    )
    assert "cable is gone" in alerts[0]


def test_where_it_was_found_is_told_with_its_filter():
    rig = FakeRig()
    rig.filter = "Red"
    assert found_now(hands_of(rig)).as_dict() == {"position_counts": 5200, "filter": "Red"}


def noting(path):
    program = (
        "import json, os, sys; "
        f"open({str(path)!r}, 'a').write(json.dumps([sys.argv[1], os.environ.get('DRAWTUBE_RUN'), "
        "os.environ.get('DRAWTUBE_STATE')]) + '\\n')"
    )
    return lambda name: [sys.executable, "-c", program, name]


def test_the_owners_commands_run_in_order_and_are_told_of_the_run(tmp_path):
    note = noting(tmp_path / "said")
    names = ("before", "guiding_pause", "point", "guiding_resume", "after")
    settings = config(hooks={name: note(name) for name in names})
    before_run(settings, "abc", threading.Event())
    after_run(settings, "abc", "partial", Live())
    said = [json.loads(line) for line in (tmp_path / "said").read_text().splitlines()]
    assert said == [
        ["before", "abc", None],
        ["guiding_pause", "abc", None],
        ["point", "abc", None],
        ["guiding_resume", "abc", "partial"],
        ["after", "abc", "partial"],
    ]


def test_a_command_that_fails_or_hangs_is_ended_with_its_last_words(tmp_path):
    with pytest.raises(HookFailed, match="exit code 3: the dome is shut"):
        run_hook([sys.executable, "-c", "print('the dome is shut'); raise SystemExit(3)"], 10.0)
    with pytest.raises(HookFailed, match="did not end in time"):
        run_hook([sys.executable, "-c", "import time; time.sleep(60)"], 0.5)
    with pytest.raises(HookFailed, match="does not start"):
        run_hook([str(tmp_path / "none")], 1.0)
    stopped = threading.Event()
    stopped.set()
    with pytest.raises(HookFailed, match="was stopped"):
        run_hook([sys.executable, "-c", "import time; time.sleep(60)"], 30.0, stopped)


def test_no_shell_is_involved(tmp_path):
    argv = [sys.executable, "-c", "raise SystemExit(0)", f"; touch {tmp_path}/x"]
    settings = config(hooks={"before": argv})
    before_run(settings, "abc", threading.Event())
    assert list(tmp_path.iterdir()) == []


def test_after_goes_on_past_a_command_that_failed(tmp_path):
    note = noting(tmp_path / "said")
    settings = config(
        hooks={"guiding_resume": [sys.executable, "-c", "raise SystemExit(1)"], "after": note("after")}
    )
    live = Live()
    watcher = live.watch()
    after_run(settings, "abc", "failed", live)
    assert watcher.get_nowait().kind == "hook_failed"
    assert "failed" in (tmp_path / "said").read_text()


def test_a_person_is_asked_where_no_command_is_set_and_a_time_out_ends_it():
    live = Live()
    people = People(config(), live)
    watcher = live.watch()
    assert people.conditions()["mask_on"](0.1, threading.Event()) is None
    event = watcher.get_nowait()
    assert (event.kind, event.facts["condition"]) == ("asked", "mask_on")
    assert "centre a bright star" in event.facts["sentence"]
    told = threading.Timer(0.2, people.answer)
    told.start()
    assert people.conditions()["mask_off"](20.0, threading.Event()) is not None
    told.join()
    pointed = People(config(hooks={"point": ["/bin/true"]}), live)
    assert pointed.conditions()["mask_on"](0.05, threading.Event()) is None
    sentences = [item.facts.get("sentence", "") for item in iter_events(watcher)]
    assert any("the star is centred" in words for words in sentences)


def iter_events(watcher):
    return [watcher.get_nowait() for _ in range(watcher.qsize())]


def test_a_config_that_others_can_write_runs_no_commands(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text("")
    path.chmod(0o666)
    assert "chmod go-w" in why_unsafe(path)
    path.chmod(0o644)
    assert why_unsafe(path) is None


def test_the_oldest_runs_lose_their_frames_when_the_budget_is_used_up(tmp_path):
    import os

    for age, run in enumerate(("new", "older", "oldest")):
        folder = tmp_path / "runs" / run / "frames"
        folder.mkdir(parents=True)
        (folder / "look.fits").write_bytes(b"x" * 1000)
        os.utime(folder, (1e9 - age, 1e9 - age))
    assert keep_within(tmp_path, 5000.0) == []
    assert keep_within(tmp_path, 1500.0) == ["oldest", "older"]
    assert Path(tmp_path / "runs" / "new" / "frames" / "look.fits").exists()
    assert not Path(tmp_path / "runs" / "oldest" / "frames").exists()
