"""The whole job over real serial lines: one run whole, one run killed again and again, and a stop."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace

import pytest
import quick_starts
from calm_rig import calm_config

from daemon.journal import Journal
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import default_config, held_against_truth
from drivers.simulated.client import start_rig
from drivers.simulated.truth import true_numbers

SEED = 3
SURROGATE = StageOptions(surrogate=True)


def comparable(observations):
    return [replace(seen, time_s=None) for seen in observations]


def rig_for(config, folder):
    return start_rig(folder, rig=config.simulated.rig, seed=SEED)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return an undisturbed run's end and result on the calm rig."""
    folder = tmp_path_factory.mktemp("whole")
    config = calm_config(folder)
    with rehearsing(config, SEED, out=folder / "out", options=SURROGATE) as stage:
        stage.perform()
        return held_against_truth(stage), folder / "out"


def test_the_whole_job_leaves_profile_table_and_report(whole):
    result, out = whole
    assert result.end.state == "done"
    assert result.agreement is not None
    assert result.agreement.missing == ()
    assert {path.name for path in out.iterdir()} >= {"profile.json", "observations.csv", "report.html"}
    assert result.profile.simulated
    assert result.profile.evidence.observations == len(result.end.ledger.observations)


def test_found_agrees_with_the_truth_to_a_fraction_of_the_critical_focus_zone(whole):
    result, _ = whole
    zone = min(true_numbers("refractor-112", SEED).critical_focus_zone_steps.values())
    for item in result.comparisons:
        if item.unit == "steps" and item.found is not None and item.found.value is not None:
            # Where engagement ends is a part of the overshoot alone, and is looked at only roughly.
            allowed = 3.0 * item.found.u if item.name == "transition" else zone / 4.0
            assert abs(item.found.value - item.truth) < allowed, item.name


def test_a_run_on_falling_counts_over_the_framed_protocol_finds_the_same_backlash(whole, tmp_path):
    result, _ = whole
    path = tmp_path / "mirrored.toml"
    path.write_text((whole[1].parent / "calm.toml").read_text() + "\n")
    path.write_text("mirrored = true\n" + path.read_text())
    config = default_config()
    config = config.model_copy(
        update={
            "simulated": config.simulated.model_copy(update={"rig": str(path), "seed": SEED}),
            "focuser": config.focuser.model_copy(
                update={"outward": "falling", "description": "focuser_frames"}
            ),
        }
    )
    with rehearsing(config, SEED, out=tmp_path / "out", options=SURROGATE) as stage:
        stage.perform()
        mirrored = held_against_truth(stage)
    assert mirrored.end.state == "done"
    backlash, straight = mirrored.profile.backlash_steps, result.profile.backlash_steps
    assert backlash.value == pytest.approx(straight.value, abs=4.0 * (backlash.u + straight.u))
    crossing = mirrored.profile.filter_named("L")
    assert crossing.crossing_outward_steps.value < crossing.crossing_inward_steps.value


def test_killed_again_and_again_nothing_is_lost_and_nothing_taken_twice(whole, tmp_path):
    config = calm_config(tmp_path)
    with rig_for(config, tmp_path / "rig") as rig:
        run_id, counts = "", []
        for pause_s in (0.1, 0.3, 0.5):  # on a quick machine the whole run takes two seconds
            run_id = killed_after(pause_s, rig.folder, tmp_path / "out", run_id)
            counts.append(looks_in(tmp_path / "out", run_id))
        with rehearsing(config, SEED, out=tmp_path / "out", options=SURROGATE, rig=rig) as stage:
            stage.perform(run_id)
            result = held_against_truth(stage)
    assert counts == sorted(counts)
    assert counts[-1] > 0
    assert result.end.state == "done"
    assert comparable(result.end.ledger.observations) == comparable(whole[0].end.ledger.observations)
    assert result.profile.backlash_steps == whole[0].profile.backlash_steps
    assert result.profile.filters == whole[0].profile.filters


def killed_after(pause_s, rig_folder, out, run_id):
    """Let a process of its own carry the run on, kill it so long after it has begun, and return the run."""
    out.mkdir(exist_ok=True)
    before = looks_in(out, run_id)
    log = out / "killed.log"
    words = [str(rig_folder), str(out), run_id]
    process = quick_starts.begin("kill_target", words, log, environment=os.environ)
    try:
        deadline = time.monotonic() + 60.0
        while looks_in(out, run_id) <= before and process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(pause_s)
        assert process.poll() is None, log.read_text()
        process.send_signal(signal.SIGKILL)
    finally:
        process.kill()
        process.wait()
    return run_id or only_run(out)


def only_run(out):
    journal = Journal.read(out / "journal.sqlite3")
    try:
        return journal.runs()[-1].id
    finally:
        journal.close()


def looks_in(out, run_id):
    with contextlib.suppress(FileNotFoundError, IndexError):
        journal = Journal.read(out / "journal.sqlite3")
        try:
            return len(journal.observations(run_id or journal.runs()[-1].id))
        finally:
            journal.close()
    return 0


def test_a_stop_ends_the_run_with_the_motor_at_rest(tmp_path):
    config = calm_config(tmp_path)
    with rehearsing(config, SEED, out=tmp_path / "out", options=SURROGATE) as stage:
        thread = threading.Thread(target=stage.perform)
        thread.start()
        while stage.live.snapshot().observations < 5:
            time.sleep(0.01)
        stage.conductor.stop()
        thread.join(30.0)
        assert not thread.is_alive()
        result = held_against_truth(stage)
        position = stage.hands.focuser.position_steps()
        stage.hands.clock.sleep(5.0)
        assert stage.hands.focuser.position_steps() == position
    assert result.end.state == "stopped"
    assert len(result.end.ledger.observations) >= 5


def test_ctrl_c_in_the_terminal_halts_and_exits_130(tmp_path):
    words = [sys.executable, "-m", "daemon", "rehearse", "--out", str(tmp_path / "out")]
    # A runner that was itself started in the background hands down an ignored Ctrl-C; a terminal does not.
    process = subprocess.Popen(
        words,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        deadline = time.monotonic() + 60.0
        while not list((tmp_path / "out").glob("frames/*.fits")) and time.monotonic() < deadline:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, words = process.communicate(timeout=60.0)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 130, words.decode()
    assert b"halting the focuser" in words
    journal = Journal.read(tmp_path / "out" / "journal.sqlite3")
    assert [run.state for run in journal.runs()] == ["stopped"]
    journal.close()


@pytest.mark.parametrize("patience_s", [1.0, pytest.param(30.0, marks=pytest.mark.campaign)])
def test_a_pulled_cable_ends_the_run_with_its_reason(tmp_path, patience_s):
    config = calm_config(tmp_path)
    with (
        rig_for(config, tmp_path / "rig") as rig,
        rehearsing(config, SEED, out=tmp_path / "out", options=SURROGATE, rig=rig) as stage,
    ):
        stage.hands.focuser._reconnect_within_s = patience_s
        thread = threading.Thread(target=stage.perform)
        thread.start()
        while stage.live.snapshot().observations < 5:
            time.sleep(0.01)
        rig.fault("unplug", device="focuser")
        thread.join(60.0)
        assert not thread.is_alive()
        result = held_against_truth(stage)
    assert result.end.state in ("failed", "partial")
    assert result.end.result["code"] == "link_lost"
    assert len(result.end.ledger.observations) >= 5
