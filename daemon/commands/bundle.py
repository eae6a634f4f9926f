"""`drawtube bundle RUN`: everything about one run in a file for a bug report, the place removed.

Journal, log lines, results, versions, and the frames' cut-outs. Who sends it should not have to wonder what
it gives away: coordinates, observer and paths are taken out, and the list of what is inside is printed.
"""

from __future__ import annotations

import io
import json
import re
import shutil
import socket
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.commands.console import tell, tell_problem
from daemon.exit_codes import DONE, USAGE

if TYPE_CHECKING:
    from daemon.journal import Journal, RunRecord

_MOST_FRAMES = 24
_KEPT_PX = 512
_LARGEST_COPY_BYTES = 20_000_000
# Keywords in wide use for the observer and the place (FITS Standard 4.0, sections 4.4.2 and 8.4.1 for
# OBSERVER and OBSGEO; the others are common practice).
_PLACE = re.compile(
    r"^(OBSERVER|OBSGEO.*|SITE.*|LAT.*|LON.*|.*-LAT|.*-LONG?|OBJCTAZ|AZIMUTH|HOSTNAME|.*PATH|FILENAME)$"
)
# A number behind one of these words in a log line or a message is a coordinate.
_COORDINATES = re.compile(r"((?:lat|lon)\w*\W{1,4})-?[0-9]+(?:\.[0-9]+)?", re.IGNORECASE)


def bundle(state: Path, run_id: str, out: Path | None) -> int:
    """Write the bundle and print its path; returns the exit code."""
    from daemon.journal import Journal

    try:
        journal = Journal.read(state / "journal.sqlite3")
    except FileNotFoundError as error:
        tell_problem(error)
        return USAGE
    try:
        run = journal.run(run_id)
        path = out or Path(f"drawtube-{run_id}.tar.gz")
        names = _write(path, state, journal, run)
    except KeyError:
        tell_problem(f"there is no run {run_id!r} in {state}: drawtube runs lists them")
        return USAGE
    finally:
        journal.close()
    tell(
        "Inside: " + ", ".join(names), "Coordinates, observer and paths were taken out; look before you send."
    )
    print(path)
    return DONE


def _write(path: Path, state: Path, journal: Journal, run: RunRecord) -> list[str]:
    """Write the archive to a neighbour and put it in place whole."""
    names, part = [], path.with_name(path.name + ".part")
    try:
        with tarfile.open(part, "w:gz") as archive:
            for name, content in _contents(state, journal, run):
                entry = tarfile.TarInfo(f"drawtube-{run.id}/{name}")
                entry.size, entry.mode = len(content), 0o644
                archive.addfile(entry, io.BytesIO(content))
                names.append(name)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    frames = [name for name in names if name.startswith("frames/")]
    rest = [name for name in names if name not in frames]
    return [*rest, f"{len(frames)} cut-outs"] if frames else rest


def _contents(state: Path, journal: Journal, run: RunRecord) -> Iterator[tuple[str, bytes]]:
    clean = _cleaner(state)
    steps = journal.steps(run.id)
    yield "run.json", clean(json.dumps(asdict(run), indent=1))
    yield "journal.jsonl", clean("".join(json.dumps(asdict(step)) + "\n" for step in steps))
    yield "versions.json", clean(json.dumps(_versions(), indent=1))
    yield "log.jsonl", clean("".join(_log_lines(state / "log", run)))
    folder = state / "runs" / run.id
    for name in ("profile.json", "observations.csv"):
        if (folder / name).is_file():
            yield name, clean((folder / name).read_text("utf-8"))
    paths = [Path(seen.path) for seen in journal.observations(run.id) if seen.path is not None]
    yield from _cut_outs([path for path in paths if path.is_file()][-_MOST_FRAMES:])


def _cleaner(state: Path) -> Any:
    replaced = {str(state.resolve()): "STATE", str(state): "STATE", str(Path.home()): "HOME"}
    replaced[socket.gethostname()] = "HOST"

    def clean(text: str) -> bytes:
        for name, word in replaced.items():
            if len(name) > 1:
                text = text.replace(name, word)
        return _COORDINATES.sub(r"\1(removed)", text).encode()

    return clean


def _log_lines(folder: Path, run: RunRecord) -> Iterator[str]:
    """Yield the log's lines of the run, wire traces of its errors included, oldest first."""
    for path in sorted(folder.glob("drawtube.log*"), reverse=True):
        with path.open(encoding="utf-8", errors="replace") as stream:
            yield from (line for line in stream if run.id in line)


def _versions() -> dict[str, str]:
    import platform

    found = {one.metadata["Name"]: one.version for one in metadata.distributions() if one.metadata["Name"]}
    return {"python": platform.python_version(), "system": platform.platform(), **dict(sorted(found.items()))}


def _cut_outs(paths: list[Path]) -> Iterator[tuple[str, bytes]]:
    """Yield the middle of each frame with its header, less what tells place and person."""
    with tempfile.TemporaryDirectory(prefix="drawtube-bundle-") as folder:
        for path in paths:
            if path.stat().st_size > 20 * _LARGEST_COPY_BYTES:
                continue
            copy = Path(folder) / path.name
            shutil.copyfile(path, copy)
            content = _stripped(copy)
            if content is not None and len(content) <= _LARGEST_COPY_BYTES:
                yield f"frames/{path.name}", content


def _stripped(copy: Path) -> bytes | None:
    from astropy.io import fits

    from drivers.frame_crop import crop_frame

    try:
        with fits.open(copy, mode="update", memmap=False, do_not_scale_image_data=True) as opened:
            for unit in opened:
                for key in [key for key in unit.header if key and _PLACE.match(key)]:
                    del unit.header[key]
            height, width = opened[0].data.shape[-2:]
        crop_frame(copy, width / 2.0, height / 2.0, _KEPT_PX)
    except (OSError, ValueError, AttributeError, TypeError):
        return None
    return copy.read_bytes()
