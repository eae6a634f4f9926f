"""What `drawtube profile`, `advise` and `report` print: text or JSON, and an exit code.

They read the state folder and need no running daemon. Nothing here prints; the command line does.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from daemon.exit_codes import DONE, NOT_GOOD_ENOUGH, USAGE
from daemon.profile_store import ProfileDamaged, ProfileStore, profile_csv
from routines.advice import Advice, AdviceRefused, AdviceRequest, advise
from routines.entries import Entry
from routines.profile import Profile, profile_schema
from routines.remarks import remarks_on
from routines.verdict import judge
from routines.wording import celsius, format_quantity, short

_ANALYSED = "with --state the folder that drawtube analyse wrote with --out"


@dataclass(frozen=True, slots=True)
class Reply:
    """What goes to stdout, what to stderr, and the exit code."""

    exit_code: int
    out: str = ""
    err: str = ""


def show_schema() -> Reply:
    """Return the JSON Schema of profile.json."""
    return Reply(DONE, json.dumps(profile_schema(), indent=2))


def show_profile(state: Path, *, form: str = "text") -> Reply:
    """Return the latest profile as "text", "json" or "csv"."""
    profile = _latest(state)
    if isinstance(profile, Reply):
        return profile
    forms = {"json": Profile.to_json, "csv": profile_csv, "text": profile_text}
    return Reply(DONE, forms[form](profile).rstrip("\n"))


def show_advice(state: Path, request: AdviceRequest, *, as_json: bool = False) -> Reply:
    """Return the moves that end in focus; exit code 5 when the profile cannot tell them."""
    profile = _latest(state)
    if isinstance(profile, Reply):
        return profile
    if profile.filter_named(request.filter) is None:
        known = ", ".join(item.name for item in profile.filters)
        return Reply(USAGE, err=f"the profile does not know the filter {request.filter!r}; it knows {known}")
    try:
        advice = advise(profile, request)
    except AdviceRefused as error:
        return Reply(NOT_GOOD_ENOUGH, err=str(error))
    return Reply(DONE, json.dumps(advice.as_dict(), indent=2) if as_json else advice_text(advice))


def find_report(state: Path, run: str) -> Reply:
    """Return the path of a run's report."""
    folder = (state / "runs").resolve()
    path = (folder / run / "report.html").resolve()
    if not path.is_relative_to(folder):
        return Reply(USAGE, err=f"{run!r} is not the name of a run")
    if not path.is_file():
        known = sorted(item.parent.name for item in folder.glob("*/report.html"))
        hint = f"; runs with a report: {', '.join(known[-5:])}" if known else "; no run has one yet"
        return Reply(USAGE, err=f"run {run} has no report{hint}")
    return Reply(DONE, str(path))


def _latest(state: Path) -> Profile | Reply:
    try:
        profile = ProfileStore(state).latest()
    except ProfileDamaged as error:
        return Reply(NOT_GOOD_ENOUGH, err=str(error))
    if profile is None:
        return Reply(NOT_GOOD_ENOUGH, err=f"no profile in {state} yet: run a routine, or name {_ANALYSED}")
    return profile


def profile_text(profile: Profile) -> str:
    """Return the profile for a terminal: the verdict, the numbers to type elsewhere, the rules."""
    return f"{heading_text(profile)}\n\n{use_text(profile)}"


def heading_text(profile: Profile) -> str:
    """Return whose profile it is, and its verdict in a sentence."""
    return f"{profile.rig}, {profile.created:%Y-%m-%d %H:%M %Z}\n{judge(profile).headline}"


def use_text(profile: Profile, *, with_u: bool = True) -> str:
    """Return how to use a profile: numbers to type elsewhere, the rules, what is doubted, what is missing."""
    remarks = remarks_on(profile)
    paragraphs = (
        [_entry_line(entry, with_u=with_u) for entry in judge(profile).entries],
        list(profile.rules),
        [f"doubted: {remark}" for remark in remarks if remark.is_doubt]
        + [f"not given: {remark}" for remark in remarks if remark.kind == "refusal"],
    )
    return "\n\n".join("\n".join(lines) for lines in paragraphs if lines)


def _entry_line(entry: Entry, *, with_u: bool) -> str:
    other = f" (other sign convention {entry.opposite})" if entry.opposite and entry.opposite != "0" else ""
    note = f", {entry.note}" if entry.note else ""
    u = "" if entry.u is None else f" ± {entry.u}"
    return f"{entry.label:<14}{entry.value:>7}{f'{u:<7}' if with_u else ''} {entry.unit}{other}{note}"


def advice_text(advice: Advice) -> str:
    """Return the advice for a terminal, a move a line."""
    at = "" if advice.temperature_c is None else f" at {celsius(advice.temperature_c)}"
    lines = [f"{advice.filter}{at}: focus expected at {format_quantity(advice.target_steps, 'steps')}"]
    lines += [
        f"{index}. go to {move.position_steps}: {move.why}" for index, move in enumerate(advice.moves, 1)
    ]
    if advice.zone is not None:
        lines.append(
            f"focus zone {short(advice.zone.total_steps)} steps, limited by {advice.zone.limited_by}"
        )
    return "\n".join([*lines, *advice.notes])
