"""What becomes of a run's frames once its results are written: kept, cut down, or removed, within a budget.

Only frames of our own making are touched: those in the run's folder, or that the camera's command was told to
write. A folder that another program fills is that program's.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from daemon.eyes import frames_of
from daemon.worker import Worker, WorkerError
from drivers import header
from routines.convention import Outward, to_counts
from routines.observations import Method, Observation

if TYPE_CHECKING:
    from daemon.config import Config

log = structlog.get_logger(__name__)
_TRIM_WITHIN_S = 600.0


def keep_frames(
    config: Config, state: Path, run_id: str, looks: Sequence[Observation], worker: Worker
) -> None:
    """Apply the config's policy to one run's frames, then the budget to all runs'."""
    own = _own(config, state, run_id, looks)
    if config.camera.keep == "none":
        for path in own:
            path.unlink(missing_ok=True)
        _remove_if_empty(state / "runs" / run_id / "frames")
    elif own:
        try:
            _told_or_trimmed(config, own, looks, worker)
        except WorkerError as error:
            log.warning("frames_not_seen_to", run=run_id, keep=config.camera.keep, error=str(error))
    if config.camera.keep_at_most_gb is not None:
        keep_within(state, config.camera.keep_at_most_gb * 1e9)


def _told_or_trimmed(
    config: Config, own: Sequence[Path], looks: Sequence[Observation], worker: Worker
) -> None:
    """Have frames tell how their places were reached and, where cut-outs are wanted, be cut down."""
    words = {one.path: reached(one, config.focuser.outward) for one in looks if one.path is not None}
    if config.camera.keep == "all":
        ours = {str(path) for path in own} & words.keys()
        worker.call("label", {path: words[path] for path in sorted(ours)}, deadline_s=_TRIM_WITHIN_S)
        return
    methods: dict[str, Method] = dict(frames_of(looks))
    frames = [(str(path), methods.get(str(path), "mask")) for path in own]
    worker.call("trim", frames, words, deadline_s=_TRIM_WITHIN_S)


def reached(look: Observation, outward: Outward) -> dict[str, float | bool]:
    """Return what a frame's header should tell of its place and how it was reached (`drivers.header`)."""
    words: dict[str, float | bool] = {header.OWN_POSITION: to_counts(look.position_steps, outward)}
    if look.temperature_c is not None:
        words[header.OWN_TEMPERATURE] = round(look.temperature_c, 2)
    if look.pass_id is not None:
        words[header.OWN_PASS] = look.pass_id
    if look.side and look.travel_since_reversal_steps is not None:
        words |= {header.OWN_SIDE: look.side, header.OWN_TRAVEL: look.travel_since_reversal_steps}
    return words | ({header.OWN_MARKER: True} if look.marker else {})


def keep_within(state: Path, most_bytes: float) -> list[str]:
    """Remove the oldest runs' frames until all fit; returns the ids of the runs that lost theirs."""
    folders = sorted((state / "runs").glob("*/frames"), key=lambda folder: folder.stat().st_mtime)
    sizes = {folder: _size(folder) for folder in folders}
    removed = []
    for folder in folders:
        if sum(sizes.values()) <= most_bytes:
            break
        shutil.rmtree(folder, ignore_errors=True)
        del sizes[folder]
        removed.append(folder.parent.name)
        log.info("frames_removed", run=folder.parent.name, why="the budget for frames is used up")
    return removed


def _own(config: Config, state: Path, run_id: str, looks: Sequence[Observation]) -> list[Path]:
    folder = (state / "runs" / run_id / "frames").resolve()
    found = sorted(folder.glob("*.fits")) if folder.is_dir() else []
    if config.camera.kind != "command" or "{path}" not in " ".join(config.camera.command or ()):
        return found
    paths = [Path(seen.path) for seen in looks if seen.path is not None]
    return [*found, *(path for path in paths if path.is_file() and path not in found)]


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _remove_if_empty(folder: Path) -> None:
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
