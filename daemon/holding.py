"""Waiting while a gate is shut or a person holds the run."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta

from daemon.clock import Clock
from daemon.gates import Gates, Verdict
from daemon.live import GateView, Live
from daemon.performer import RunStopped
from routines.steps import Failed

_LOOK_AGAIN_S = 1.0
_SLICE_S = 0.02
_BY_A_PERSON = "held by a person"


class Holding:
    """Keeps a run from its next step as long as there is a reason to."""

    def __init__(
        self,
        gates: Gates,
        clock: Clock,
        live: Live,
        stop: threading.Event,
        operator_holds: Callable[[], bool],
    ) -> None:
        self._gates = gates
        self._clock = clock
        self._live = live
        self._stop = stop
        self._operator_holds = operator_holds

    def wait(self, *, watch_gates: bool) -> Failed | None:
        """Return None when the way is free, `Failed` when it stayed shut too long; raises `RunStopped`."""
        held = False
        while True:
            if self._stop.is_set():
                raise RunStopped("stopped")
            reasons, failure = self._reasons(watch_gates)
            if failure is not None or not reasons:
                self._show((), held)
                return failure
            if not held:
                self._live.tell("hold", reasons=list(reasons))
            held = True
            self._live.update(state="holding", shut=reasons)
            self._pause(reasons)

    def _pause(self, reasons: tuple[str, ...]) -> None:
        """Let a moment pass, in slices, so that a stop is heard at once.

        A person thinks in real time: while only they hold the run, a simulated night must not race past.
        """
        if reasons == (_BY_A_PERSON,):
            self._stop.wait(_SLICE_S)
            self._clock.sleep(_SLICE_S)
            return
        until = self._clock.monotonic() + _LOOK_AGAIN_S
        while not self._stop.is_set() and self._clock.monotonic() < until:
            self._clock.sleep(_SLICE_S)

    def _show(self, reasons: tuple[str, ...], held: bool) -> None:
        if held:
            self._live.update(state="running", shut=reasons)
            self._live.tell("resume")

    def _reasons(self, watch_gates: bool) -> tuple[tuple[str, ...], Failed | None]:
        reasons = [_BY_A_PERSON] if self._operator_holds() else []
        now_s = self._clock.monotonic()
        verdicts = self._gates.judge(now_s) if watch_gates else ()
        if verdicts:
            self._live.update(gates=tuple(self._view(verdict, now_s) for verdict in verdicts))
        for verdict in verdicts:
            if verdict.open:
                continue
            reasons.append(verdict.reason)
            if now_s - verdict.since_s > verdict.longest_hold_s:
                minutes = verdict.longest_hold_s / 60.0
                return (), Failed(
                    "held_too_long", f"{verdict.reason}; held for {minutes:.0f} min, the longest allowed"
                )
        return tuple(reasons), None

    def _view(self, verdict: Verdict, now_s: float) -> GateView:
        since = self._clock.now() - timedelta(seconds=now_s - verdict.since_s)
        return GateView(verdict.name, verdict.open, verdict.reason, since)
