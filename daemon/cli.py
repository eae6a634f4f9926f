"""The command `drawtube`: options and help here, the work in `daemon.commands`, loaded when it is called.

Exit codes: 0 done; 2 usage or config; 3 hardware or link; 4 the sky or a gate; 5 result not good enough; 130
stopped. 1 is left to a fault of drawtube itself. With ``--json`` stdout is JSON alone.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
import typer.core

from daemon.exit_codes import DONE, FAULT, STOPPED, USAGE

# Typer brings its own copy of click in some versions and uses the package in others.
_UsageProblem: Any = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")

app = typer.Typer(
    name="drawtube",
    help="Learns a telescope's focus train: backlash, filter offsets, temperature, best focus.",
    epilog="Exit codes: 0 done; 2 usage or config; 3 hardware or link; 4 the sky or a gate; "
    "5 result not good enough; 130 stopped; 1 a fault of drawtube itself.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

ConfigFile = Annotated[Path, typer.Option("--config", metavar="FILE", help="The rig's config (TOML).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON alone on stdout; words go to stderr.")]
StateFolder = Annotated[
    Path | None,
    typer.Option("--state", metavar="FOLDER", help="Where profiles and runs are kept; default: the user's."),
]
ProfileFolder = Annotated[
    Path | None,
    typer.Option(
        "--state",
        metavar="FOLDER",
        help="Where the profile lies: a state folder, or analyse's --out folder; default: the user's.",
    ),
]


class _NamingRoutines(typer.core.TyperCommand):
    """A command whose help ends with the routines' names, read from their catalogue only then."""

    def format_epilog(self, ctx: Any, formatter: Any) -> None:
        from routines.scripts.catalogue import ROUTINES

        with formatter.section("Routines"):
            formatter.write_text(", ".join(ROUTINES))


@app.callback(invoke_without_command=True)
def _about(
    version: Annotated[bool, typer.Option("--version", help="Print the version and exit.")] = False,
) -> None:
    if version:
        from importlib import metadata

        print(f"drawtube {metadata.version('drawtube')}")
        raise typer.Exit(DONE)


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


ServiceUrl = Annotated[
    str | None,
    typer.Option(
        "--url", metavar="URL", help="The service; default: DRAWTUBE_URL, or loopback's usual port."
    ),
]
RunName = Annotated[
    str | None, typer.Argument(metavar="[RUN]", help="The run's id; default: the one that is on.")
]


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


@app.command(cls=_NamingRoutines)
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


def main() -> NoReturn:
    """Run the command line; every ending is an exit code, and no failure shows a traceback."""
    sys.exit(run_command(sys.argv[1:]))


def run_command(arguments: list[str]) -> int:
    """Run one command and return its exit code."""
    try:
        code = typer.main.get_command(app).main(arguments, prog_name="drawtube", standalone_mode=False)
        return code if isinstance(code, int) else DONE
    except (typer.Abort, KeyboardInterrupt):
        return _told("stopped", STOPPED)
    except BrokenPipeError:
        # Whoever read our output has gone; nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except Exception as error:
        return _failed(error)


def _failed(error: Exception) -> int:
    if isinstance(error, _UsageProblem):
        error.show()
        return USAGE
    from daemon.config import ConfigErrors

    if isinstance(error, ConfigErrors):
        return _told(str(error), USAGE)
    if isinstance(error, OSError) and error.filename is not None:
        return _told(f"{error.filename}: {error.strerror or error}", USAGE)
    if os.environ.get("DRAWTUBE_DEBUG"):
        raise error
    sentence = f"a fault of drawtube itself: {type(error).__name__}: {error}"
    return _told(f"{sentence}\nSet DRAWTUBE_DEBUG=1 to see where, and please report it.", FAULT)


def _told(words: str, code: int) -> int:
    from daemon.commands.console import tell, tell_problem

    (tell if code == STOPPED else tell_problem)(f"drawtube: {words}" if code in (FAULT, STOPPED) else words)
    return code
