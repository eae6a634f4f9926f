"""Waiting while a gate is shut or a person holds the run."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

from daemon.clock import Clock
from daemon.gates import Gates, Verdict
from daemon.live import GateView, Live
from daemon.performer import RunStopped
from routines.observations import Observation
from routines.steps import Failed

Glimpse = Callable[[], Observation | None]
"""Takes a look that is no part of the run, where only a look can tell whether the star is back."""

_LOOK_AGAIN_S = 1.0
_SLICE_S = 0.02
_BY_A_PERSON = "held by a person"


class Holding:
    """Keeps a run from its next step as long as there is a reason to.

    ``holds`` tells of every hold, those of the run's ``earlier`` lives included; ``keep`` writes them down.
    """

    def __init__(
        self,
        gates: Gates,
        clock: Clock,
        live: Live,
        stop: threading.Event,
        operator_holds: Callable[[], bool],
        glimpse_every_s: float = 30.0,
        earlier: Sequence[dict[str, Any]] = (),
        keep: Callable[[Sequence[dict[str, Any]]], None] = lambda holds: None,
    ) -> None:
        self._gates = gates
        self._clock = clock
        self._live = live
        self._stop = stop
        self._operator_holds = operator_holds
        self._glimpse_every_s = glimpse_every_s
        self._glimpsed_s: float | None = None
        self._going_on: set[str] = set()
        self._keep = keep
        self.holds: list[dict[str, Any]] = [_ended(one, clock) for one in earlier]

    def wait(self, glimpse: Glimpse | None) -> Failed | None:
        """Return None when the way is free, `Failed` when it stayed shut too long; raises `RunStopped`.

        Gates are watched before looks only, which bring a ``glimpse``.
        """
        held = False
        while True:
            if self._stop.is_set():
                raise RunStopped("stopped")
            reasons, failure, wants_look = self._reasons(watch_gates=glimpse is not None)
            if failure is not None or not reasons:
                self._show((), held)
                return failure
            if not held:
                self._live.tell("hold", reasons=list(reasons))
                self._glimpsed_s = self._clock.monotonic()
                self._write_down({"began": self._clock.now().isoformat(), "reasons": list(reasons)})
            held = True
            self._live.update(state="holding", shut=reasons, holds=tuple(self.holds))
            self._pause(reasons)
            if wants_look and glimpse is not None:
                self._look_up(glimpse)

    def _look_up(self, glimpse: Glimpse) -> None:
        """See whether the star is back, not more often than is useful."""
        now_s = self._clock.monotonic()
        if self._glimpsed_s is not None and now_s - self._glimpsed_s < self._glimpse_every_s:
            return
        seen = glimpse()
        self._glimpsed_s = self._clock.monotonic()
        if seen is not None:
            self._gates.note(seen)

    def _pause(self, reasons: tuple[str, ...]) -> None:
        """Let a moment pass, in slices, so that a stop is heard at once.

        A person thinks in real time: while only they hold the run, a simulated night must not race past.
        """
        if reasons == (_BY_A_PERSON,):
            self._stop.wait(_SLICE_S)
            self._clock.sleep(_SLICE_S)
            return
        left_s, slice_s = _LOOK_AGAIN_S, _SLICE_S
        while not self._stop.is_set() and left_s > 0.0:
            began_s = time.monotonic()
            self._clock.sleep(min(slice_s, left_s))
            left_s -= slice_s
            # A simulated night may run fast: then a longer slice is over as soon.
            if time.monotonic() - began_s < 0.75 * _SLICE_S:
                slice_s *= 2.0

    def _show(self, reasons: tuple[str, ...], held: bool) -> None:
        if held:
            self.holds[-1]["ended"] = self._clock.now().isoformat()
            self._keep(self.holds)
            self._live.update(state="running", shut=reasons, holds=tuple(self.holds))
            self._live.tell("resume")

    def _reasons(self, *, watch_gates: bool) -> tuple[tuple[str, ...], Failed | None, bool]:
        """Return why the run holds, why it ends, and whether a look could open a gate."""
        reasons = [_BY_A_PERSON] if self._operator_holds() else []
        now_s = self._clock.monotonic()
        verdicts = self._gates.judge(now_s) if watch_gates else ()
        if verdicts:
            self._live.update(gates=tuple(self._view(verdict, now_s) for verdict in verdicts))
        for verdict in verdicts:
            if verdict.open:
                self._say_once(verdict)
                continue
            reasons.append(verdict.reason)
            failure = _why_end(verdict, now_s)
            if failure is not None:
                return (), failure, False
        return tuple(reasons), None, any(one.wants_looks and not one.open for one in verdicts)

    def _say_once(self, verdict: Verdict) -> None:
        """Tell of a choice that a gate has made (going on instead of holding), without repeating it."""
        if not verdict.reason:
            self._going_on.discard(verdict.name)
        elif verdict.name not in self._going_on:
            self._going_on.add(verdict.name)
            self._live.tell("choice", gate=verdict.name, words=verdict.reason)
            self._write_down({"began": self._clock.now().isoformat(), "went_on": verdict.reason})

    def _write_down(self, hold: dict[str, Any]) -> None:
        self.holds.append(hold)
        self._keep(self.holds)

    def _view(self, verdict: Verdict, now_s: float) -> GateView:
        since = self._clock.now() - timedelta(seconds=now_s - verdict.since_s)
        return GateView(verdict.name, verdict.open, verdict.reason or verdict.note, since)


def _ended(hold: dict[str, Any], clock: Clock) -> dict[str, Any]:
    """Return a hold of an earlier life; one that a crash cut short ended with that life, by now at latest."""
    if "reasons" not in hold or "ended" in hold:
        return dict(hold)
    return hold | {"ended": clock.now().isoformat(), "restarted": True}


def _why_end(verdict: Verdict, now_s: float) -> Failed | None:
    """Return why a shut gate ends the run, None while it is worth waiting."""
    if verdict.ends is not None:
        return Failed(*verdict.ends)
    if now_s - verdict.since_s <= verdict.longest_hold_s:
        return None
    minutes = verdict.longest_hold_s / 60.0
    return Failed("held_too_long", f"{verdict.reason}; held for {minutes:.0f} min, the longest allowed")
