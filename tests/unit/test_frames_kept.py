"""What becomes of a run's frames: its own tell how their place was reached, others are not touched."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.desk import Desk
from daemon.rehearse import default_config
from daemon.service.frames_kept import keep_frames
from drivers.frames import read_header, write_frame
from drivers.header import Keywords, facts_from
from routines.observations import OUTWARD, Observation


class WorkerHere:
    """Does a desk's jobs in this process."""

    def __init__(self) -> None:
        self.jobs: list[str] = []
        self._desk = Desk(default_config(), measures=False)

    def call(self, job: str, *arguments: Any, deadline_s: float) -> Any:
        self.jobs.append(job)
        return getattr(self._desk, job)(*arguments)


def config_with(**camera: Any) -> Any:
    config = default_config()
    changed = config.camera.model_copy(update=camera)
    focuser = config.focuser.model_copy(update={"outward": "falling"})
    return config.model_copy(update={"camera": changed, "focuser": focuser})


def frame_at(path: Path) -> str:
    return str(write_frame(path, np.zeros((20, 30), np.uint16), {"EXPTIME": 4.0, "FILTER": "L"}))


def looks_of(*paths: str) -> list[Observation]:
    return [
        Observation(
            number, "L", -5120.0, value_px=1.0, u_px=0.1, side=OUTWARD, travel_since_reversal_steps=212.0,
            temperature_c=8.125, pass_id=3, marker=True, path=path,
        )
        for number, path in enumerate(paths)
    ]  # fmt: skip


def facts_of(path: str) -> Any:
    return facts_from(read_header(path), Keywords())


def test_frames_that_the_camera_was_told_to_write_tell_how_their_place_was_reached(tmp_path: Path) -> None:
    path, worker = frame_at(tmp_path / "frame-1.fits"), WorkerHere()
    config = config_with(kind="command", command=("expose", "{path}"))
    keep_frames(config, tmp_path, "run", looks_of(path), worker)  # type: ignore[arg-type]  # stand-in
    facts = facts_of(path)
    assert (facts.position_steps, facts.temperature_c) == (5120.0, 8.12)  # in the controller's counts
    assert (facts.side, facts.travel_since_reversal_steps, facts.pass_id) == (OUTWARD, 212.0, 3)
    assert facts.marker and not facts.simulated


@pytest.mark.parametrize(
    "camera", [{"kind": "folder", "folder": "f"}, {"kind": "command", "command": ("expose", "{folder}")}]
)
def test_another_programs_frames_are_not_touched(tmp_path: Path, camera: dict[str, Any]) -> None:
    path, worker = frame_at(tmp_path / "theirs.fits"), WorkerHere()
    before = Path(path).read_bytes()
    keep_frames(config_with(**camera), tmp_path, "run", looks_of(path), worker)  # type: ignore[arg-type]  # stand-in
    assert Path(path).read_bytes() == before and worker.jobs == []


def test_frames_that_are_not_to_be_kept_go(tmp_path: Path) -> None:
    path, worker = frame_at(tmp_path / "frame-1.fits"), WorkerHere()
    config = config_with(kind="command", command=("expose", "{path}"), keep="none")
    keep_frames(config, tmp_path, "run", looks_of(path), worker)  # type: ignore[arg-type]  # stand-in
    assert not Path(path).exists()
