"""Why a port does not open, in plain words, and the name of it that stays."""

from __future__ import annotations

import errno
import grp
import os
import subprocess
import sys
from pathlib import Path

import pytest

from drivers import ports
from drivers.dialect import LineSettings
from drivers.errors import PortUnavailable


@pytest.fixture
def device(tmp_path: Path) -> Path:
    path = tmp_path / "ttyUSB0"
    path.write_bytes(b"")
    return path


def test_no_permission_names_the_group_and_what_to_run(device: Path) -> None:
    group = grp.getgrgid(device.stat().st_gid).gr_name
    said = ports._why_not(str(device), PermissionError(errno.EACCES, "denied"))
    assert said.startswith(f"no permission; it belongs to the group {group!r}")
    assert f"sudo usermod -aG {group} $USER" in said


def test_another_programs_hold_is_named_with_its_process(device: Path) -> None:
    hold = "import sys; held = open(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    words = [sys.executable, "-c", hold, str(device)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        said = ports._why_not(str(device), OSError(errno.EBUSY, "busy"))
        assert "another program holds it" in said
        assert f"process {holder.pid}" in said
        holder.communicate()


def test_a_port_that_is_not_there_lists_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(PortUnavailable, match="does not exist; ports here: "):
        ports.open_port(str(tmp_path / "ttyUSB9"), LineSettings())


def test_a_host_that_does_not_answer_is_told_as_such() -> None:
    with pytest.raises(PortUnavailable, match="cannot be reached"):
        ports.open_port("socket://127.0.0.1:1", LineSettings())


def test_an_unknown_kind_of_url_is_told(tmp_path: Path) -> None:
    with pytest.raises(PortUnavailable):
        ports.open_port("carrier-pigeon://loft", LineSettings())


def test_the_stable_name_of_a_port_is_offered(
    device: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = tmp_path / "by-id"
    names.mkdir()
    (names / "usb-focuser-0001").symlink_to(os.path.relpath(device, names))
    monkeypatch.setattr(ports, "STABLE_NAMES", names)
    assert ports.stable_name(str(device)) == str(names / "usb-focuser-0001")
    assert ports.stable_name(str(names / "usb-focuser-0001")) is None
    assert ports.stable_name("socket://host:5000") is None
