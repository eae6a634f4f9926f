"""The unit for a service manager: what the program promises stands in it, and the manager accepts it."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

UNIT = Path(__file__).parents[2] / "config_examples" / "drawtube.service"


def settings():
    return dict(re.findall(r"^([A-Za-z]+)=(.*)$", UNIT.read_text(), re.MULTILINE))


def test_it_says_what_the_program_does():
    said = settings()
    assert (said["Type"], said["KillSignal"]) == ("notify", "SIGTERM")
    assert float(said["WatchdogSec"]) >= 30.0
    assert float(said["TimeoutStopSec"]) >= 2.0
    assert said["Restart"] == "on-failure"
    assert " serve --config " in said["ExecStart"]
    for name in ("NoNewPrivileges", "PrivateTmp", "ProtectKernelModules", "RestrictSUIDSGID"):
        assert said[name] == "yes"
    assert said["ProtectSystem"] == "strict"
    assert said["CapabilityBoundingSet"] == ""


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd's own checker")
def test_the_manager_accepts_it(tmp_path):
    """systemd-analyze verify, systemd's own check of a unit file."""
    text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", UNIT.read_text(), flags=re.MULTILINE)
    text = re.sub(r"^(User|Group)=.*$", r"\1=root", text, flags=re.MULTILINE)
    path = tmp_path / "drawtube.service"
    path.write_text(text)
    said = subprocess.run(
        ["systemd-analyze", "verify", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert [line for line in said.stderr.splitlines() if "drawtube.service" in line] == []
