"""`drawtube serve`: the long-running service."""

from __future__ import annotations

from pathlib import Path

from daemon.commands.console import tell_problem
from daemon.exit_codes import DONE, HARDWARE, USAGE


def serve(config_path: Path, state: Path | None, listen: str | None, speed: float | None) -> int:
    """Serve until told to end; returns the exit code."""
    from daemon.commands.kept import state_folder
    from daemon.config import load_config
    from daemon.config.descriptions import check_descriptions
    from daemon.journal_file import JournalBusy, JournalError
    from daemon.service.life import CannotServe, ServeOptions
    from daemon.service.life import serve as run
    from daemon.service.lock import AlreadyRunning

    config = load_config(config_path)
    check_descriptions(config)
    try:
        run(config, state_folder(state), ServeOptions(listen, speed))
    except (CannotServe, AlreadyRunning, JournalBusy) as error:
        tell_problem(error)
        return USAGE
    except JournalError as error:
        tell_problem(error)
        return HARDWARE
    except SystemExit as error:
        # The server ends like this when it cannot listen; it has logged why.
        return USAGE if error.code else DONE
    return DONE
