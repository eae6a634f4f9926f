"""A serial focuser, from a description. A move is over only when the read-back is in place and steady.

Everything that goes wrong, and every way out of a move, halts the motor first. Positions are the
controller's own counts; what they mean at the sensor is the daemon's business.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

import structlog

from drivers import controller_facts, description
from drivers.device import RECONNECT_WITHIN_S, Device, quietly
from drivers.dialect import Condition, Dialect
from drivers.errors import LinkLost, MotionFault, ReplyInvalid, ReplyLate, Stopped
from drivers.motion import MoveRules, MoveWatch
from drivers.roles import Clock, Compensation, Limits, NeverStop, StopSignal
from drivers.templates import Value

SLICE_S = 0.02
LEG_S = 0.5
HALT_TRIES = 3
HALT_WITHIN_S = 1.5
MOVE_TRIES = 3
LINK_WAS_LOST = "the link was lost; power may have been too"
log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Interrupts:
    """Counts what may end a move from outside: halts from another thread, resets of the controller."""

    halts: int = 0
    resets: int = 0


@dataclass(frozen=True, slots=True)
class _Guard:
    """Ends one move when the stop signal comes or an interrupt has been counted since it began."""

    device: str
    stop: StopSignal
    interrupts: _Interrupts
    at_start: _Interrupts

    def check(self) -> None:
        """Raise Stopped or MotionFault when the move must end."""
        if self.stop.is_set() or self.interrupts.halts != self.at_start.halts:
            raise Stopped(f"{self.device}: stopped")
        if self.interrupts.resets != self.at_start.resets:
            raise MotionFault(f"{self.device}: the controller was reset in mid-move; its zero is lost")


class SerialFocuser:
    """A focuser that speaks a described dialect.

    ``distrust`` says why the position zero may be lost, None while it is trusted; ``fault`` says what a
    person must look at before the next move, None while all is well.
    """

    def __init__(
        self,
        dialect: Dialect,
        url: str,
        limits: Limits,
        *,
        clock: Clock,
        tolerance_steps: int = 0,
        name: str = "focuser",
        reconnect_within_s: float = RECONNECT_WITHIN_S,
    ) -> None:
        self.limits = limits
        self.compensation = Compensation()
        self.distrust: str | None = None
        self.fault: str | None = None
        self.speed_steps_per_s = dialect.motion.speed_steps_per_s or 0.0
        self._device = Device(dialect, url, name=name, on_reset=self._heard_reset)
        self._clock = clock
        self._tolerance_steps = tolerance_steps
        self._reconnect_within_s = reconnect_within_s
        self._settled_steps: int | None = None
        self._moving = False
        self._interrupts = _Interrupts()
        self._hears = dialect.motion.hears_while_moving
        self._suspended: dict[str, Value] = {}

    @classmethod
    def connect(cls, source: str | Path, url: str, limits: Limits, *, clock: Clock,
                tolerance_steps: int = 0, name: str = "focuser") -> SerialFocuser:  # fmt: skip
        """Return a connected focuser, from a built-in description's name or a file."""
        focuser = cls(description.load(source), url, limits, clock=clock, tolerance_steps=tolerance_steps,
                      name=name)  # fmt: skip
        focuser.open()
        return focuser

    @property
    def device(self) -> Device:
        """Return the described device, for tools that send single requests or show the wire."""
        return self._device

    @property
    def clock(self) -> Clock:
        """Return the clock that paces its moves."""
        return self._clock

    def open(self) -> None:
        """Connect, identify, and read range, speed and the controller's own compensation."""
        self._device.connect()
        self._read_facts()
        if self._device.dialect.line.boot_delay_s and self.distrust is None:
            self.distrust = "opening the port may have reset the controller"

    def close(self) -> None:
        """Let go of the line; a motor left turning by this program is halted first."""
        if self._moving:
            quietly(self.halt, "halt_on_close_failed")
        self._device.close()

    def recover(self, stop: StopSignal | None = None) -> None:
        """Reconnect after a lost link, halt whatever still turns, and distrust the position from then on."""
        self.distrust = LINK_WAS_LOST
        self._device.reconnect(self._reconnect_within_s, stop)
        self._settled_steps = None
        self._halt_and_wait()
        self._read_facts()

    def trust_position(self) -> None:
        """Declare the position zero good again: a person or a fresh calibration vouches for it."""
        self.distrust, self._settled_steps = None, None

    def clear_fault(self) -> None:
        """Allow moves again after a person has looked at the mechanics."""
        self.fault, self._settled_steps = None, None

    def temperature_c(self) -> float | None:
        """Return the focuser's own temperature reading, None when it has no probe."""
        if not self._device.knows("temperature"):
            return None
        return self._device.number("temperature", "temperature")

    def position_steps(self) -> int:
        """Return the present count; MotionFault when it has changed unasked since the last move."""
        return self._read_position() if self._moving else self._standing_position()

    def count_now(self) -> int:
        """Return the count as it is read just now, from any thread, in mid-move too, without judging it."""
        return self._read_position()

    def halt(self) -> None:
        """Stop the motor now; from any thread, ahead of whatever is being asked."""
        self._interrupts.halts += 1
        self._device.interject_halt()

    def move_to(self, target_steps: int, stop: StopSignal | None = None) -> int:
        """Move to an absolute count, wait until it is reached and steady, and return the count read back.

        Raises LimitExceeded (nothing moved), Stopped, MotionFault, Refused, LinkLost or ReplyLate; in every
        case the motor has been halted, as far as the line allowed.
        """
        self._check_allowed(target_steps)
        guard = _Guard(self._device.name, stop or NeverStop(), self._interrupts, replace(self._interrupts))
        self._moving = True
        try:
            guard.check()
            if self._settled_steps is None:
                self._halt_what_turns()
            position = self._standing_position()
            self._command_if_known("energise")
            for leg in self._legs(position, target_steps):
                position = self._leg(position, leg, guard)
            self._settled_steps = position
            self._command_if_known("release")
        except LinkLost as error:
            self._after_lost_link(error, guard.stop)
        except BaseException as error:
            self._end_badly(error)
            raise
        finally:
            self._moving = False
        return position

    def suspend_compensation(self) -> None:
        """Switch the controller's own compensations off, remembering what they were."""
        self._suspended |= controller_facts.switch_off_compensation(self._device)
        self.compensation = controller_facts.read_compensation(self._device)

    def restore_compensation(self) -> None:
        """Put back what ``suspend_compensation`` switched off."""
        controller_facts.restore_compensation(self._device, self._suspended)
        self._suspended = {}
        self.compensation = controller_facts.read_compensation(self._device)

    def _check_allowed(self, target_steps: int) -> None:
        self.limits.check(target_steps, self._device.name)
        if self.fault is not None:
            raise MotionFault(
                f"{self._device.name}: not moved, an earlier fault awaits a person: {self.fault}"
            )

    def _command_if_known(self, name: str) -> None:
        """Raise or lower the holding current around a move, where the description says how.

        After a move that went wrong it stays raised: a load may hang on it.
        """
        if self._device.knows(name):
            self._device.request(name)

    def _legs(self, start_steps: int, target_steps: int) -> list[int]:
        """Return the absolute targets of a move: one, or many short ones for a motor deaf while it turns."""
        if self._hears:
            return [target_steps]
        stride = max(1, int(self.speed_steps_per_s * LEG_S))
        sign = 1 if target_steps >= start_steps else -1
        return [*range(start_steps + sign * stride, target_steps, sign * stride), target_steps]

    def _leg(self, start_steps: int, target_steps: int, guard: _Guard) -> int:
        """Command one absolute move and follow it until it is over."""
        rules = self._rules()
        begun = self._clock.monotonic()
        self._command(start_steps, target_steps, guard)
        if not self._hears:
            self._pause(rules.expected_s(target_steps - start_steps), guard)
        watch = MoveWatch(start_steps, target_steps, begun, rules)
        position = start_steps
        while True:
            guard.check()
            reading = self._poll(guard)
            if reading is not None:
                position, condition, words = reading
                verdict = watch.feed(self._clock.monotonic(), position, condition, words)
                if verdict == "arrived":
                    return position
                if verdict == "fault":
                    raise MotionFault(f"{self._device.name}: {watch.fault}")
            elif self._clock.monotonic() - begun > rules.deadline_s(target_steps - start_steps):
                raise MotionFault(f"{self._device.name}: nothing heard of the move to {target_steps} steps")
            self._pause(watch.pause_s(position), guard)

    def _poll(self, guard: _Guard) -> tuple[int, Condition | None, str] | None:
        """Return a reading, the state first so that "still" is not older than the count; None while deaf."""
        try:
            condition = self._device.condition(guard.stop)
            position = self._read_position(guard.stop)
        except (ReplyLate, ReplyInvalid):
            if self._hears:
                raise
            return None
        return (position, None, "") if condition is None else (position, *condition)

    def _command(self, start_steps: int, target_steps: int, guard: _Guard) -> None:
        """Send the move until it is acknowledged; a try whose acknowledgement is damaged is halted first.

        The motor may have been sent elsewhere: where it strayed off the straight way, the slack in the gears
        is no longer what the caller believes, and the error is raised.
        """
        for left in range(MOVE_TRIES - 1, -1, -1):
            try:
                self._send_move(start_steps, target_steps, guard)
            except (ReplyLate, ReplyInvalid) as error:
                log.warning("move_not_acknowledged", device=self._device.name, error=str(error))
                self._halt_and_wait()
                position = self._read_steady()
                on_the_way = min(start_steps, target_steps) <= position <= max(start_steps, target_steps)
                start_steps = position
                guard.check()
                if not left or not on_the_way:
                    raise
            else:
                return

    def _send_move(self, start_steps: int, target_steps: int, guard: _Guard) -> None:
        motion, distance = self._device.dialect.motion, target_steps - start_steps
        within = self._rules().deadline_s(distance) if motion.busy == "reply" else None
        if motion.absolute:
            self._device.request("move", {"position": target_steps}, within_s=within, stop=guard.stop)
        elif distance:
            self._device.request("move_by", {"steps": distance}, within_s=within, stop=guard.stop)

    def _pause(self, seconds: float, guard: _Guard) -> None:
        """Let time pass on the pacing clock, in slices, so that a stop is noticed at once."""
        until = self._clock.monotonic() + seconds
        while (left := until - self._clock.monotonic()) > 0:
            guard.check()
            self._clock.sleep(min(SLICE_S, left))
        guard.check()

    def _read_position(self, stop: StopSignal | None = None) -> int:
        return self._whole(self._device.position(stop=stop))

    def _read_steady(self) -> int:
        return self._whole(self._device.position(sure=True))

    def _whole(self, value: Value | None) -> int:
        if value is None or isinstance(value, str):
            raise ReplyInvalid(f"{self._device.name}: the position reads {value!r}")
        return round(value)

    def _standing_position(self) -> int:
        """Return the count of a motor at rest; MotionFault when it is not where it was left."""
        position, settled = self._read_steady(), self._settled_steps
        if settled is None or abs(position - settled) <= self._tolerance_steps:
            return position
        if self.compensation.temperature:
            self._settled_steps = position
            return position
        cause = "after a reset" if self._interrupts.resets else "without being asked to"
        error = MotionFault(f"{self._device.name}: went from {settled} to {position} steps {cause}")
        self._end_badly(error)
        raise error

    def _rules(self) -> MoveRules:
        speed = self.speed_steps_per_s
        return MoveRules(
            speed_steps_per_s=speed,
            tolerance_steps=self._tolerance_steps,
            allowance_steps=self.compensation.backlash_steps or 0,
            settle_s=self._device.dialect.motion.settle_s,
            stall_s=max(2.0, 5.0 / speed),
        )

    def _end_badly(self, error: BaseException) -> None:
        """Halt, and remember a fault that needs a person."""
        if isinstance(error, MotionFault):
            self.fault = str(error)
        if isinstance(quietly(self._halt_and_wait, "halt_after_error_failed"), LinkLost):
            self.distrust = LINK_WAS_LOST
        self._settled_steps = None

    def _after_lost_link(self, error: LinkLost, stop: StopSignal) -> NoReturn:
        """Try to come back and halt the motor, then report the loss either way."""
        log.error("link_lost_in_mid_move", device=self._device.name, error=str(error))
        failure = quietly(lambda: self.recover(stop), "reconnect_failed")
        ending = (
            "the link is back and the motor was halted; its position is no longer trusted"
            if failure is None
            else "the motor could not be halted: it may run on to its target"
        )
        raise LinkLost(f"{error}\n{ending}") from error

    def _halt_what_turns(self) -> None:
        """Halt a motor found turning before our first move: a program that was killed had sent it off."""
        if not self._hears:
            self._clock.sleep(2 * LEG_S)  # its legs are short, and it answers nothing before their end
        condition, before = self._device.condition(), self._read_steady()
        if condition is None:
            self._clock.sleep(5 * SLICE_S)
            turns = self._read_steady() != before
        else:
            turns = condition[0] == "moving"
        if turns:
            log.warning("found_turning", device=self._device.name, position_steps=before)
            self._halt_and_wait()

    def _halt_and_wait(self) -> None:
        """Halt and see that the motor stands; MotionFault when it does not obey or does not answer."""
        rests = None
        for _ in range(HALT_TRIES):
            self._device.interject_halt()
            rests = self._comes_to_rest()
            if rests:
                return
        what = "does not answer after the halt" if rests is None else "ignores the halt"
        self.fault = f"{self._device.name}: the motor {what}: cut its power now"
        raise MotionFault(self.fault)

    def _comes_to_rest(self) -> bool | None:
        """Tell whether the motor stands, by two equal readings; None when it cannot be asked."""
        until, previous, failures = self._clock.monotonic() + HALT_WITHIN_S, None, 0
        while self._clock.monotonic() < until:
            try:
                condition, position = self._device.condition(), self._read_position()
            except (ReplyLate, ReplyInvalid):
                failures += 1
                if failures == 2:
                    return None
                continue
            except Stopped:
                continue
            if position == previous and (condition is None or condition[0] != "moving"):
                return True
            previous = position
            self._clock.sleep(5 * SLICE_S)
        return False

    def _read_facts(self) -> None:
        controller_facts.check_range(self._device, self.limits)
        self.speed_steps_per_s = controller_facts.read_speed(self._device)
        self.compensation = controller_facts.read_compensation(self._device)
        if self.compensation.active:
            log.warning("controller_compensates", device=self._device.name, compensation=self.compensation)

    def _heard_reset(self) -> None:
        self._interrupts.resets += 1
        self.distrust = "the controller says it was reset"
