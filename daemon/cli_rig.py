"""Commands that measure, rehearse, try the devices, and serve."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
import typer.core

from daemon.cli_options import (
    AsJson,
    ConfigFile,
    StateFolder,
    app,
)


@app.command()
def rehearse(
    config: Annotated[
        Path | None, typer.Option("--config", metavar="FILE", help="A config; default: the built-in one.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Which rig and night are drawn; the default is fixed.")
    ] = None,
    speed: Annotated[
        float, typer.Option("--speed", min=0.0, help="Simulated seconds in a second; 0: as fast as it goes.")
    ] = 0.0,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Where the results go; default: rehearsal.")
    ] = None,
) -> None:
    """Do the whole job on a simulated rig, and check it.

    Real bytes on a serial line and real FITS frames; no hardware is touched. Found is compared with true;
    exits 0 only if all numbers agree within their stated uncertainty.
    """
    from daemon.rehearse import run_rehearsal

    raise typer.Exit(run_rehearsal(config, seed, speed, out))


@app.command()
def measure(
    frames: Annotated[list[Path], typer.Argument(metavar="FRAME", help="FITS frames of one set.")],
    config: ConfigFile,
    json: AsJson = False,
) -> None:
    """Measure focus error or star width of each frame.

    Behind the mask spike error and defocus, or the star width of frames without a mask. The frames of one
    call are one set: what the best of them teach of the mask serves the others. Exits 5 when any frame
    could not be measured.
    """
    from daemon.commands.measure import measure as run

    raise typer.Exit(run(frames, config, as_json=json))


@app.command()
def analyse(
    path: Annotated[Path, typer.Argument(metavar="PATH", help="A folder of FITS frames, or a CSV.")],
    config: ConfigFile,
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Where the results go.")],
    moves: Annotated[
        Path | None,
        typer.Option(
            "--moves", metavar="CSV", help="The moves, if known: position_steps, and before_row or time."
        ),
    ] = None,
    json: AsJson = False,
) -> None:
    """Turn a sweep already taken into a profile and a report.

    PATH is a folder of FITS frames, with or without the mask, or a CSV with the columns position_steps,
    filter and spike_error_px or width_px (and, if known, their u as spike_error_u_px or width_u_px, time
    and temperature_c). Writes profile.json, observations.csv and report.html. Exits 5 when backlash or an
    observed filter's offset is not given.
    """
    from daemon.commands.analyse import analyse as run

    raise typer.Exit(run(path, config, out, moves, as_json=json))


@app.command()
def check(
    config: ConfigFile,
    hardware: Annotated[
        bool, typer.Option("--hardware", help="Walk over the real devices too: small moves, one frame.")
    ] = False,
    json: AsJson = False,
) -> None:
    """Check a config.

    Names every mistake at once, and shows what the numbers imply. With --hardware, each device is connected
    to, moved a little inside the limits and brought back, and every promise is told kept or broken; exits 3
    when one is broken.
    """
    from daemon.commands.check import check as run
    from daemon.commands.hardware import check_file

    raise typer.Exit(check_file(config, as_json=json) if hardware else run(config, as_json=json))


@app.command(name="try")
def try_device(
    port: Annotated[str, typer.Argument(metavar="PORT", help="Device path, socket:// or rfc2217:// URL.")],
    description: Annotated[
        str, typer.Argument(metavar="DESCRIPTION", help="A description's file, or a built-in one's name.")
    ],
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="The request to send; without it they are listed.")
    ] = None,
    values: Annotated[
        list[str] | None, typer.Argument(metavar="FIELD=VALUE", help="What the request's fields hold.")
    ] = None,
    listen: Annotated[
        float, typer.Option("--listen", metavar="S", min=0.0, help="Go on listening for so many seconds.")
    ] = 0.0,
    moves: Annotated[
        bool, typer.Option("--moves", help="Allow a request that moves something; no limits are checked.")
    ] = False,
) -> None:
    """Send one named request of a description and watch the bytes.

    For writing a description beside the manual. The answer is decoded, and the bytes both ways are shown.
    """
    from daemon.commands.try_device import TryOut, try_request

    raise typer.Exit(try_request(TryOut(port, description, name, tuple(values or ()), listen, moves)))


@app.command()
def serve(
    config: ConfigFile,
    state: StateFolder = None,
    listen: Annotated[
        str | None,
        typer.Option("--listen", metavar="HOST:PORT", help="Where to answer; loopback by default."),
    ] = None,
    speed: Annotated[
        float | None,
        typer.Option(
            "--speed", min=0.0, help="Simulated rig: its seconds in a second; 0: as fast as it goes."
        ),
    ] = None,
) -> None:
    """Run the service that calibrates unattended.

    It carries runs out when asked or when their schedule is due, survives crashes, and answers on
    http://127.0.0.1:8642 unless told otherwise. Beyond loopback a token is required (DRAWTUBE_TOKEN).
    """
    from daemon.commands.serve import serve as run

    raise typer.Exit(run(config, state, listen, speed))
