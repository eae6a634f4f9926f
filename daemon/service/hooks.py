"""The owner's commands around a run, in their order; each has a deadline and is told about the run.

``DRAWTUBE_RUN`` and, afterwards, ``DRAWTUBE_STATE`` (done, partial, stopped, failed, or running where the run
was interrupted and can be taken up again) stand in a command's environment.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from daemon.live import Live
from daemon.service.people import HookFailed, run_hook

if TYPE_CHECKING:
    from daemon.config import Config

log = structlog.get_logger(__name__)


def runs_commands(config: Config) -> bool:
    """Tell whether a config has anything run as the service's user."""
    hooks = config.hooks
    names = ("before", "after", "point", "guiding_pause", "guiding_resume", "mask_on", "mask_off")
    return config.camera.kind == "command" or any(getattr(hooks, name) is not None for name in names)


def why_unsafe(path: Path) -> str | None:
    """Return why a config's commands must not be run: somebody else could have written them."""
    status = path.stat()
    if status.st_uid not in (os.getuid(), 0):
        return f"{path} names commands to run, but belongs to another user: chown it to yours"
    if status.st_mode & 0o022:
        return f"{path} names commands to run, but others can write to it: chmod go-w {path}"
    return None


def before_run(config: Config, run_id: str, stop: threading.Event) -> None:
    """Run what goes before a run; raises HookFailed with nothing moved."""
    hooks = config.hooks
    for name in ("before", "guiding_pause", "point"):
        argv = getattr(hooks, name)
        if argv is not None:
            log.info("hook", name=name)
            run_hook(argv, hooks.within_s, stop, {"DRAWTUBE_RUN": run_id})


def after_run(config: Config, run_id: str, state: str, live: Live) -> None:
    """Run what goes after a run, however that ended; a failure is told of and keeps nothing else back."""
    hooks = config.hooks
    for name in ("guiding_resume", "after"):
        argv = getattr(hooks, name)
        if argv is None:
            continue
        log.info("hook", name=name, state=state)
        try:
            run_hook(argv, hooks.within_s, told={"DRAWTUBE_RUN": run_id, "DRAWTUBE_STATE": state})
        except HookFailed as error:
            log.error("hook_failed", name=name, error=str(error))
            live.tell("hook_failed", message=str(error))
