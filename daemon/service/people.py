"""What only a person or a command of their own can do: the mask, and what goes before and after a run.

Where no command is set a person is asked: the run shows as holding with the sentence, and `drawtube resume`
(or the page's button) says that it is done.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import structlog

from daemon.live import Live
from daemon.performer import Condition

if TYPE_CHECKING:
    from daemon.config import Config

_SLICE_S = 0.02
_TOLD_BYTES = 2000
_SENTENCES = {
    "mask_on": "Put the mask on and centre a bright star, then resume.",
    "mask_only": "Put the mask on; the star is centred. Then resume.",
    "mask_off": "Take the mask off, then resume.",
}
log = structlog.get_logger(__name__)


class HookFailed(Exception):
    """A command of the owner's did not do its work; the message holds its last words."""

    code = "hook"


class People:
    """Answers a run's conditions by a hook, by a person, or at once where the config says so."""

    def __init__(self, config: Config, live: Live) -> None:
        self._hooks = config.hooks
        self._live = live
        self._answered = threading.Event()
        self.asked: str | None = None

    def answer(self) -> bool:
        """Say that what was asked for is done; False when nothing is being asked."""
        if self.asked is None:
            return False
        self._answered.set()
        return True

    def conditions(self) -> Mapping[str, Condition]:
        """Return a way to meet each condition that a routine may await."""
        on = self._hooks.mask_on
        if self._hooks.mask == "stays_on":
            mask_on: Condition = _at_once
        else:
            mask_on = self._by_hook(on) if on is not None else self._by_person("mask_on", self._wording())
        off = self._hooks.mask_off
        return {
            "mask_on": mask_on,
            "mask_off": self._by_hook(off) if off is not None else self._by_person("mask_off"),
        }

    def _wording(self) -> str:
        return "mask_on" if self._hooks.point is None else "mask_only"

    def _by_hook(self, argv: Sequence[str]) -> Condition:
        def condition(at_most_s: float, stop: threading.Event) -> float | None:
            began = time.monotonic()
            try:
                run_hook(argv, min(at_most_s, self._hooks.within_s), stop)
            except HookFailed as error:
                log.error("hook_failed", error=str(error))
                self._live.tell("hook_failed", message=str(error))
                return None
            return time.monotonic() - began

        return condition

    def _by_person(self, name: str, wording: str | None = None) -> Condition:
        def condition(at_most_s: float, stop: threading.Event) -> float | None:
            self._answered.clear()
            self.asked = sentence = _SENTENCES[wording or name]
            self._live.update(state="holding", shut=(sentence,))
            self._live.tell(
                "asked",
                condition=name,
                sentence=sentence,
                at_most_s=at_most_s,
            )
            began = time.monotonic()
            try:
                while not self._answered.wait(_SLICE_S) and not stop.is_set():
                    if time.monotonic() - began > at_most_s:
                        return None
                return time.monotonic() - began
            finally:
                self.asked = None
                self._live.update(state="running", shut=())

        return condition


def _at_once(at_most_s: float, stop: threading.Event) -> float:
    return 0.0


def run_hook(
    argv: Sequence[str],
    within_s: float,
    stop: threading.Event | None = None,
    told: Mapping[str, str] | None = None,
) -> None:
    """Run a command without a shell and wait for it; HookFailed when it fails, is late, or is stopped.

    ``told`` is added to its environment.
    """
    try:
        process = subprocess.Popen(
            list(argv),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, **(told or {})},
        )
    except OSError as error:
        raise HookFailed(f"{list(argv)} does not start: {error}") from None
    said = bytearray()
    reader = threading.Thread(target=_drain, args=(process, said), name="hook output")
    reader.start()
    why = _why_ended(process, time.monotonic() + within_s, stop)
    _end_group(process)
    reader.join(2.0)
    if why is None and process.returncode == 0:
        return
    words = bytes(said[-_TOLD_BYTES:]).decode("utf-8", "replace").strip()
    reason = why or f"ended with exit code {process.returncode}"
    raise HookFailed(f"{list(argv)} {reason}" + (f": {words}" if words else ""))


def _why_ended(process: subprocess.Popen[bytes], until_s: float, stop: threading.Event | None) -> str | None:
    """Wait for the end; return why it was not waited for any longer, None when it ended by itself."""
    while process.poll() is None:
        if stop is not None and stop.is_set():
            return "was stopped"
        if time.monotonic() > until_s:
            return "did not end in time and was killed"
        time.sleep(_SLICE_S)
    return None


def _drain(process: subprocess.Popen[bytes], into: bytearray) -> None:
    """Keep the last words, and keep reading, so that a talkative command does not block."""
    assert process.stdout is not None
    with process.stdout as stream:
        while chunk := os.read(stream.fileno(), 4096):
            into += chunk
            del into[: -2 * _TOLD_BYTES]


def _end_group(process: subprocess.Popen[bytes]) -> None:
    """End what the command left running: politely, then for good."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        try:
            os.killpg(process.pid, number)
        except ProcessLookupError:
            break
        if process.poll() is not None:
            continue
        try:
            process.wait(0.5)
        except subprocess.TimeoutExpired:
            continue
    process.wait()
