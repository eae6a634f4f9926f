"""Commands that talk to a running service, and the compensating port."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
import typer.core

from daemon.cli_options import (
    AsJson,
    ConfigFile,
    NamingRoutines,
    RunName,
    ServiceUrl,
    StateFolder,
    app,
)


@app.command(cls=NamingRoutines)
def start(
    routine: Annotated[str, typer.Argument(metavar="ROUTINE", help="One of the routines named below.")],
    wait: Annotated[bool, typer.Option("--wait", help="Wait for its end; the exit code tells it.")] = False,
    if_busy: Annotated[
        str, typer.Option("--if-busy", metavar="refuse|queue", help="What to do while another run is on.")
    ] = "refuse",
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="List steps, duration and limits; nothing moves.")
    ] = False,
    url: ServiceUrl = None,
    json: AsJson = False,
) -> None:
    """Start a routine on the running service.

    With --wait, Ctrl-C stops the run, and the exit code tells how it ended.
    """
    from daemon.commands import remote

    if if_busy not in ("refuse", "queue"):
        raise typer.BadParameter("--if-busy takes refuse or queue")
    if dry_run:
        raise typer.Exit(remote.dry_run(routine, url, as_json=json))
    raise typer.Exit(remote.start(routine, url, wait=wait, if_busy=if_busy, as_json=json))


@app.command()
def status(url: ServiceUrl = None, json: AsJson = False) -> None:
    """Show what the service is at."""
    from daemon.commands.remote import status as run

    raise typer.Exit(run(url, as_json=json))


@app.command()
def hold(run: RunName = None, url: ServiceUrl = None, json: AsJson = False) -> None:
    """Keep the run from its next step."""
    from daemon.commands.remote import command

    raise typer.Exit(command("hold", run, url, as_json=json))


@app.command()
def resume(run: RunName = None, url: ServiceUrl = None, json: AsJson = False) -> None:
    """Let a held run go on.

    Also says that what the run asked a person for is done, and takes an interrupted run up again.
    """
    from daemon.commands.remote import command

    raise typer.Exit(command("resume", run, url, as_json=json))


@app.command()
def stop(run: RunName = None, url: ServiceUrl = None, json: AsJson = False) -> None:
    """End the run; what moves is halted at once."""
    from daemon.commands.remote import command

    raise typer.Exit(command("stop", run, url, as_json=json))


@app.command()
def reload(url: ServiceUrl = None, json: AsJson = False) -> None:
    """Have the service read its config file again.

    Refused while a run is on or waits, and with every mistake named when the file has some; the old config
    then stays in force. SIGHUP does the same and leaves its answer in the log.
    """
    from daemon.commands.remote import reload as run

    raise typer.Exit(run(url, as_json=json))


@app.command()
def runs(
    url: ServiceUrl = None,
    json: AsJson = False,
    limit: Annotated[int, typer.Option("--limit", min=1, max=1000, help="How many at most.")] = 20,
) -> None:
    """List the latest runs."""
    from daemon.commands.remote import runs as run

    raise typer.Exit(run(url, as_json=json, at_most=limit))


@app.command()
def port(
    config: ConfigFile,
    profile: Annotated[
        Path | None,
        typer.Option(
            "--profile",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="A profile; default: the latest one.",
        ),
    ] = None,
    filter: Annotated[
        str | None, typer.Option("--filter", metavar="NAME", help="Add this filter's offset to every place.")
    ] = None,
    state: StateFolder = None,
) -> None:
    """Offer a port that takes up the play for another program.

    The program connects to it as if it were the focuser; its moves come out as overshoot and approach by the
    profile, and it reads positions as if the gears had no play. The config's [port] says where. Runs until
    Ctrl-C.
    """
    from daemon.commands.port import serve_port

    raise typer.Exit(serve_port(config, profile, state, filter))


@app.command()
def shift(
    filter: Annotated[
        str | None,
        typer.Option("--filter", metavar="NAME", help="Add this filter's offset; none takes it off."),
    ] = None,
    temperature: Annotated[
        bool | None,
        typer.Option("--temperature/--no-temperature", help="Follow the temperature from now on, or not."),
    ] = None,
    url: ServiceUrl = None,
    json: AsJson = False,
) -> None:
    """Tell or change what the service's compensating port adds to every place."""
    from daemon.commands.shift import shift as run

    raise typer.Exit(run(url, filter, temperature, as_json=json))
