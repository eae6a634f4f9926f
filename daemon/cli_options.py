"""The command line's app, and the options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
import typer.core

from daemon.exit_codes import DONE

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
ServiceUrl = Annotated[
    str | None,
    typer.Option(
        "--url", metavar="URL", help="The service; default: DRAWTUBE_URL, or loopback's usual port."
    ),
]
RunName = Annotated[
    str | None, typer.Argument(metavar="[RUN]", help="The run's id; default: the one that is on.")
]


class NamingRoutines(typer.core.TyperCommand):
    """A command whose help ends with the routines' names, read from their catalogue only then."""

    def format_epilog(self, ctx: Any, formatter: Any) -> None:
        """Write the routines' names in place of an epilog."""
        from routines.scripts.catalogue import ROUTINES

        with formatter.section("Routines"):
            formatter.write_text(", ".join(ROUTINES))


@app.callback(invoke_without_command=True)
def about(
    version: Annotated[bool, typer.Option("--version", help="Print the version and exit.")] = False,
) -> None:
    """Print the version where that is asked for."""
    if version:
        from importlib import metadata

        print(f"drawtube {metadata.version('drawtube')}")
        raise typer.Exit(DONE)
