"""Carrying out one step on the devices: the only place where a script's words become motion and light.

Whatever goes wrong becomes an answer (`Failed`), so that it is journaled and replayed like any other; only a
stop is raised, since it is no result. Positions become the controller's counts here and nowhere else.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from math import inf
from typing import Any

from daemon.clock import Clock
from daemon.exposures import Exposure, ExposureRule
from daemon.eyes import Eye, LookRequest, Sight, frames_of
from daemon.ledger import Ledger
from daemon.live import Live
from daemon.worker import JobAbandoned, WorkerError
from drivers import header
from drivers.errors import DeviceError, Stopped
from drivers.roles import FilterWheel, Focuser, Thermometer
from routines.convention import Outward, limits_to_science, to_counts, to_science
from routines.observations import Move, Observation
from routines.sense import checked, sense_of
from routines.steps import (
    Answer,
    Approach,
    Arrived,
    Await,
    Estimate,
    Estimated,
    Failed,
    Noted,
    Observe,
    Onward,
    Released,
    Remark,
    Seen,
    Selected,
    SelectFilter,
    Step,
    Travel,
    legs_of,
    parts_of,
)

GLIMPSES_FROM = 900_000
"""Glimpses while holding are numbered from here, so that no look of the run shares their noise or name."""

Ask = dict[str, Any]
# Looks, moves, the stop event, and what a script asks about where to look next (None: nothing).
Fitter = Callable[[Sequence[Observation], Sequence[Move], threading.Event, Ask | None], Estimated]
Condition = Callable[[float, threading.Event], float | None]


_SLICE_S = 0.5


class RunStopped(Exception):
    """Someone stopped the run; what moved has been halted."""


@dataclass(frozen=True, slots=True)
class Hands:
    """Everything a run acts with; limits are the controller's counts, ``exposures_s`` by filter.

    ``play_bound_steps`` is what the play surely stays under; ``foresee`` hears which filter comes next, while
    the wheel still turns. ``conditions`` answer `Await`: each waits for
    its condition, at most so many seconds, and returns how long it took, or None when it never came.
    """

    focuser: Focuser
    wheel: FilterWheel | None
    thermometer: Thermometer | None
    eye: Eye
    fitter: Fitter
    clock: Clock
    outward: Outward
    limits_counts: tuple[float, float]
    exposures_s: Mapping[str, float]
    conditions: Mapping[str, Condition] = field(default_factory=dict)
    tolerance_steps: float = 1.0
    exposures: ExposureRule | None = None
    play_bound_steps: float = inf
    foresee: Callable[[str], None] = lambda filter_name: None


class Performer:
    """Carries out steps one at a time for one run."""

    def __init__(self, hands: Hands, ledger: Ledger, live: Live, stop: threading.Event) -> None:
        self._hands = hands
        self._ledger = ledger
        self._live = live
        self._stop = stop
        self._glimpses = 0

    def carry_out(self, step: Step, held: Callable[[], object] = lambda: None) -> Answer:
        """Do a step and return its answer; raises `RunStopped` alone.

        ``held`` waits while a person holds the run: before what a look does next, too, nothing moves then.
        """
        try:
            return self._observe(step, held) if isinstance(step, Observe) else self._do(step)
        except (Stopped, JobAbandoned) as stopped:
            raise RunStopped(str(stopped)) from stopped
        except (DeviceError, WorkerError) as error:
            if self._stop.is_set():
                raise RunStopped(str(error)) from error
            return Failed(error.code, str(error))

    def halt(self) -> None:
        """Stop whatever moves; a device that is gone cannot be told, and is not asked twice."""
        with contextlib.suppress(DeviceError):
            self._hands.focuser.halt()
        if self._hands.wheel is not None:
            with contextlib.suppress(DeviceError):
                self._hands.wheel.halt()

    def restore(self, *, pending: Step | None) -> None:
        """Bring filter and slack back to where the journal ends; raises DeviceError or `RunStopped`.

        Only a motion that may have been cut short (also one meanwhile a look was measured), or a focuser that
        stands elsewhere than it was left, makes the slack uncertain; then the pass is made again from its
        entry.
        """
        ledger = self._ledger
        try:
            if ledger.filter is not None and self._hands.wheel is not None:
                self._hands.wheel.select(ledger.filter, self._stop)
            if isinstance(pending, Approach) or not ledger.course:
                return
            moving = pending is not None and any(legs_of(part) for part in parts_of(pending))
            if moving or self._strayed():
                for motion in ledger.to_restore():
                    self._go(legs_of(motion))
        except Stopped as stopped:
            raise RunStopped(str(stopped)) from stopped

    def _strayed(self) -> bool:
        left_at = self._ledger.position_steps
        return left_at is not None and abs(self._read_position() - left_at) > self._hands.tolerance_steps

    def _do(self, step: Step) -> Answer:
        if isinstance(step, (Travel, Approach)):
            return self._move(step)
        if isinstance(step, SelectFilter):
            return self._select(step)
        if isinstance(step, Estimate):
            return self._hands.fitter(self._ledger.observations, self._ledger.moves, self._stop, step.ask)
        if isinstance(step, Await):
            return self._await(step)
        assert isinstance(step, Remark)
        return self._remark(step)

    def _read_position(self) -> float:
        return to_science(self._hands.focuser.position_steps(), self._hands.outward)

    def _move(self, step: Travel | Approach) -> Answer:
        refusal = self._outside_limits(step)
        if refusal is not None:
            return refusal
        if self._ledger.position_steps is None:
            self._ledger.position_steps = self._read_position()
        arrived: Arrived = self._ledger.arrival(step, self._go(legs_of(step)))
        return arrived

    def _outside_limits(self, step: Travel | Approach) -> Failed | None:
        """Check every leg before the first one moves."""
        low, high = limits_to_science(*self._hands.limits_counts, self._hands.outward)
        beyond = [leg for leg in legs_of(step) if not low <= leg <= high]
        if not beyond:
            return None
        return Failed(
            "outside_limits",
            f"going to {step.position_steps:.0f} steps (counted outward) passes {beyond[0]:.0f}, outside the "
            f"soft limits {low:.0f} to {high:.0f}; nothing was moved",
        )

    def _go(self, legs: Sequence[float]) -> float:
        """Make absolute moves one after the other and return the position read back after the last."""
        hands = self._hands
        for leg in legs:
            hands.focuser.move_to(to_counts(leg, hands.outward), self._stop)
        counts = hands.focuser.position_steps()
        self._live.update(position_counts=counts)
        return to_science(counts, hands.outward)

    def _select(self, step: SelectFilter) -> Answer:
        self._hands.foresee(step.filter)
        if self._hands.wheel is not None:
            self._hands.wheel.select(step.filter, self._stop)
        elif step.filter not in self._hands.exposures_s:
            return Failed(
                "unknown_filter", f"there is no wheel, and the config has no filter {step.filter!r}"
            )
        self._live.update(filter=step.filter)
        return Selected(step.filter)

    def _observe(self, step: Observe, held: Callable[[], object]) -> Answer:
        ledger = self._ledger
        if ledger.filter != step.filter:
            return Failed("wrong_filter", f"asked to look in {step.filter}, but {ledger.filter} is in place")
        if ledger.position_steps is None:
            ledger.position_steps = self._read_position()
        request, began = self._request(step, len(ledger.observations)), self._hands.clock.now()
        reading = self._hands.eye.take(request, self._stop)
        if self._strayed():
            return Failed(
                "motion_fault",
                f"the focuser was left at {ledger.position_steps:.0f} steps (counted outward) and stands at "
                f"{self._read_position():.0f} after the exposure: it moved without being asked to. The look "
                "was not taken down.",
            )
        if not step.then:
            return Seen(self._observation(step, request, reading(), began))
        # The frame is measured in another process: the rig need not wait for that.
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="reading") as reader:
            sight = reader.submit(reading)
            then = self._gone_on(step.then, held)
            return Seen(self._observation(step, request, sight.result(), began), then)

    def _gone_on(self, onward: Sequence[Onward], held: Callable[[], object]) -> tuple[Answer, ...]:
        """Do what comes after a look that is not answered yet, up to the first failure."""
        ahead, answers = Performer(self._hands, self._ledger.copy(), self._live, self._stop), []
        for step in onward:
            held()
            answers.append(ahead.carry_out(step))
            if isinstance(answers[-1], Failed):
                break
            ahead._ledger.note(step, answers[-1])
        return tuple(answers)

    def glimpse(self, step: Observe) -> Observation | None:
        """Take a look that is no part of the run, to see whether the star is back; None when it fails."""
        ledger = self._ledger
        if ledger.filter != step.filter or ledger.position_steps is None:
            return None
        self._glimpses += 1
        request = replace(self._request(step, GLIMPSES_FROM + self._glimpses), aside=True)
        began = self._hands.clock.now()
        try:
            sight = self._hands.eye.take(request, self._stop)()
        except (Stopped, JobAbandoned) as stopped:
            raise RunStopped(str(stopped)) from stopped
        except (DeviceError, WorkerError):
            return None
        return self._observation(step, request, sight, began)

    def _request(self, step: Observe, number: int) -> LookRequest:
        ledger, hands = self._ledger, self._hands
        assert ledger.position_steps is not None
        exposure = self._exposure(step)
        return LookRequest(
            number=number,
            filter=step.filter,
            exposure_s=exposure.in_all_s,
            method=step.method,
            position_counts=to_counts(ledger.position_steps, hands.outward),
            temperature_c=self._temperature(),
            earlier=frames_of(ledger.observations),
            frames=exposure.frames,
            words=self._words(step),
        )

    def _words(self, step: Observe) -> dict[str, float | bool]:
        """Return what a frame's header should tell of how its place was reached."""
        ledger = self._ledger
        words: dict[str, float | bool] = {
            header.OWN_PASS: ledger.pass_id if step.pass_id is None else step.pass_id
        }
        if ledger.side:
            words |= {header.OWN_SIDE: ledger.side, header.OWN_TRAVEL: ledger.travel_steps}
        return words | ({header.OWN_MARKER: True} if step.marker else {})

    def _exposure(self, step: Observe) -> Exposure:
        hands = self._hands
        if step.exposure_s:
            return Exposure(step.exposure_s)
        if hands.exposures is None:
            return Exposure(hands.exposures_s[step.filter])
        return hands.exposures.choose(step.filter, step.method, self._ledger.observations)

    def _observation(self, step: Observe, request: LookRequest, sight: Sight, began: datetime) -> Observation:
        ledger = self._ledger
        assert ledger.position_steps is not None
        middle = sight.time or began + timedelta(seconds=request.exposure_s / 2.0)
        seen = Observation(
            number=request.number,
            filter=request.filter,
            position_steps=ledger.position_steps,
            method=request.method,
            value_px=sight.value_px,
            u_px=sight.u_px,
            side=ledger.side,
            travel_since_reversal_steps=ledger.travel_steps if ledger.side else None,
            temperature_c=request.temperature_c,
            time_s=middle.timestamp(),
            exposure_s=request.exposure_s,
            signal_electrons=sight.signal_electrons,
            pass_id=ledger.pass_id if step.pass_id is None else step.pass_id,
            marker=step.marker,
            path=sight.path,
            flags=sight.flags,
            blur_px=sight.blur_px,
            peak_share=sight.peak_share,
            frames=request.frames,
        )
        return checked(seen, sense_of((*ledger.observations, seen), self._hands.play_bound_steps))

    def _temperature(self) -> float | None:
        """Return the latest temperature; a thermometer that fails leaves it unknown (its gate decides)."""
        if self._hands.thermometer is None:
            return None
        try:
            reading = self._hands.thermometer.read()
        except DeviceError:
            return None
        self._live.update(temperature_c=reading.value_c)
        return reading.value_c

    def _await(self, step: Await) -> Answer:
        if step.condition == "time":
            return self._let_pass(step.at_most_s)
        condition = self._hands.conditions.get(step.condition)
        if condition is None:
            return Failed(step.condition, f"nothing and nobody is set up to answer {step.condition!r}")
        waited_s = condition(step.at_most_s, self._stop)
        if self._stop.is_set():
            raise RunStopped(f"stopped while waiting for {step.condition}")
        if waited_s is None:
            return Failed(step.condition, f"{step.condition!r} did not come within {step.at_most_s:.0f} s")
        return Released(waited_s)

    def _let_pass(self, seconds: float) -> Answer:
        """Wait on the run's own clock, in slices short enough for a stop."""
        clock = self._hands.clock
        until = clock.monotonic() + seconds
        while (left := until - clock.monotonic()) > 0.0:
            if self._stop.is_set():
                raise RunStopped("stopped while waiting for time to pass")
            clock.sleep(min(left, _SLICE_S))
        return Released(seconds)

    def _remark(self, step: Remark) -> Answer:
        self._live.update(fraction=step.fraction, sentence=step.sentence)
        self._live.tell("remark", fraction=step.fraction, sentence=step.sentence)
        return Noted()
