"""What the service says, as text for a terminal of 80 columns and 24 lines."""

from __future__ import annotations

import textwrap
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table

_WIDTH = 79
_MOST_LINES = 23
_MOST_HOLDS = 3
_MOST_SCHEDULES = 4


def status_text(now: dict[str, Any]) -> str:
    """Return the status at a glance: at most 23 lines of 79 characters, so that a prompt fits below."""
    simulated = " (simulated)" if now["simulated"] else ""
    lines = [f"{now['rig']}{simulated}: {now['state']}"[:_WIDTH]]
    if now["run"] is not None:
        lines += _run_lines(now["run"], now["holding"])
    lines += _place_lines(now)
    lines += _gate_lines(now["gates"], now["holding"])
    if now["queued"]:
        lines.append(_cut("queued", ", ".join(now["queued"])))
    for run_id in now["interrupted"][:2]:
        lines.append(_cut("waiting", f"run {run_id} was interrupted; drawtube resume, or drawtube stop"))
    profile = now["profile"]
    told = (
        "none yet"
        if profile is None
        else f"{profile['created'][:16].replace('T', ' ')}: {profile['headline']}"
    )
    last = _wrapped("profile", told, 3)
    lines += _schedule_lines(now["schedules"])[: max(0, _MOST_LINES - len(lines) - len(last))]
    return "\n".join(lines + last)


def _run_lines(run: dict[str, Any], holding: list[str]) -> list[str]:
    done = round(20 * run["fraction"])
    left = "" if run["remaining_s"] is None else f", about {duration(run['remaining_s'])} left"
    bar = f"[{'#' * done}{'.' * (20 - done)}] {100 * run['fraction']:3.0f} %"
    lines = [
        _cut("run", f"{run['id']} {run['routine']}, step {run['step']}, {run['observations']} looks"),
        _cut("", f"{bar}{left}"),
        *_wrapped("now", run["sentence"] or "-", 2),
    ]
    for reason in holding[:_MOST_HOLDS]:
        lines += _wrapped("holding", reason, 2)
    return lines


def _place_lines(now: dict[str, Any]) -> list[str]:
    parts = []
    if now["position_steps"] is not None:
        parts.append(f"{now['position_steps']} steps")
    if now["filter"] is not None:
        parts.append(f"filter {now['filter']}")
    if now["temperature_c"] is not None:
        parts.append(f"{now['temperature_c']:.1f} C")
    return [_cut("last read", ", ".join(parts))] if parts else []


def _gate_lines(gates: list[dict[str, Any]], holding: list[str]) -> list[str]:
    """Return which gates are shut since when; why stands above, where it is what holds the run."""
    if not gates:
        return []
    shut = [gate for gate in gates if not gate["open"]]
    if shut:
        words = ", ".join(f"{gate['name']} since {gate['since'][11:16]} UTC" for gate in shut)
        lines = _wrapped("shut", words, 2)
        untold = [gate for gate in shut if gate["reason"] not in holding[:_MOST_HOLDS]]
        return lines + [_cut("", f"{gate['name']}: {gate['reason']}") for gate in untold[:2]]
    lines = [_cut("gates", "all open: " + ", ".join(gate["name"] for gate in gates))]
    said = [gate for gate in gates if gate["reason"]]
    return lines + [
        line for gate in said[:2] for line in _wrapped("", f"{gate['name']}: {gate['reason']}", 2)
    ]


def _schedule_lines(schedules: list[dict[str, Any]]) -> list[str]:
    lines = []
    for item in schedules[:_MOST_SCHEDULES]:
        when = "when it is due" if item["next"] is None else f"next {local_time(item['next'])}"
        lines.append(_cut("schedule", f"{item['name']} ({item['routine']}): {when}; {item['last']}"))
    return lines


def _cut(label: str, words: str) -> str:
    line = f"{label:<10}{words}"
    return line if len(line) <= _WIDTH else line[: _WIDTH - 3] + "..."


def _wrapped(label: str, words: str, at_most: int) -> list[str]:
    lines = textwrap.wrap(words, _WIDTH - 10, max_lines=at_most, placeholder=" ...") or [""]
    return [f"{label if index == 0 else '':<10}{line}" for index, line in enumerate(lines)]


def run_line(run: dict[str, Any]) -> str:
    """Return a run in a line or two: how it stands or ended, and why."""
    result = run["result"] or {}
    why = result.get("message") or result.get("conclusion") or ""
    looks = "" if run.get("observations") is None else f", {run['observations']} looks"
    lines = [f"Run {run['id']} of {run['routine']}: {run['state']}{looks}."]
    if why:
        lines.append(str(why))
    lines += [f"ALERT: {words}" for words in result.get("alerts", ())]
    if result.get("sentence"):
        lines.append(str(result["sentence"]))
    if result.get("profile"):
        lines.append(f"The profile was {result['profile']}.")
    if result.get("missing"):
        lines.append("Not given: " + "; ".join(result["missing"]))
    if run["report"]:
        lines.append(f"Report: drawtube report {run['id']}")
    return "\n".join(lines)


def runs_table(runs: list[dict[str, Any]]) -> Table:
    """Return the runs as a table, the newest first."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for name in ("run", "routine", "state", "asked for by", "begun (UTC)", "report"):
        table.add_column(name, no_wrap=name in ("run", "state"))
    for run in runs:
        begun = run["created"][:16].replace("T", " ")
        table.add_row(
            run["id"], run["routine"], run["state"], run["origin"], begun, "yes" if run["report"] else ""
        )
    return table


def plan_text(plan: dict[str, Any]) -> str:
    """Return a dry run: every step, then duration, stretch and limits."""
    lines = [_step_line(step) for step in plan["steps"]]
    low, high = plan["limits_steps"]
    stretch = (
        "" if plan["lowest_steps"] is None else f"{plan['lowest_steps']} to {plan['highest_steps']} steps, "
    )
    fits = "inside" if plan["inside_limits"] else "OUTSIDE"
    lines += [
        "",
        f"{plan['routine']}: {len(plan['steps'])} steps, {plan['observations']} looks, about "
        f"{duration(plan['duration_s'])}.",
        f"The motor visits {stretch}{fits} the limits {low} to {high}.",
    ]
    lines += _predicted_lines(plan)
    if plan["outcome"] != "done":
        lines.append(f"It would not come to its end: {plan['outcome']}")
    lines += [f"Note: {note}." for note in plan["notes"]]
    return "\n".join(lines)


def _predicted_lines(plan: dict[str, Any]) -> list[str]:
    """Return the sky seconds, and what the looks would give."""
    lines = [f"It needs about {duration(plan['sky_s'])} of sky."]
    if plan["predicted_u_steps"]:
        words = [f"{_number_name(name)} {u:.2g}" for name, u in plan["predicted_u_steps"].items()]
        lines.append(f"Predicted standard uncertainty in steps: {', '.join(words)}.")
    return lines


def _number_name(name: str) -> str:
    """Return "offset R" for "offset.R.L"."""
    kind, _, rest = name.partition(".")
    return f"{kind} {rest.rpartition('.')[0]}" if rest else kind


def _step_line(step: dict[str, Any]) -> str:
    places = " -> ".join(map(str, step["positions_steps"]))
    seconds = f"{step['seconds']:6.1f} s" if step["seconds"] else " " * 8
    return f"{step['number']:>4} {seconds}  {step['does']} {places}".rstrip()


def duration(seconds: float) -> str:
    """Return a time span for people."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"


def local_time(text: str) -> str:
    """Return an ISO time in this machine's zone, to the minute."""
    return datetime.fromisoformat(text).astimezone().strftime("%Y-%m-%d %H:%M")
