"""The service as its users meet it: a process of its own, spoken to over HTTP and by the command line."""

import contextlib
import json
import os
import re
import signal
import sqlite3
import time
from pathlib import Path

import httpx
import pytest
import quick_starts
from calm_rig import CALM

from daemon.journal import Journal

CONFIG = Path(__file__).parents[2] / "config_examples" / "simulated.toml"
READY = re.compile(r"http://127\.0\.0\.1:\d+")


def config_in(folder, extra=""):
    """Write a config of a calm simulated rig that draws numbers instead of frames."""
    (folder / "calm.toml").write_text(CALM)
    text = CONFIG.read_text().partition("\n[simulated]\n")
    filters = text[2][text[2].index("[[filter]]") :]
    simulated = '\n[simulated]\nrig = "calm.toml"\nseed = 3\nlooks = "numbers"\n'
    path = folder / "rig.toml"
    path.write_text(text[0] + simulated + extra + "\n" + filters)
    return path


class Service:
    """One life of the service."""

    def __init__(self, folder, config, speed=0.0, anew=False, **environment):
        self.state = folder / "state"
        self.log = folder / "serve.log"
        self.log.touch()
        self.offset = self.log.stat().st_size
        words = ["serve", "--config", str(config), "--state", str(self.state)]
        words += ["--listen", "127.0.0.1:0", "--speed", str(speed)]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "NO_COLOR": "1", **environment}
        begin = quick_starts.begin_anew if anew else quick_starts.begin
        self.process = begin("daemon", words, self.log, environment=environment)
        self.url = self._await_ready()
        self.http = httpx.Client(
            base_url=self.url,
            timeout=20.0,
            trust_env=False,
            limits=httpx.Limits(max_keepalive_connections=0),
        )

    def _await_ready(self):
        until = time.monotonic() + 40.0
        while time.monotonic() < until:
            said = self.log.read_bytes()[self.offset :].decode()
            found = re.search(r"url=(\S+)", said)
            if found and "ready" in said:
                return re.sub(r"\x1b\[[0-9;]*m", "", found[1])
            if self.process.poll() is not None:
                pytest.fail(f"the service ended at once: {said}")
            time.sleep(0.02)
        pytest.fail("the service was not ready within 40 s")

    def lives_again(self, after):
        """Do what makes it begin anew, and wait until it answers."""
        self.offset = self.log.stat().st_size
        outcome = after()
        self.url = self._await_ready()
        self.http.base_url = self.url
        return outcome

    def start(self, routine="characterise", **more):
        answer = self.http.post("/v1/runs", json={"routine": routine, **more})
        assert answer.status_code == 201, answer.text
        return answer.json()["id"]

    def status(self):
        return self.http.get("/v1/status").json()

    def run(self, run_id):
        return self.http.get(f"/v1/runs/{run_id}").json()

    def until(self, holds, what, within_s=80.0):
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            found = holds()
            if found:
                return found
            time.sleep(0.02)
        pytest.fail(f"waited in vain for {what}; {self.log.read_text()[-2000:]}")

    def looks(self, least, run_id):
        self.until(lambda: (self.run(run_id)["observations"] or 0) >= least, f"{least} looks")

    def ended(self, run_id):
        states = ("done", "partial", "failed", "stopped")
        return self.until(lambda: self.run(run_id)["state"] in states and self.run(run_id), "the end")

    def end(self, number=signal.SIGTERM):
        self.http.close()
        if self.process.poll() is None:
            self.process.send_signal(number)
        try:
            return self.process.wait(20.0)
        finally:
            self.process.kill()
            self.process.wait()

    def command(self, *words):
        """Run the command line's words against this service, and return what came of them."""
        environment = {**os.environ, "DRAWTUBE_URL": self.url, "NO_COLOR": "1", "COLUMNS": "80"}
        return quick_starts.run("daemon", words, self.state.parent, environment=environment, timeout=90.0)


@contextlib.contextmanager
def serving(folder, config, **more):
    service = Service(folder, config, **more)
    try:
        yield service
    finally:
        service.end()


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Return a service that has carried one whole run out, with the command line's words about it."""
    folder = tmp_path_factory.mktemp("finished")
    with serving(folder, config_in(folder, '\n[port]\nlink = "focuser-port"\n'), anew=True) as service:
        said = service.command("start", "characterise", "--wait", "--json")
        yield service, said


def test_start_and_wait_ends_with_the_run_and_its_exit_code(finished):
    service, said = finished
    assert said.returncode == 0, said.stderr
    run = json.loads(said.stdout)
    assert run["state"] == "done"
    assert run["exit_code"] == 0
    assert run["result"]["missing"] == []
    folder = service.state / "runs" / run["id"]
    assert {path.name for path in folder.iterdir()} >= {"profile.json", "observations.csv", "report.html"}


def test_the_latest_profile_is_served_and_read_by_the_commands_that_need_no_service(finished):
    service, said = finished
    profile = service.http.get("/v1/profile").json()
    assert profile["schema"] == "drawtube-profile/1"
    assert profile["evidence"]["run"] == json.loads(said.stdout)["id"]
    assert json.loads(service.command("profile", "--json", "--state", str(service.state)).stdout) == profile
    advice = service.http.get("/v1/advice", params={"filter": "R", "temperature_c": 5.0})
    assert advice.status_code == 200
    assert advice.json()["moves"]
    assert service.http.get("/v1/advice", params={"filter": "X"}).status_code == 404


def test_the_report_and_the_observations_of_a_run_are_served(finished):
    service, said = finished
    run_id = json.loads(said.stdout)["id"]
    report = service.http.get(f"/v1/runs/{run_id}/report")
    assert report.headers["content-type"].startswith("text/html")
    seen = service.http.get(f"/v1/runs/{run_id}/observations").json()["observations"]
    assert len(seen) == json.loads(said.stdout)["observations"] > 20


def test_the_port_opens_with_the_first_profile_and_takes_a_filters_offset(finished):
    service, _ = finished
    service.until(lambda: service.http.get("/v1/port").json()["address"], "the port")
    assert (service.state.parent / "focuser-port").is_symlink()
    profile = service.http.get("/v1/profile").json()
    offset = next(item["offset_steps"]["value"] for item in profile["filters"] if item["name"] == "Ha")
    said = service.command("shift", "--filter", "Ha")
    assert f"places are for Ha, {round(offset):+d} steps" in said.stdout
    assert service.command("shift", "--filter", "Violet").returncode == 2
    assert "reference filter, +0 steps" in service.command("shift", "--filter", "none").stdout


def test_status_and_runs_fit_a_terminal(finished):
    service, _ = finished
    for words in (("status",), ("runs",)):
        lines = service.command(*words).stdout.splitlines()
        assert 0 < len(lines) <= 24
        assert max(map(len, lines)) <= 80


def test_a_dry_run_lists_the_steps_and_moves_nothing(finished):
    service, _ = finished
    before = service.status()["position_steps"]
    said = service.command("start", "backlash", "--dry-run", "--json")
    plan = json.loads(said.stdout)
    assert said.returncode == 0, said.stderr
    assert plan["inside_limits"]
    assert plan["observations"] > 10
    assert plan["duration_s"] > plan["observations"] * 2.0
    assert service.status()["position_steps"] == before
    assert service.command("start", "no_such_routine", "--dry-run").returncode == 2


def test_a_second_service_on_the_same_state_folder_is_refused(finished):
    service, _ = finished
    said = service.command(
        "serve",
        "--config",
        str(service.state.parent / "rig.toml"),
        "--state",
        str(service.state),
        "--listen",
        "127.0.0.1:0",
    )
    assert said.returncode == 2
    assert str(service.process.pid) in said.stderr


def test_the_services_process_loads_no_heavy_library(finished):
    service, _ = finished
    mapped = Path(f"/proc/{service.process.pid}/maps").read_text()
    assert "/numpy/" not in mapped
    assert "/scipy/" not in mapped
    assert "/astropy/" not in mapped


def test_hold_keeps_the_run_where_it_is_and_resume_lets_it_go_on(tmp_path):
    with serving(tmp_path, config_in(tmp_path), speed=60.0) as service:
        run_id = service.start()
        service.looks(3, run_id)
        assert service.command("hold").returncode == 0
        service.until(lambda: service.status()["state"] == "holding", "the hold")
        held = service.status()
        assert held["holding"] == ["held by a person"]
        time.sleep(0.5)
        assert service.status()["run"]["step"] == held["run"]["step"]
        assert service.http.post("/v1/runs", json={"routine": "backlash"}).status_code == 409
        queued = service.start("find_focus", if_busy="queue")
        assert service.status()["queued"] == [queued]
        assert service.http.post(f"/v1/runs/{queued}/hold").status_code == 409
        assert service.command("stop", queued).returncode == 0
        assert service.run(queued)["state"] == "stopped"
        assert service.command("resume").returncode == 0
        service.until(lambda: service.status()["run"]["step"] > held["run"]["step"], "the run going on")
        assert service.command("stop").returncode == 0
        assert service.ended(run_id)["exit_code"] == 130
        assert service.command("stop").returncode == 2


def test_ended_by_a_signal_the_run_is_taken_up_again_and_nothing_is_taken_twice(tmp_path, finished):
    config = config_in(tmp_path)
    with serving(tmp_path, config, speed=200.0) as service:
        run_id = service.start()
        service.looks(6, run_id)
        began = time.monotonic()
        assert service.end(signal.SIGTERM) == 0
        assert time.monotonic() - began < 10.0  # 2 s are promised; a loaded test machine is another thing
        seen = observations_in(service.state, run_id)
    with serving(tmp_path, config) as service:
        run = service.ended(run_id)
        assert run["state"] == "done"
        again = observations_in(service.state, run_id)
    assert again[: len(seen)] == seen
    assert [item.number for item in again] == list(range(len(again)))
    whole = observations_in(finished[0].state, json.loads(finished[1].stdout)["id"])
    # Halted on its way, the motor adds its steps up anew, in floating point.
    assert [item.value_px for item in again] == pytest.approx([item.value_px for item in whole], abs=1e-9)


def test_a_changed_config_is_taken_up_and_one_with_mistakes_is_not(tmp_path):
    config = config_in(tmp_path)
    with serving(tmp_path, config) as service:
        sound = config.read_text()
        config.write_text(sound.replace("aperture_mm", "aperture_cm"))
        said = service.command("reload")
        assert said.returncode == 2
        assert "aperture_cm" in said.stderr
        assert "the old config stays in force" in said.stderr
        before = service.http.get("/v1/routines/offsets/plan").json()["duration_s"]
        config.write_text(sound.replace("exposure_s = 2", "exposure_s = 20"))
        said = service.lives_again(lambda: service.command("reload"))
        assert said.returncode == 0, said.stderr
        assert str(config) in said.stdout + said.stderr
        assert service.http.get("/v1/routines/offsets/plan").json()["duration_s"] > 1.5 * before


def test_while_a_run_is_on_neither_a_reload_nor_a_closed_terminal_ends_it(tmp_path):
    with serving(tmp_path, config_in(tmp_path)) as service:
        run = service.start("backlash")
        service.looks(2, run)
        service.http.post(f"/v1/runs/{run}/hold")
        answer = service.http.post("/v1/config/reload")
        assert answer.status_code == 409
        assert run in answer.json()["detail"]
        service.process.send_signal(signal.SIGHUP)
        service.until(lambda: "config_not_reloaded" in service.log.read_text(), "the refusal in the log")
        service.http.post(f"/v1/runs/{run}/resume")
        assert service.ended(run)["state"] == "done"


def test_at_a_hang_up_an_idle_service_reads_its_config_again(tmp_path):
    with serving(tmp_path, config_in(tmp_path)) as service:
        service.lives_again(lambda: service.process.send_signal(signal.SIGHUP))
        assert service.http.get("/healthz").json()["ok"]
        assert service.end() == 0


def test_killed_three_times_the_run_is_set_aside_with_its_observations(tmp_path):
    config = config_in(tmp_path)
    run_id, counts = None, []
    for _ in range(3):
        with serving(tmp_path, config, speed=100.0) as service:
            run_id = run_id or service.start()
            service.looks(2 + (counts[-1] if counts else 0), run_id)
            counts.append(service.run(run_id)["observations"])
            service.end(signal.SIGKILL)
    with serving(tmp_path, config) as service:
        run = service.run(run_id)
        assert run["state"] == "failed"
        assert run["result"]["code"] == "set_aside"
        assert run["observations"] >= counts[-1] > counts[0]
        assert service.status()["state"] == "idle"


def test_where_told_to_ask_nothing_starts_until_somebody_answers(tmp_path):
    config = config_in(tmp_path, '[service]\non_restart = "ask"\n')
    with serving(tmp_path, config, speed=100.0) as service:
        run_id = service.start()
        service.looks(2, run_id)
        service.end(signal.SIGKILL)
    with serving(tmp_path, config) as service:
        assert service.status()["interrupted"] == [run_id]
        assert run_id in service.command("status").stdout
        refused = service.http.post("/v1/runs", json={"routine": "backlash"})
        assert refused.status_code == 409
        assert run_id in refused.json()["detail"]
        assert service.command("resume").returncode == 0
        assert service.ended(run_id)["state"] == "done"


def test_a_service_that_died_after_the_end_of_a_run_sees_to_the_mask_when_it_comes_back(tmp_path):
    """The journal tells what was left undone: the look that shows the mask gone is made good, or told of."""
    config = config_in(tmp_path)
    with serving(tmp_path, config) as service:
        run_id = service.start("find_focus")
        assert service.ended(run_id)["state"] == "done"
        service.until(lambda: service.status()["state"] == "idle", "the end")
        state = service.state
    forget_that_it_was_left_right(state)
    with serving(tmp_path, config) as service:
        service.until(lambda: "mask_gone" in service.log.read_text()[service.offset :], "the look")
        service.until(lambda: service.status()["state"] == "idle", "the end")
        assert "alerts" not in service.run(run_id)["result"]
    forget_that_it_was_left_right(state)
    asking = config_in(tmp_path, '[service]\non_restart = "ask"\n')
    with serving(tmp_path, asking) as service:
        service.until(lambda: "alerts" in service.run(run_id)["result"], "the alert")
        assert "SEE THAT IT IS OFF" in service.command("runs", "--json").stdout
        assert service.status()["state"] == "idle"


def forget_that_it_was_left_right(state):
    with contextlib.closing(sqlite3.connect(state / "journal.sqlite3")) as connection:
        assert connection.execute("SELECT left_right FROM runs").fetchall() == [(1,)]
        connection.execute("UPDATE runs SET left_right = 0")
        connection.commit()


def observations_in(state, run_id):
    journal = Journal.read(state / "journal.sqlite3")
    try:
        return journal.observations(run_id)
    finally:
        journal.close()


def test_without_a_service_the_client_says_so(finished):
    service, _ = finished
    said = service.command("status", "--url", "http://127.0.0.1:9")
    assert said.returncode == 3
    assert "drawtube serve" in said.stderr
    assert said.stdout == ""


def test_beyond_loopback_a_token_is_required(finished):
    service, _ = finished
    config, state = service.state.parent / "rig.toml", service.state.parent / "other"
    words = ("serve", "--config", str(config), "--state", str(state), "--listen", "0.0.0.0:0")
    said = service.command(*words)
    assert said.returncode == 2
    assert "token" in said.stderr
