"""Commands about what is kept: profiles, advice, reports, bundles."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
import typer.core

from daemon.cli_options import (
    AsJson,
    ConfigFile,
    ProfileFolder,
    StateFolder,
    app,
)


@app.command()
def profile(
    json: AsJson = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print the numbers as a table.")] = False,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of profile.json.")] = False,
    state: ProfileFolder = None,
) -> None:
    """Print the latest profile."""
    from daemon.commands.kept import profile as run

    asked = [name for name, chosen in (("json", json), ("csv", csv), ("schema", schema)) if chosen]
    if len(asked) > 1:
        raise typer.BadParameter(f"choose one of --{' and --'.join(asked)}")
    raise typer.Exit(run(state, asked[0] if asked else "text"))


@app.command()
def advise(
    filter: Annotated[str, typer.Option("--filter", metavar="NAME", help="The filter to focus for.")],
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="C", help="The temperature now, in C.")
    ] = None,
    start: Annotated[
        float | None, typer.Option("--from", metavar="STEPS", help="Where the focuser stands now.")
    ] = None,
    focused: Annotated[
        str | None, typer.Option("--focused", metavar="NAME", help="The filter that is in focus there.")
    ] = None,
    json: AsJson = False,
    state: ProfileFolder = None,
) -> None:
    """Print the moves that end in focus for a filter."""
    from daemon.commands.kept import advise as run
    from routines.advice import AdviceRequest

    request = AdviceRequest(filter, temperature, start, focused)
    raise typer.Exit(run(state, request, as_json=json))


@app.command()
def report(
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's id, or a report's file.")],
    state: StateFolder = None,
    png: Annotated[bool, typer.Option("--png", help="Draw each figure as a PNG file.")] = False,
    svg: Annotated[bool, typer.Option("--svg", help="Draw each figure as an SVG file.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", file_okay=False, help="Where to; default: beside the report."),
    ] = None,
) -> None:
    """Print where a run's report is, or draw its figures into files (needs the extra "pictures")."""
    from daemon.commands.kept import report as show

    kinds = (*(("png",) if png else ()), *(("svg",) if svg else ()))
    raise typer.Exit(show(state, run, kinds=kinds, out=out))


@app.command()
def mask(
    forget: Annotated[
        bool, typer.Option("--forget", help="Forget it: the next run takes the mask as newly fitted.")
    ] = False,
    json: AsJson = False,
    state: StateFolder = None,
) -> None:
    """Tell how the mask was last put on, or forget it.

    Frames alone do not tell inside from outside of focus; a run learns it from the way the star moves, and
    the next ones remember it while the mask sits at the same angle.
    """
    from daemon.commands.mask import mask as run

    raise typer.Exit(run(state, forget=forget, as_json=json))


@app.command()
def bundle(
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's id.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Default: drawtube-RUN.tar.gz, here.")
    ] = None,
    state: StateFolder = None,
) -> None:
    """Pack a run for a bug report.

    Journal, log, results, versions and cut-outs of its frames; coordinates, observer and paths are taken out.
    """
    from daemon.commands.bundle import bundle as pack
    from daemon.commands.kept import state_folder

    raise typer.Exit(pack(state_folder(state), run, out))


@app.command()
def reanalyse(
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's id.")],
    config: ConfigFile,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Default: a new folder beside the run's.")
    ] = None,
    json: AsJson = False,
    state: StateFolder = None,
) -> None:
    """Compute a stored run's profile again and show what changed.

    The profile in use stays as it is.
    """
    from daemon.commands.kept import state_folder
    from daemon.commands.reanalyse import reanalyse as again

    raise typer.Exit(again(config, state_folder(state), run, out, as_json=json))
