"""`drawtube profile`, `advise` and `report`: what is known already, read from the state folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from daemon.commands.console import tell_problem
from daemon.exit_codes import DONE, USAGE
from daemon.profile_commands import Reply, find_report, show_advice, show_profile, show_schema
from routines.advice import AdviceRequest

if TYPE_CHECKING:
    from daemon.report.plotting import Kind


def state_folder(given: Path | None) -> Path:
    """Return the state folder: as given, or the user's own."""
    if given is not None:
        return given
    import platformdirs

    return platformdirs.user_state_path("drawtube", appauthor=False)


def _printed(reply: Reply) -> int:
    if reply.out:
        print(reply.out)
    if reply.err:
        tell_problem(reply.err)
    return reply.exit_code


def profile(state: Path | None, form: str) -> int:
    """Print the latest profile as "text", "json" or "csv", or the "schema" of its file."""
    return _printed(show_schema() if form == "schema" else show_profile(state_folder(state), form=form))


def advise(state: Path | None, request: AdviceRequest, *, as_json: bool) -> int:
    """Print the moves that end in focus."""
    return _printed(show_advice(state_folder(state), request, as_json=as_json))


def report(state: Path | None, run: str, *, kinds: tuple[Kind, ...] = (), out: Path | None = None) -> int:
    """Print the path of a run's report; with ``kinds``, draw its figures and print their paths.

    ``run`` may be a report's file as well.
    """
    given = Path(run)
    named = given.suffix == ".html" and given.is_file()
    reply = Reply(DONE, str(given)) if named else find_report(state_folder(state), run)
    if reply.exit_code != DONE or not kinds:
        return _printed(reply)
    from daemon.report.plotting import CannotDraw, export

    path = Path(reply.out)
    try:
        print(*export(path, kinds, out or path.parent / "figures"), sep="\n")
    except CannotDraw as problem:
        tell_problem(problem)
        return USAGE
    return DONE
