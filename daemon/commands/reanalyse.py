"""`drawtube reanalyse RUN`: a stored run's profile computed again with today's code, beside the old one.

The looks are the journal's; frames that are still there are measured again. Nothing that was written before
is touched: the new results go into a folder of their own.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.commands.console import tell, tell_problem
from daemon.exit_codes import DONE, NOT_GOOD_ENOUGH, USAGE

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.journal import Journal, RunRecord


def reanalyse(config_path: Path, state: Path, run_id: str, out: Path | None, *, as_json: bool) -> int:
    """Compute a run's profile again and print what changed; returns the exit code."""
    from daemon.config import load_config
    from daemon.journal import Journal

    config = load_config(config_path)
    try:
        journal = Journal.read(state / "journal.sqlite3")
    except FileNotFoundError as error:
        tell_problem(error)
        return USAGE
    try:
        run = journal.run(run_id)
        return _reanalysed(config, state, journal, run, out, as_json=as_json)
    except KeyError:
        tell_problem(f"there is no run {run_id!r} in {state}: drawtube runs lists them")
        return USAGE
    finally:
        journal.close()


def _reanalysed(
    config: Config, state: Path, journal: Journal, run: RunRecord, out: Path | None, *, as_json: bool
) -> int:
    from daemon.desk import Desk
    from daemon.outputs import RunFacts
    from daemon.service.conclusion import ledger_of

    ledger = ledger_of(journal.steps(run.id))
    if not any(seen.measured for seen in ledger.observations):
        tell_problem(f"run {run.id} has no measured look: there is nothing to compute")
        return NOT_GOOD_ENOUGH
    if run.config_hash != config.fingerprint():
        tell("The config is not the one that the run was made with; what differs may come from that.")
    folder = out or state / "runs" / run.id / f"reanalysed-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    simulated = config.camera.kind == "simulated"
    proof = (run.result or {}).get("proof", {})
    facts = RunFacts(run.id, datetime.now(UTC), simulated, f"run {run.id}, computed again", proof=proof)
    profile = Desk(config).conclude(str(folder), tuple(ledger.observations), tuple(ledger.moves), facts)
    changes = compared(_kept(state / "runs" / run.id / "profile.json"), json.loads(profile.to_json()))
    if as_json:
        print(json.dumps({"folder": str(folder), "changes": changes}))
    else:
        for line in _lines(changes):
            print(line)
    tell(f"Profile, observations and report: {folder}")
    return DONE


def compared(old: dict[str, Any] | None, new: dict[str, Any]) -> list[dict[str, Any]]:
    """Return every number of the new profile that differs from the old one's, with both and the shift in u.

    A shift of None means that one of the two has no value.
    """
    before, after = _numbers(old or {}), _numbers(new)
    changes = []
    for name in sorted(before.keys() | after.keys()):
        was, now = before.get(name), after.get(name)
        if was == now:
            continue
        shift = None
        if was is not None and now is not None and max(was[1], now[1]) > 0.0:
            shift = (now[0] - was[0]) / max(was[1], now[1])
        changes.append({"number": name, "old": was, "new": now, "shift_u": shift})
    return changes


def _numbers(part: Any, place: str = "") -> dict[str, tuple[float, float]]:
    """Return value and u of every measured number of a profile by its path."""
    if isinstance(part, dict):
        if isinstance(part.get("value"), float) and isinstance(part.get("u"), float):
            return {place: (part["value"], part["u"])}
        items: Any = part.items()
    elif isinstance(part, list):
        items = (
            (one.get("name", index) if isinstance(one, dict) else index, one)
            for index, one in enumerate(part)
        )
    else:
        return {}
    return {
        key: value
        for name, one in items
        for key, value in _numbers(one, f"{place}.{name}" if place else str(name)).items()
    }


def _kept(path: Path) -> dict[str, Any] | None:
    try:
        found: dict[str, Any] = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found


def _lines(changes: list[dict[str, Any]]) -> list[str]:
    if not changes:
        return ["Nothing changed: every number is what it was."]
    lines = [f"{'number':<42} {'was':>18} {'is':>18} {'shift':>8}"]
    for item in changes:
        shift = "" if item["shift_u"] is None else f"{item['shift_u']:+.2f} u"
        lines.append(
            f"{item['number'][:42]:<42} {_told(item['old']):>18} {_told(item['new']):>18} {shift:>8}"
        )
    return lines


def _told(number: tuple[float, float] | None) -> str:
    return "not given" if number is None else f"{number[0]:.4g} ± {number[1]:.2g}"
