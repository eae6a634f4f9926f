"""Every parser that meets the outside, fed damage and bombs: documented errors, bounded time and memory.

Samples that are sound are cut, spliced, repeated and salted at random; a piece that reaches lines of ours
which none before it reached is a sample from then on. A child process with a bound on its memory does the
parsing; each piece has a bound on its processor time. The service gets the same over HTTP.
"""

from __future__ import annotations

import contextlib
import io
import multiprocessing
import resource
import socket
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import numpy as np

from tests.campaigns.tally import Outcome, Tally

FULL, BRIEF = 20_000, 300
CPU_S = 2.0
MEMORY_BYTES = 768 * 1024 * 1024
OURS = tuple(str(Path(__file__).resolve().parents[2] / name) for name in ("daemon", "drivers", "routines"))
Parse = Callable[[bytes], bool]
"""Parses bytes: True when they were taken, False when refused by a documented error."""


@dataclass(frozen=True)
class Target:
    name: str
    parse: Parse
    samples: list[bytes]
    salt: tuple[bytes, ...]
    bombs: tuple[bytes, ...] = ()


def run(rounds: int, seed: int, tally: Tally) -> None:
    """Feed every parser so many pieces."""
    with tempfile.TemporaryDirectory() as folder:
        for make in (frames, tables, configs, descriptions, replies, requests, profiles):
            in_child(make, Path(folder), rounds, seed, tally)
    over_http(max(20, rounds // 10), seed, tally)


# the child


def in_child(make: Any, folder: Path, rounds: int, seed: int, tally: Tally) -> None:
    """Run one target in a process whose memory is bounded, and take over what it counted."""
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe()
    child = context.Process(target=fed, args=(make, folder, rounds, seed, theirs))
    child.start()
    theirs.close()
    try:
        while True:
            what, outcome, words = ours.recv()
            tally.add(what, outcome, words)
    except EOFError:
        child.join()
    ours.close()
    if child.exitcode != 0:
        tally.add(make.__name__, "lost", f"the parser's process ended with {child.exitcode}")


def fed(make: Any, folder: Path, rounds: int, seed: int, pipe: Any) -> None:
    target: Target = make(folder)
    rng = np.random.default_rng([seed, len(target.name)])
    limit_memory()
    for bomb in target.bombs:
        pipe.send((f"{target.name}: bombs", *judged(target.parse, bomb)))
    reach = Reach()
    for sample in target.samples:
        reach.watched(target.parse, sample)
    for _ in range(rounds):
        content = spoilt(rng, target)
        verdict, is_new = reach.watched(partial(judged, target.parse), content)
        if is_new:
            target.samples.append(content)
        pipe.send((target.name, *verdict))
    pipe.close()


class Reach:
    """Which lines of the project's own code have been run, and whether a piece has reached new ones."""

    def __init__(self) -> None:
        self._lines: set[tuple[CodeType, int]] = set()

    def watched(self, parse: Callable[[bytes], Any], content: bytes) -> tuple[Any, bool]:
        """Parse with an eye on the lines run; return what came of it, and whether any line is new."""
        before = len(self._lines)
        sys.settrace(self._called)
        try:
            result = parse(content)
        finally:
            sys.settrace(None)
        return result, len(self._lines) > before

    def _called(self, frame: FrameType, event: str, argument: Any) -> Any:
        return self._line if frame.f_code.co_filename.startswith(OURS) else None

    def _line(self, frame: FrameType, event: str, argument: Any) -> Any:
        if event == "line":
            self._lines.add((frame.f_code, frame.f_lineno))
        return self._line


def limit_memory() -> None:
    status = Path("/proc/self/status").read_text().splitlines()
    size = next(int(line.split()[1]) for line in status if line.startswith("VmSize")) * 1024
    resource.setrlimit(resource.RLIMIT_AS, (size + MEMORY_BYTES, size + MEMORY_BYTES))


def judged(parse: Parse, content: bytes) -> tuple[Outcome, str]:
    """Parse once; anything but a value or a documented error, in time, is lost."""
    began = time.process_time()
    try:
        outcome: Outcome = "right" if parse(content) else "told"
    except BaseException:
        return "lost", f"{traceback.format_exc(limit=-3)} from {content[:300]!r}"
    spent = time.process_time() - began
    return ("lost", f"{spent:.1f} s on {content[:100]!r}") if spent > CPU_S else (outcome, "")


def spoilt(rng: np.random.Generator, target: Target) -> bytes:
    """Return a sample with a few things done to it."""
    content = bytearray(target.samples[int(rng.integers(len(target.samples)))])
    for _ in range(int(rng.integers(1, 6))):
        place = int(rng.integers(0, len(content) + 1))
        end = min(len(content), place + int(rng.geometric(0.05)))
        kind = int(rng.integers(0, 6))
        if kind == 0:
            content[place:end] = rng.bytes(end - place)
        elif kind == 1:
            del content[place:end]
        elif kind == 2:
            content[place:place] = content[place:end] * int(rng.integers(1, 20))
        elif kind == 3:
            salt = target.salt[int(rng.integers(len(target.salt)))]
            content[place : place + len(salt) * int(rng.integers(0, 2))] = salt
        elif kind == 4:
            other = target.samples[int(rng.integers(len(target.samples)))]
            content[place:] = other[int(rng.integers(0, len(other) + 1)) :]
        else:
            del content[place:]
    return bytes(content[:200_000])


# the parsers


def from_file(folder: Path, name: str, read: Callable[[Path], Any], *errors: type[Exception]) -> Parse:
    def parse(content: bytes) -> bool:
        path = folder / name
        path.write_bytes(content)
        try:
            read(path)
        except errors:
            return False
        return True

    return parse


def frames(folder: Path) -> Target:
    from astropy.io import fits

    from drivers.frames import FrameUnreadable, read_frame, write_frame

    pixels = np.arange(1600, dtype=np.uint16).reshape(40, 40)
    samples = [write_frame(folder / "ours.fits", pixels, {"FILTER": "L", "DT-POS": 5}).read_bytes()]
    for data in (pixels.astype(np.float32), pixels.astype(np.int32), np.zeros((3, 8, 8), np.int16)):
        stream = io.BytesIO()
        fits.PrimaryHDU(data).writeto(stream)
        samples.append(stream.getvalue())
    stream = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(pixels)]).writeto(stream)
    samples.append(stream.getvalue())
    salt = (b"NAXIS1  =           99999999999", b"BITPIX  =                  -64", b"END".ljust(80),
            b"BSCALE  =                  NaN", b"CONTINUE  'x&'", b"\xff\x00")  # fmt: skip
    huge = samples[0].replace(b"NAXIS1  =                   40", b"NAXIS1  =           5000000000")
    endless = samples[0][:2000].rstrip() + b" " * 5_000_000
    zeros = fits.CompImageHDU(
        np.zeros((4000, 4000), np.int16), compression_type="GZIP_1", tile_shape=(4000, 4000)
    )
    stream = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), zeros]).writeto(stream)
    assert huge != samples[0]
    return Target(
        "FITS frames", from_file(folder, "x.fits", read_frame, FrameUnreadable), samples, salt,
        (huge, endless, stream.getvalue(), b"SIMPLE  =", b""),
    )  # fmt: skip


def tables(folder: Path) -> Target:
    from daemon.gathering import InputUnusable
    from daemon.rehearse import default_config
    from daemon.spike_table import read_spike_errors

    config = default_config()
    head = b"position_steps,filter,spike_error_px,time,temperature_c\n"
    rows = b"".join(b"%d,L,%d.25,2026-01-14T19:%02d:00,7.5\n" % (5000 + k, k, k) for k in range(40))
    salt = (b'"', b"\x00", b"nan", b"1e400", b",,,,", b"\r", b"\xef\xbb\xbf", b"-", b"L" * 5000)
    bombs = (head + b'"' + b"x" * 3_000_000, b"," * 2_000_000, head + b"1,L,2\n" * 300_000)
    read = from_file(folder, "x.csv", lambda path: read_spike_errors(path, config), InputUnusable)
    return Target("CSV of spike errors", read, [head + rows, rows], salt, bombs)


def configs(folder: Path) -> Target:
    from importlib.resources import files

    from daemon.config import ConfigErrors, load_config

    sample = (files("daemon") / "data" / "rehearsal.toml").read_bytes()
    salt = (
        b"[",
        b"]",
        b"=",
        b'"""',
        b"inf",
        b"nan",
        b"1_000",
        b"[[filter]]\n",
        b"\\u0000",
        b"2026-01-01",
        b"{}",
    )
    bombs = (
        b"a=" + b"[" * 100_000,
        b"a" + b".a" * 50_000 + b"=1",
        b"x = '" + b"y" * 3_000_000,
        b"[a]\n" * 100_000,
    )
    return Target(
        "configs (TOML)", from_file(folder, "x.toml", load_config, ConfigErrors), [sample], salt, bombs
    )


def descriptions(folder: Path) -> Target:
    from drivers import description
    from drivers.errors import DescriptionError

    samples = [(description.BUILT_IN / f"{name}.toml").read_bytes() for name in description.built_in_names()]
    salt = (
        b"{",
        b"}",
        b"{x:int:99999999}",
        b"{position:i32be}",
        b"=",
        b'base = "focuser_words"\n',
        b"[request.x]\n",
    )
    bombs = (b"a=" + b"[" * 100_000, b'base = "x.toml"\n', b'send = "' + b"{" * 500_000 + b'"')
    read = from_file(folder, "x.toml", description.load, DescriptionError)
    return Target("device descriptions (TOML)", read, samples, salt, bombs)


def replies(folder: Path) -> Target:
    from drivers import description
    from drivers.errors import Refused, ReplyInvalid
    from drivers.framing import BadFrame

    dialects = [description.load(name) for name in description.built_in_names()]

    def parse(content: bytes) -> bool:
        taken = False
        for dialect in dialects:
            rest = content
            for _ in range(len(content) + 1):
                try:
                    piece = dialect.framing.take(rest)
                except BadFrame as damage:
                    assert len(damage.rest) < len(rest)
                    rest = damage.rest
                    continue
                if piece is None:
                    break
                rest = piece.rest
                dialect.announcement(piece.body)
                for name in dialect.requests:
                    with contextlib.suppress(Refused, ReplyInvalid):
                        dialect.decode(name, piece.body)
                        taken = True
        return taken

    samples = [b"at 20000\r\ngoing 20100\r\nmotor still\r\nwarmth 7.4\r\nrefused limit\r\n",
               bytes.fromhex("A6 00 10 3E 0F A6 04 90 00 00 4E 20 31 77")]  # fmt: skip
    salt = (b"\r\n", b"\xa6", b"\xa9", b"at ", b"-", b"9" * 40, b"\x00", b"awake focuser\r\n")
    return Target("replies of devices", parse, samples, salt, (b"9" * 100_000 + b"\r\n", b"\xa6" * 20_000))


def requests(folder: Path) -> Target:
    from drivers import description
    from drivers.framing import BadFrame
    from drivers.served import ServedDialect

    served = [ServedDialect(description.load(name)) for name in description.built_in_names()]

    def parse(content: bytes) -> bool:
        understood = False
        for dialect in served:
            rest = content
            for _ in range(len(content) + 1):
                try:
                    piece = dialect.take(rest)
                except BadFrame as damage:
                    rest = damage.rest
                    continue
                if piece is None:
                    break
                rest = piece.rest
                understood |= dialect.decode(piece.body) is not None
        return understood

    samples = [b"go 20000\nwhere\nhalt\nslack 80\n", bytes.fromhex("A6 00 10 3E 0F A6 00 10 3E 0F")]
    salt = (b"\n", b"\xa6", b"go ", b"9" * 40, b"\x00", b"\r\n")
    return Target(
        "requests at the compensating port", parse, samples, salt, (b"go " + b"9" * 100_000 + b"\n",)
    )


def profiles(folder: Path) -> Target:
    from profile_cases import case_facts, case_fit

    from daemon.profile_store import ProfileDamaged, load_profile
    from routines.profile_build import build_profile

    sample = build_profile(case_fit(), case_facts()).to_json().encode()
    salt = (b"{", b"[", b"null", b"NaN", b"1e999", b'"\\ud800"', b"-", b'"schema": 1,')
    bombs = (
        b"[" * 100_000,
        b'{"a":' * 50_000,
        b'{"schema": "drawtube-profile/1", "rig": ' + b"9" * 100_000 + b"}",
    )
    return Target(
        "profiles (JSON)", from_file(folder, "x.json", load_profile, ProfileDamaged), [sample], salt, bombs
    )


# the same over HTTP


def over_http(rounds: int, seed: int, tally: Tally) -> None:
    """Send spoilt requests to a service; it answers each or hangs up, and is well in the end."""
    import test_service

    rng = np.random.default_rng([seed, 80])
    request = (b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
               b'Content-Length: 40\r\n\r\n{"routine": "nothing", "if_busy": "queue"}')  # fmt: skip
    target = Target(
        "HTTP requests", lambda content: True,
        [request, b"GET /v1/status HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", b"GET /v1/advice?filter=L\r\n\r\n"],
        (b"\r\n", b"%00", b"../", b"Content-Length: 99999999999\r\n", b"Transfer-Encoding: chunked\r\n"),
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        with test_service.serving(place, test_service.config_in(place)) as service:
            before = rss_kib(service.process.pid)
            for _ in range(rounds):
                spoken(service, spoilt(rng, target), tally)
            well = service.status()["state"] == "idle" and service.http.get("/v1/runs").json()["runs"] == []
            grown = rss_kib(service.process.pid) - before
            tally.add("HTTP: well and not grown afterwards", "right" if well and grown < 50_000 else "lost",
                      f"{service.status()}, grown by {grown} KiB")  # fmt: skip


def spoken(service: Any, content: bytes, tally: Tally) -> None:
    host, port = service.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=5.0) as connection:
        connection.sendall(content)
        connection.shutdown(socket.SHUT_WR)
        try:
            answer = b"".join(received(connection))
        except (TimeoutError, ConnectionResetError):
            answer = b""
    broken = answer.startswith(b"HTTP/1.1 5")
    tally.add("HTTP requests", "lost" if broken else "told" if b" 4" in answer[:13] else "right",
              f"{answer[:200]!r} to {content[:200]!r}")  # fmt: skip


def received(connection: socket.socket) -> Iterator[bytes]:
    while data := connection.recv(65_536):
        yield data


def rss_kib(pid: int) -> int:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
