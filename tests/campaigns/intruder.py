"""Strangers at the service while a run is on: refused, and the run undisturbed; hostile names run no script.

Pages of other origins, rebound names, no token, bodies that never end, 1,000 connections, tricks in paths and
parameters. The run they fall upon must see exactly what an undisturbed one sees.
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import tempfile
import time
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np

from daemon.journal import Journal
from tests.campaigns.tally import Tally

FULL, BRIEF = 10, 1
TOKEN = "a-token-of-twenty-two-c"
TRICKS = (
    "../../../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/journal.sqlite3", "....//....//x",
    "%00",
    "a%00b", "C:%5Cwindows", "~root", "\u202egpj.lmth", "'; DROP TABLE runs; --", "<script>alert(1)</script>",
    "x" * 5000, ".", "index.html%00.js", "/etc/passwd", "%c0%ae%c0%ae/x",
)  # fmt: skip
SCRIPT = "<script>alert(1)</script><img src=x onerror=alert(2)>"


@dataclass(frozen=True)
class Attack:
    """What the strangers fall upon, and how many connections they bring."""

    routine: str = "characterise"
    speed: float = 30.0
    connections: int = 1_000


def run(rounds: int, seed: int, tally: Tally, attack: Attack = Attack()) -> None:
    """Fall upon so many runs."""
    import test_service

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        expected = undisturbed(place, test_service, attack)
        for number in range(rounds):
            there = place / str(number)
            there.mkdir()
            fallen_upon(there, test_service, attack, expected, tally)
        hostile_names(place, tally)


def config_in(folder: Path, test_service: Any) -> Path:
    """Return a calm rig's config with two filters, and a token even on loopback."""
    path = test_service.config_in(folder)
    parts = path.read_text().split("[[filter]]")
    path.write_text("[[filter]]".join(parts[:3]))
    return path


def looks(service: Any, run_id: str) -> list[float | None]:
    journal = Journal.read(service.state / "journal.sqlite3")
    try:
        return [seen.value_px for seen in journal.observations(run_id)]
    finally:
        journal.close()


def undisturbed(folder: Path, test_service: Any, attack: Attack) -> list[float | None]:
    with test_service.serving(folder, config_in(folder, test_service)) as service:
        run_id = service.start(attack.routine)
        assert service.ended(run_id)["state"] == "done"
        return looks(service, run_id)


def fallen_upon(
    folder: Path, test_service: Any, attack: Attack, expected: list[float | None], tally: Tally
) -> None:
    environment = {"DRAWTUBE_TOKEN": TOKEN}
    config = config_in(folder, test_service)
    with test_service.serving(folder, config, speed=attack.speed, **environment) as service:
        service.http.headers["authorization"] = f"Bearer {TOKEN}"
        run_id = service.start(attack.routine)
        service.looks(1, run_id)
        slow = slow_bodies(service)
        strangers(service, run_id, tally)
        without_token(service, tally)
        tricks(service, tally)
        crowd(service, attack.connections, tally)
        ended_slow(slow, tally)
        end = service.until(lambda: finished(service, run_id), "the end", within_s=300.0)
        same = looks(service, run_id) == expected
        tally.add("the run under attack", "right" if end["state"] == "done" and same else "lost",
                  f"{end['state']}, {end.get('result')}")  # fmt: skip


def finished(service: Any, run_id: str) -> Any:
    found = service.run(run_id)
    return found if found["state"] in ("done", "partial", "failed", "stopped") else None


def expect(tally: Tally, what: str, answer: Any, statuses: tuple[int, ...]) -> None:
    good = answer.status_code in statuses
    tally.add(what, "right" if good else "lost", f"{answer.status_code} {answer.text[:200]}")


def strangers(service: Any, run_id: str, tally: Tally) -> None:
    """Act as a page from elsewhere would, and as a name that was made to point here."""
    for origin in ("http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1"):
        for path in (f"/v1/runs/{run_id}/stop", f"/v1/runs/{run_id}/hold", "/v1/runs"):
            answer = service.http.post(path, headers={"origin": origin}, json={"routine": "backlash"})
            expect(tally, "another origin is refused", answer, (403,))
    for host in (
        "evil.example",
        "127.0.0.1.evil.example",
        "localhost.evil.example:8642",
        "",
        "[::1",
        "0",
        "[::1].evil.example",
    ):
        answer = service.http.get("/v1/status", headers={"host": host})
        expect(tally, "a rebound name is refused", answer, (400, 421))


def without_token(service: Any, tally: Tally) -> None:
    for given in ("", "Bearer", "Bearer wrong", f"Basic {TOKEN}", f"Bearer {TOKEN}x", "Bearer \xe9"):
        for path in ("/v1/status", "/v1/profile", "/", "/v1/events"):
            answer = service.http.get(path, headers={"authorization": given.encode("latin-1")})
            expect(tally, "no token or a wrong one is refused", answer, (401,))


def tricks(service: Any, tally: Tally) -> None:
    """Ask for files by names that climb, and for runs and filters that are none."""
    for trick in TRICKS:
        quoted = re.sub(
            r"[^A-Za-z0-9%.~/:-]", lambda found: "".join(f"%{b:02X}" for b in found[0].encode()), trick
        )
        for path in (
            f"/web/{quoted}",
            f"/v1/runs/{quoted}/report",
            f"/v1/runs/{quoted}",
            f"/v1/advice?filter={quoted}",
        ):
            answer = raw_get(service, path)
            head, _, body = answer.partition(b"\r\n\r\n")
            status = int(head.split(b" ")[1]) if head.startswith(b"HTTP/1.1 ") else 0
            leaked = b"root:" in body or b"SQLite format" in body
            good = status in (200, 303, 400, 404, 405, 414, 422, 431) and not leaked
            # 200 is what the listing of runs and the like may say to "." and nothing else.
            tally.add(
                "tricks in paths and parameters",
                "right" if good else "lost",
                f"{path[:80]}: {answer[:200]!r}",
            )


def raw_get(service: Any, path: str) -> bytes:
    host, port = service.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=10.0) as connection:
        connection.sendall(
            f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\nAuthorization: Bearer {TOKEN}\r\n"
            "Connection: close\r\n\r\n".encode("latin-1", "replace")
        )
        answer = b""
        with contextlib.suppress(TimeoutError, ConnectionResetError):
            while data := connection.recv(65_536):
                answer += data
        return answer


def slow_bodies(service: Any) -> list[socket.socket]:
    """Begin requests whose bodies never come."""
    host, port = service.url.removeprefix("http://").split(":")
    head = (f"POST /v1/runs HTTP/1.1\r\nHost: {host}:{port}\r\nAuthorization: Bearer {TOKEN}\r\n"
            "Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{")  # fmt: skip
    connections = []
    for _ in range(10):
        connection = socket.create_connection((host, int(port)), timeout=30.0)
        connection.sendall(head.encode())
        connections.append(connection)
    return connections


def ended_slow(connections: list[socket.socket], tally: Tally) -> None:
    for connection in connections:
        with connection:
            try:
                answer = connection.recv(65_536)
            except (TimeoutError, ConnectionResetError):
                answer = b"nothing"
            good = answer.startswith((b"HTTP/1.1 408", b"HTTP/1.1 503")) or not answer
            tally.add("a body that never comes is given up", "right" if good else "lost", repr(answer[:100]))


def crowd(service: Any, connections: int, tally: Tally) -> None:
    """Open a thousand connections, some of which ask; then see that it answers."""
    host, port = service.url.removeprefix("http://").split(":")
    held = []
    for number in range(connections):
        try:
            connection = socket.create_connection((host, int(port)), timeout=5.0)
        except OSError:
            continue
        held.append(connection)
        if number % 3 == 0:
            with contextlib.suppress(OSError):
                connection.sendall(b"GET /v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    for connection in held:
        connection.close()
    until, answered = time.monotonic() + 30.0, False
    while not answered and time.monotonic() < until:
        with contextlib.suppress(Exception):
            answered = service.http.get("/v1/status").status_code == 200
        time.sleep(0.1)
    tally.add(
        f"{connections:,} connections at once",
        "right" if answered else "lost",
        "no answer within 30 s afterwards",
    )
    tally.note(f"{len(held)} of {connections} connections were open at once")


# hostile text from files


class Scripts(HTMLParser):
    """Counts what a browser would run."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, value in attrs if name.startswith("on") or "javascript:" in (value or "")]
        if tag == "script" or names:
            self.found.append(f"{tag} {names}")


def hostile_names(folder: Path, tally: Tally) -> None:
    """Analyse frames whose headers and names hold markup, and see what a browser would run of the report."""
    reports = {}
    for kind, name in (("plain", "plain"), ("hostile", SCRIPT)):
        reports[kind] = report_of(folder / kind, name)
    counts = {}
    for kind, text in reports.items():
        parser = Scripts()
        parser.feed(text)
        counts[kind] = parser.found
    shown = "&lt;script&gt;" in reports["hostile"] or "\\u003cscript" in reports["hostile"].lower()
    good = counts["plain"] == counts["hostile"] and SCRIPT not in reports["hostile"]
    tally.add("hostile names in the report run no script", "right" if good else "lost", str(counts))
    tally.note(f"the hostile name is {'shown, escaped' if shown else 'not shown'} in the report")


def report_of(folder: Path, name: str) -> str:
    """Return the report on a table of a rig and a filter of that name, with a bad row that holds it too."""
    from daemon.cli import run_command
    from daemon.rehearse import default_config

    folder.mkdir()
    default_config()  # the built-in one is what is changed here
    from importlib.resources import files

    text = (files("daemon") / "data" / "rehearsal.toml").read_text()
    config = folder / "rig.toml"
    quoted = json.dumps(name)
    config.write_text(
        text.replace('"Simulated 112 mm refractor"', quoted).replace('name = "R"', f"name = {quoted}")
    )
    rng, rows = np.random.default_rng(3), ["position_steps,filter,spike_error_px,time"]
    for branch, positions in ((0.0, range(5300, 4700, -40)), (80.0, range(4700, 5320, 40))):
        for position in positions:
            for label in ("L", name):
                place = position - branch if branch else position
                value = 0.05 * (max(place, 4700) - 5000.0) + rng.normal(0.0, 0.03)
                cell = '"' + label.replace('"', '""') + '"'
                rows.append(f"{position},{cell},{value:.4f},")
    rows.append(f'5000,"{name}",{SCRIPT},')
    table = folder / f"{re.sub('[^a-z<>]', '', name)[:40]}.csv"
    table.write_text("\n".join(rows))
    with contextlib.redirect_stdout(None), contextlib.redirect_stderr(None):
        run_command(["analyse", str(table), "--config", str(config), "--out", str(folder / "out")])
    return (folder / "out" / "report.html").read_text()
