"""The command `drawtube`: options in `cli_*.py`, the work in `daemon.commands`, loaded when called.

Exit codes: 0 done; 2 usage or config; 3 hardware or link; 4 the sky or a gate; 5 result not good enough; 130
stopped. 1 is left to a fault of drawtube itself. With ``--json`` stdout is JSON alone.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Any, NoReturn

import typer

from daemon.cli_options import app
from daemon.exit_codes import DONE, FAULT, STOPPED, USAGE

# Each registers its commands, in the order in which the help lists them.
for _part in ("daemon.cli_rig", "daemon.cli_service", "daemon.cli_kept"):
    import_module(_part)

# Typer brings its own copy of click in some versions and uses the package in others.
_UsageProblem: Any = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


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
