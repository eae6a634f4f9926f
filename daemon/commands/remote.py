"""`drawtube start`, `status`, `hold`, `resume`, `stop`, `runs` and `reload`: asking a running service."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any

from daemon.commands.client import Client, ServiceAway, ServiceRefused
from daemon.commands.console import err_console, out_console, progress_bar, tell, tell_problem
from daemon.commands.showing import duration, plan_text, run_line, runs_table, status_text
from daemon.exit_codes import DONE, HARDWARE, USAGE

_POLL_S = 0.3
_PLAN_WITHIN_S = 90.0
_PATIENCE_S = 60.0
_ENDED = ("done", "partial", "stopped", "failed")


def asked(action: Callable[[Client], int], url: str | None) -> int:
    """Do something with a client and turn what goes wrong into words and an exit code."""
    try:
        with Client(url) as client:
            return action(client)
    except ServiceAway as error:
        tell_problem(error)
        return HARDWARE
    except ServiceRefused as error:
        tell_problem(error)
        return USAGE


def status(url: str | None, *, as_json: bool) -> int:
    """Print what the service is at."""

    def action(client: Client) -> int:
        now = client.get("/v1/status")
        if as_json:
            print(json.dumps(now))
        else:
            out_console().print(status_text(now))
        return DONE

    return asked(action, url)


def runs(url: str | None, *, as_json: bool, at_most: int) -> int:
    """Print the latest runs."""

    def action(client: Client) -> int:
        found = client.get("/v1/runs", limit=at_most)["runs"]
        if as_json:
            print(json.dumps(found))
        elif found:
            out_console().print(runs_table(found))
        else:
            tell("No run yet. Start one with: drawtube start characterise")
        return DONE

    return asked(action, url)


def command(verb: str, run_id: str | None, url: str | None, *, as_json: bool) -> int:
    """Hold, resume or stop a run: the named one, or the one that is on (or waits to be taken up)."""

    def action(client: Client) -> int:
        chosen = run_id or _only_run(client.get("/v1/status"), verb)
        if chosen is None:
            tell_problem(f"no run is on, so there is nothing to {verb}")
            return USAGE
        run = client.post(f"/v1/runs/{chosen}/{verb}")
        if as_json:
            print(json.dumps(run))
        else:
            tell(run_line(run))
        return DONE

    return asked(action, url)


def reload(url: str | None, *, as_json: bool) -> int:
    """Have the service read its config file again."""

    def action(client: Client) -> int:
        answer = client.post("/v1/config/reload")
        if as_json:
            print(json.dumps(answer))
        else:
            tell(f"The service goes over to {answer['file']} as it is now.")
        return DONE

    return asked(action, url)


def _only_run(now: dict[str, Any], verb: str) -> str | None:
    if now["run"] is not None:
        return str(now["run"]["id"])
    waiting = now["interrupted"] if verb in ("resume", "stop") else []
    return str(waiting[0]) if waiting else None


def start(routine: str, url: str | None, *, wait: bool, if_busy: str, as_json: bool) -> int:
    """Start a routine; with ``wait``, show how it goes and return how it ended as the exit code."""

    def action(client: Client) -> int:
        made = client.post("/v1/runs", {"routine": routine, "if_busy": if_busy})
        if not wait:
            print(json.dumps(made) if as_json else made["id"])
            tell(f"Run {made['id']} of {routine}: {made['state']}. See: drawtube status")
            return DONE
        tell(f"Run {made['id']} of {routine}; Ctrl-C stops it.")
        run = _followed(client, made["id"])
        if as_json:
            print(json.dumps(run))
        elif (run["result"] or {}).get("latest"):
            _print_numbers(client)
        tell(run_line(run))
        return int(run["exit_code"])

    return asked(action, url)


def _print_numbers(client: Client) -> None:
    """Print the numbers of the profile that the run has just left."""
    from daemon.commands.tables import numbers_table
    from routines.profile import Profile

    out_console().print(numbers_table(Profile.model_validate(client.get("/v1/profile"))))


def dry_run(routine: str, url: str | None, *, as_json: bool) -> int:
    """Print what a routine would do, before anything moves."""

    def action(client: Client) -> int:
        plan = client.get(f"/v1/routines/{routine}/plan", within_s=_PLAN_WITHIN_S)
        if as_json:
            print(json.dumps(plan))
        else:
            out_console().print(plan_text(plan))
        return DONE if plan["inside_limits"] and plan["outcome"] == "done" else USAGE

    return asked(action, url)


def _followed(client: Client, run_id: str) -> dict[str, Any]:
    """Show progress until the run has ended; Ctrl-C stops the run and goes on waiting for its end."""
    watch = _Watch(client, run_id)
    with progress_bar(err_console()) as progress:
        task = progress.add_task("Waiting", total=1.0, looks="")
        while True:
            try:
                run = watch.ended_run()
                if run is not None:
                    return run
                seen = watch.brief()
                if seen is not None:
                    words = f"holding: {'; '.join(watch.holding)}" if watch.holding else seen["sentence"]
                    looks = f"{seen['observations']} looks{_left(seen['remaining_s'])}"
                    progress.update(task, completed=seen["fraction"], description=words, looks=looks)
                time.sleep(_POLL_S)
            except KeyboardInterrupt:
                progress.console.print("Stopping the run: halting the focuser.", style="yellow")
                watch.stop()


def _left(remaining_s: float | None) -> str:
    return "" if remaining_s is None else f", {duration(remaining_s)} left"


class _Watch:
    """Follows one run, also across a restart of the service; ServiceAway when that stays away."""

    def __init__(self, client: Client, run_id: str) -> None:
        self._client = client
        self._run_id = run_id
        self._heard_s = time.monotonic()
        self.holding: list[str] = []

    def ended_run(self) -> dict[str, Any] | None:
        """Return the run once it has ended."""
        run = self._asked(f"/v1/runs/{self._run_id}")
        return run if run is not None and run["state"] in _ENDED else None

    def brief(self) -> dict[str, Any] | None:
        """Return the status's lines on the run while it is the one that is on."""
        now = self._asked("/v1/status")
        if now is None or now["run"] is None or now["run"]["id"] != self._run_id:
            return None
        self.holding = now["holding"]
        run: dict[str, Any] = now["run"]
        return run

    def stop(self) -> None:
        """Ask for the run's end."""
        self._client.post(f"/v1/runs/{self._run_id}/stop")

    def _asked(self, path: str) -> Any:
        try:
            answer = self._client.get(path)
        except ServiceAway:
            if time.monotonic() - self._heard_s > _PATIENCE_S:
                raise
            return None
        self._heard_s = time.monotonic()
        return answer
