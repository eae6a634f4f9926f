"""A service in a process of its own for the browser to look at, and what a watched page may not do."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

CONFIG = Path(__file__).parents[2] / "config_examples" / "simulated.toml"
CALM = """base = "refractor-112"
weather_by_number = true

[weather]
waves = []
drop_c = 0.0
probe_noise_c = 0.0
"""
ENDED = ("done", "partial", "failed", "stopped")


def config_in(folder: Path, looks: str = "numbers") -> Path:
    """Write the config of a calm simulated rig; its looks are drawn as numbers, or taken as frames."""
    (folder / "calm.toml").write_text(CALM)
    before, _, after = CONFIG.read_text().partition("\n[simulated]\n")
    simulated = f'\n[simulated]\nrig = "calm.toml"\nseed = 3\nlooks = "{looks}"\n\n'
    # What an owner would have read off the drawtube; frames would tell it, drawn numbers do not.
    before = before.replace("pixel_um = 3.9\n", "pixel_um = 3.9\nstep_um = 3.0\n")
    path = folder / "rig.toml"
    path.write_text(before + simulated + after[after.index("[[filter]]") :])
    return path


class House:
    """One state folder and port, and the service that lives there; it can be killed and started again."""

    def __init__(self, folder: Path, config: Path, speed: float) -> None:
        self.state, self.log = folder / "state", folder / "serve.log"
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"
        self._words = [sys.executable, "-m", "daemon", "serve", "--config", str(config)]
        self._words += ["--state", str(self.state), "--listen", f"127.0.0.1:{port}", "--speed", str(speed)]
        self.process: subprocess.Popen[bytes] | None = None
        limits = httpx.Limits(max_keepalive_connections=0)
        self.http = httpx.Client(base_url=self.url, timeout=30.0, trust_env=False, limits=limits)

    def open(self) -> None:
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "NO_COLOR": "1"}
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(self._words, stdout=output, stderr=output, env=environment)
        self.until(self._answers, "the service to answer")

    def _answers(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            pytest.fail(f"the service ended: {self.log.read_text()[-2000:]}")
        try:
            return self.http.get("/healthz").status_code == 200
        except httpx.TransportError:
            return False

    def end(self, number: int = signal.SIGTERM) -> None:
        """End the service, or kill it with SIGKILL."""
        if self.process is None:
            return
        if self.process.poll() is None:
            self.process.send_signal(number)
            try:
                self.process.wait(20.0)
            finally:
                self.process.kill()
                self.process.wait()
        self.process = None

    def get(self, path: str) -> Any:
        return self.http.get(path).json()

    def start(self, routine: str) -> str:
        answer = self.http.post("/v1/runs", json={"routine": routine})
        assert answer.status_code == 201, answer.text
        return str(answer.json()["id"])

    def until(self, holds: Callable[[], Any], what: str, within_s: float = 90.0) -> Any:
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            if found := holds():
                return found
            time.sleep(0.05)
        pytest.fail(f"waited in vain for {what}; {self.log.read_text()[-2000:]}")

    def ended(self, run: str) -> Any:
        return self.until(lambda: (r := self.get(f"/v1/runs/{run}"))["state"] in ENDED and r, "the run's end")


class Watch:
    """What a page has done that it should not: errors, and requests that leave this machine."""

    def __init__(self, page: Any, own: str) -> None:
        self.errors: list[str] = []
        self.outside: list[str] = []
        self._own = own
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", self._asked)

    def _said(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.errors.append(message.text)

    def _asked(self, request: Any) -> None:
        if not re.match(rf"{re.escape(self._own)}|data:|blob:|about:", request.url):
            self.outside.append(request.url)

    def require_clean(self) -> None:
        assert self.errors == [], self.errors
        assert self.outside == [], self.outside


def axe_findings(page: Any) -> list[str]:
    """Return axe-core's serious and critical findings; WCAG 2.0 to 2.2, levels A and AA."""
    import axe_playwright_python

    script = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    page.evaluate(script)
    found = page.evaluate(
        "axe.run(document, {runOnly: {type: 'tag', values: "
        "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}, resultTypes: ['violations']})"
    )
    return [
        f"{item['id']}: {node['target']} {node['failureSummary']}"
        for item in found["violations"]
        if item["impact"] in ("serious", "critical")
        for node in item["nodes"][:3]
    ]
