"""Cameras by command and by folder: only new, finished frames of the right exposure; nothing half-written."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.camera import CommandCamera, FolderWatch, WatchedFolderCamera, check_template
from drivers.errors import ExposureFailed, Stopped
from drivers.frame_files import NotFits, is_complete


def fits_bytes(width: int = 100, height: int = 50) -> bytes:
    """Return a FITS file by the standard's rules (FITS Standard 4.0, section 4.4.1)."""
    numbers = {"BITPIX": 16, "NAXIS": 2, "NAXIS1": width, "NAXIS2": height}
    cards = [f"{'SIMPLE':8}= {'T':>20}", *(f"{key:8}= {value:20d}" for key, value in numbers.items()), "END"]
    header = "".join(card.ljust(80) for card in cards).encode().ljust(2880)
    data = bytes(2 * width * height)
    return header + data.ljust(-(-len(data) // 2880) * 2880, b"\0")


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


WRITE = f"import sys; open(sys.argv[1], 'wb').write({fits_bytes()!r})"


def test_a_file_is_complete_with_its_last_byte(tmp_path: Path) -> None:
    whole, path = fits_bytes(), tmp_path / "f.fits"
    for size in (0, 10, 2879, 2880, len(whole) - 1):
        path.write_bytes(whole[:size])
        assert not is_complete(path)
    path.write_bytes(whole)
    assert is_complete(path)


def test_completeness_agrees_with_astropy(tmp_path: Path) -> None:
    fits = pytest.importorskip("astropy.io.fits")
    import numpy as np

    path = tmp_path / "a.fits"
    fits.writeto(path, np.zeros((37, 53), dtype=np.uint16))
    assert is_complete(path)
    path.write_bytes(path.read_bytes()[:-1])
    assert not is_complete(path)


@pytest.mark.parametrize("content", [b"\x89PNG" + b" " * 3000, b"SIMPLE  =" + b" " * 2880 * 401])
def test_what_is_no_fits_file_is_told(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.fits"
    path.write_bytes(content)
    with pytest.raises(NotFits):
        is_complete(path)


def test_a_command_leaves_its_frame_where_it_was_told(tmp_path: Path) -> None:
    camera = CommandCamera([*python(WRITE), "{path}", "{exposure_s}", "{filter}"], tmp_path)
    first, second = camera.expose(0.1, "R"), camera.expose(0.1, "R; rm -rf x")
    assert first != second
    assert first.read_bytes() == fits_bytes()


def test_a_command_may_name_its_own_file(tmp_path: Path) -> None:
    (tmp_path / "older.fits").write_bytes(fits_bytes())
    code = f"import sys; open(sys.argv[1] + '/img0001.fit', 'wb').write({fits_bytes()!r})"
    camera = CommandCamera([*python(code), "{folder}"], tmp_path)
    assert camera.expose(0.1, "R").name == "img0001.fit"


def test_a_failing_command_is_quoted(tmp_path: Path) -> None:
    camera = CommandCamera(python("import sys; print('no camera found'); sys.exit(3)"), tmp_path)
    with pytest.raises(ExposureFailed, match=r"(?s)exit code 3.*no camera found"):
        camera.expose(0.1, "R")


def test_a_command_that_hangs_is_killed_with_its_children(tmp_path: Path) -> None:
    code = (
        "import subprocess, time; p = subprocess.Popen(['sleep', '60']); "
        f"open({str(tmp_path / 'pid')!r}, 'w').write(str(p.pid)); time.sleep(60)"
    )
    camera = CommandCamera(python(code), tmp_path, allowance_s=1.0)
    with pytest.raises(ExposureFailed, match="did not end in time"):
        camera.expose(0.1, "R")
    child = int((tmp_path / "pid").read_text())
    for _ in range(100):
        if not _alive(child):
            break
        time.sleep(0.02)
    assert not _alive(child)


def _alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z"
    except FileNotFoundError:
        return False


def test_a_command_that_leaves_nothing_or_half_a_frame_is_told(tmp_path: Path) -> None:
    with pytest.raises(ExposureFailed, match="left no finished"):
        CommandCamera([*python(""), "{path}"], tmp_path, allowance_s=0.3).expose(0.0, "R")
    half = f"import sys; open(sys.argv[1], 'wb').write({fits_bytes()[:5000]!r})"
    with pytest.raises(ExposureFailed, match="left no finished"):
        CommandCamera([*python(half), "{path}"], tmp_path, allowance_s=0.3).expose(0.0, "R")
    with pytest.raises(ExposureFailed, match="no frame"):
        CommandCamera(
            [*python("import sys; open(sys.argv[1], 'w').write('x' * 9000)"), "{path}"], tmp_path
        ).expose(0, "R")


def test_a_command_that_does_not_exist_is_told(tmp_path: Path) -> None:
    with pytest.raises(ExposureFailed, match="does not start"):
        CommandCamera(["/no/such/program"], tmp_path).expose(0.1, "R")


def test_a_stop_ends_an_exposure(tmp_path: Path) -> None:
    stop = threading.Event()
    timer = threading.Timer(0.1, stop.set)
    timer.start()
    with pytest.raises(Stopped):
        CommandCamera(python("import time; time.sleep(60)"), tmp_path).expose(60, "R", stop)
    timer.join()


def test_templates_are_checked() -> None:
    check_template(["expose", "--time={exposure_s}", "{{literal}}"])
    with pytest.raises(ValueError, match=r"unknown field \{exposure\}"):
        check_template(["expose", "{exposure}"])
    with pytest.raises(ValueError, match="is empty"):
        check_template([])


def in_a_while(action: Callable[[], object], after_s: float = 0.15) -> threading.Timer:
    timer = threading.Timer(after_s, action)
    timer.start()
    return timer


def test_a_watched_folder_gives_the_new_frame_and_says_what_it_wants(tmp_path: Path) -> None:
    (tmp_path / "before.fits").write_bytes(fits_bytes())
    asked: list[str] = []
    camera = WatchedFolderCamera(tmp_path, ask=asked.append)
    timer = in_a_while(lambda: (tmp_path / "new.fits").write_bytes(fits_bytes()))
    assert camera.expose(0.05, "Ha").name == "new.fits"
    assert asked == [f"one frame of 0.05 s with filter Ha, saved to {tmp_path}"]
    timer.join()


def test_a_frame_still_being_written_is_waited_for(tmp_path: Path) -> None:
    whole, path = fits_bytes(), tmp_path / "slow.fits"

    def write_slowly() -> None:
        with path.open("wb") as file:
            for start in range(0, len(whole), 4000):
                file.write(whole[start : start + 4000])
                file.flush()
                time.sleep(0.15)

    timer = in_a_while(write_slowly, 0.0)
    found = WatchedFolderCamera(tmp_path).expose(0.0, "R")
    assert found.read_bytes() == whole
    timer.join()


def test_a_file_moved_into_place_a_second_time_is_not_new(tmp_path: Path) -> None:
    watch = FolderWatch(tmp_path)
    (tmp_path / "a.fits").write_bytes(fits_bytes())
    first = _found(watch)
    assert first is not None
    first.rename(tmp_path / "b.fits")
    assert _found(watch, 0.6) is None


def test_temporary_names_and_other_files_are_left_alone(tmp_path: Path) -> None:
    watch = FolderWatch(tmp_path)
    (tmp_path / "frame.fits.part").write_bytes(fits_bytes())
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "broken.fits").write_text("x" * 9000)
    assert _found(watch, 0.6) is None
    (tmp_path / "frame.fits.part").rename(tmp_path / "frame.fits")
    found = _found(watch)
    assert found is not None
    assert found.name == "frame.fits"


def test_a_frame_moved_in_late_from_before_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "late.fits"

    def appear() -> None:
        path.write_bytes(fits_bytes())
        os.utime(path, (time.time() - 100, time.time() - 100))

    timer = in_a_while(appear)
    with pytest.raises(ExposureFailed, match=r"late\.fits; do the clocks agree"):
        WatchedFolderCamera(tmp_path, allowance_s=1.2).expose(0.0, "R")
    timer.join()


def test_a_frame_whose_exposure_began_too_early_is_not_taken(tmp_path: Path) -> None:
    camera = WatchedFolderCamera(tmp_path, allowance_s=1.2, began_s=lambda path: time.time() - 30)
    timer = in_a_while(lambda: (tmp_path / "early.fits").write_bytes(fits_bytes()))
    with pytest.raises(ExposureFailed, match=r"early\.fits"):
        camera.expose(0.0, "R")
    timer.join()


def _found(watch: FolderWatch, within_s: float = 3.0) -> Path | None:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        found = watch.find(0.0)
        if found is not None:
            return found
        time.sleep(0.05)
    return None
