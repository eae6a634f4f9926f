"""The compensating port: speaks as the focuser does, and moves it so that the gears' play is taken up.

Any program that can drive the focuser connects here instead. What it asks for becomes overshoot-then-approach
by the profile; it reads positions as if the gears had no play, and finds the focuser busy until the last leg
is done. One thread listens, so that a halt goes out at once; one answers; a move has a thread of its own.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Mapping

import structlog

from daemon.port_move import PortMove
from daemon.port_rules import PortFocuser, PortRules
from drivers.device import quietly
from drivers.errors import DeviceError, LinkLost, Refused, Stopped
from drivers.framing import BadFrame
from drivers.served import Asked, Cause, ServedDialect
from drivers.templates import Value
from drivers.virtual_port import VirtualPort
from routines.compensation import OvershootHabit, Slack

SLICE_S = 0.02
LONGEST_BACKLOG = 4096
MOST_WARNINGS = 100
log = structlog.get_logger(__name__)


class CompensatingPort:
    """Serves one client on a virtual port; ``start`` it, and ``close`` it in the end.

    ``tell`` is given sentences for people: what was asked and done, and warnings.
    """

    def __init__(
        self, focuser: PortFocuser, port: VirtualPort, rules: PortRules, tell: Callable[[str], None]
    ) -> None:
        self.warnings: list[str] = []
        self._focuser, self._port, self._rules, self._tell = focuser, port, rules, tell
        self._dialect = focuser.device.dialect
        self._served = ServedDialect(self._dialect)
        self._slack = Slack(rules.approach, focuser.position_steps())
        self._lent: str | None = None
        self._last_place = self._slack.motor_steps
        self._habit = OvershootHabit()
        self._shift = 0
        self._move: PortMove | None = None
        self._mover: threading.Thread | None = None
        self._state = threading.RLock()
        self._writing = threading.Lock()
        self._requests: queue.Queue[Callable[[], None] | None] = queue.Queue(256)
        self._ended = threading.Event()
        self._threads = [
            threading.Thread(target=self._listen, name="port-listens"),
            threading.Thread(target=self._answer_all, name="port-answers"),
        ]

    @property
    def address(self) -> str:
        """Return where clients connect."""
        return self._port.address

    @property
    def busy(self) -> bool:
        """Tell whether a move is under way."""
        return self._move is not None

    def start(self) -> None:
        """Begin to serve."""
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Halt what moves, and serve no more; harmless a second time."""
        if self._ended.is_set():
            return
        self._ended.set()
        if self.busy:
            self._halt()
        self._requests.put(None)
        for thread in self._threads:
            if thread.is_alive():
                thread.join()
        if self.busy:
            self._halt()
        if self._mover is not None:
            self._mover.join()
        self._port.close()

    def lend(self, reason: str) -> None:
        """Let go of the focuser for a while: halt what moves, tell from memory, and refuse every move."""
        self._in_turn(lambda: self._lend(reason))

    def take_back(self, focuser: PortFocuser, rules: PortRules) -> None:
        """Serve again, with a focuser that has been opened anew and perhaps moved meanwhile."""
        self._in_turn(lambda: self._take_back(focuser, rules))

    def shift_again(self) -> None:
        """Go where the last asked place lies now that filter or temperature have changed; not while busy."""
        self._requests.put(self._shift_again)

    def _in_turn(self, action: Callable[[], None]) -> None:
        """Do something on the thread that answers, so that no request is in the middle of its answer."""
        done = threading.Event()

        def act() -> None:
            try:
                action()
            finally:
                done.set()

        self._requests.put(act)
        while self._threads[1].is_alive() and not done.wait(0.1):
            pass

    def _lend(self, reason: str) -> None:
        if self.busy:
            self._halt()
        if self._mover is not None:
            self._mover.join()
        quietly(self._place, "port_lends_without_a_position")
        self._lent = reason

    def _take_back(self, focuser: PortFocuser, rules: PortRules) -> None:
        count = focuser.position_steps()
        with self._state:
            self._focuser, self._rules = focuser, rules
            self._slack = Slack(rules.approach, count)
            self._lent = None

    # listening

    def _listen(self) -> None:
        buffer = b""
        while not self._ended.is_set():
            buffer = (buffer + self._port.wait(SLICE_S))[-LONGEST_BACKLOG:]
            while buffer:
                try:
                    piece = self._served.take(buffer)
                except BadFrame as damage:
                    buffer = damage.rest
                    continue
                if piece is None:
                    break
                buffer = piece.rest
                self._heard(piece.body)

    def _heard(self, body: bytes) -> None:
        """Sort one request: a halt is carried out here and now, all else is answered in turn."""
        if not body:
            return
        asked = self._served.decode(body)
        if self._dialect.line.echo:
            self._say(self._dialect.framing.wrap(body))
        if asked is not None and asked.name == "halt" and self._lent is None:
            self._halt()
            self._say_reply("halt", {})
            return
        try:
            self._requests.put_nowait(lambda: self._answer(asked, body))
        except queue.Full:
            log.warning("port_client_does_not_wait", address=self._port.address)

    def _halt(self) -> None:
        move = self._move
        if move is not None:
            move.stop.set()
        quietly(self._focuser.halt, "halt_through_port_failed")

    # answering

    def _answer_all(self) -> None:
        while (action := self._requests.get()) is not None:
            try:
                self._twice(action)
            except LinkLost as error:
                if self.busy:
                    continue  # whoever moves it comes back by itself
                self._warn(f"the focuser is gone: {error}")
                quietly(self._come_back, "port_reconnect_failed")
            except (DeviceError, ValueError) as error:
                # The client hears nothing, as from a device that does not answer.
                self._warn(f"a request was not answered: {error}")

    def _twice(self, action: Callable[[], None]) -> None:
        """Do something again that a halt overtook, or that found the motor moved unasked."""
        try:
            action()
        except LinkLost:
            raise
        except DeviceError as error:
            log.info("port_tries_again", error=str(error))
            action()

    def _come_back(self) -> None:
        self._focuser.recover()
        with self._state:
            self._slack.lost(self._focuser.count_now())
        self._warn("the focuser is back; if its power was lost, its counts may mean other places now")

    def _answer(self, asked: Asked | None, body: bytes) -> None:
        if asked is None:
            self._refuse(body, "unknown")
        elif self._lent is not None and asked.name not in ("move", "move_by", "position", "state", "range"):
            self._refuse(body, "busy")
        elif asked.name == "move":
            self._asked_to_move(asked, round(float(asked.values["position"])), body)
        elif asked.name == "move_by":
            self._asked_to_move(asked, self._place() + round(float(asked.values["steps"])), body)
        elif asked.name == "position":
            self._say_reply("position", {"position": self._place()})
        elif asked.name == "state":
            self._say_reply("state", {"state": self._condition()})
        elif asked.name == "range":
            limits = self._rules.limits
            self._say_reply("range", {"lowest": limits.lowest_steps, "highest": limits.highest_steps})
        elif self._dialect.requests[asked.name].is_query:
            self._pass_on(asked, body)
        else:
            self._asked_to_set(asked, body)

    def _pass_on(self, asked: Asked, body: bytes) -> None:
        """Answer a query by the device's own answer."""
        try:
            values = self._focuser.device.request(asked.name, asked.values)
        except Refused:
            self._refuse(body, "unknown")
        else:
            self._say_reply(asked.name, values)

    def _asked_to_set(self, asked: Asked, body: bytes) -> None:
        """Refuse a change of the controller's settings, but for the "off" that the port has set already."""
        query = self._dialect.requests.get(asked.name.removesuffix("_set"))
        off = None if query is None else query.off
        if off is not None and asked.values.get("setting") == off:
            self._say_reply(asked.name, asked.values)
            return
        self._warn(f"{asked.name!r} was refused: while the port is open, the settings are its own")
        self._refuse(body, "unknown")

    def _place(self) -> int:
        """Return the position as the client is to read it: the drawtube's, as if the gears had no play."""
        if self._lent is not None:
            return self._last_place
        with self._state:
            move = self._move
        if move is not None:
            return move.place_at(self._focuser.count_now())
        motor = self._focuser.position_steps()
        with self._state:
            if motor != self._slack.motor_steps:
                self._slack.moved(motor)
            self._last_place = round(self._slack.tube_steps) - self._shift
            return self._last_place

    def _condition(self) -> Value | None:
        if self.busy or self._lent is not None:
            return self._served.state_word("moving")
        return self._served.state_word("failed" if self._focuser.fault else "still")

    # moving

    def _asked_to_move(self, asked: Asked, place: int, body: bytes) -> None:
        refused = self._why_not(place)
        if refused is not None:
            cause, why = refused
            self._warn(f"the move to {place} was refused: {why}")
            self._refuse(body, cause)
            return
        at_the_end = self._dialect.motion.busy == "reply"
        self._begin(place, body if at_the_end else b"")
        if not at_the_end:
            self._say_reply(asked.name, asked.values)

    def _why_not(self, place: int) -> tuple[Cause, str] | None:
        """Return why a place may not be gone to now, None when it may."""
        reason = self._lent or self._rules.refused_because()
        if reason is not None:
            return "busy", reason
        if self.busy:
            return "busy", "the last move is not over yet"
        if self._focuser.fault is not None:
            return "busy", f"a fault awaits a person: {self._focuser.fault}"
        limits, hard = self._rules.limits, self._focuser.limits
        if not limits.lowest_steps <= place <= limits.highest_steps:
            allowed = f"{limits.lowest_steps} to {limits.highest_steps}"
            return "limit", f"it lies outside the port's limits {allowed}"
        self._place()  # brings the slack up to date
        for leg in self._slack.legs_to(place + self._rules.shift_steps()):
            if not hard.lowest_steps <= leg <= hard.highest_steps:
                allowed = f"{hard.lowest_steps} to {hard.highest_steps}"
                return "limit", f"its way over {leg} leaves the focuser's limits {allowed}"
        return None

    def _begin(self, place: int, body: bytes) -> None:
        """Start a move that has been found allowed; ``body`` is the request to be answered at its end."""
        here, shift = self._place(), self._rules.shift_steps()
        if self._mover is not None:
            self._mover.join()
        with self._state:
            legs = self._slack.legs_to(place + shift)
            move = PortMove(here, place, (self._slack.motor_steps, *legs), body)
            self._shift, self._move = shift, move
        overshoot = self._habit.began(place - here, time.monotonic())
        if overshoot is not None:
            self._warn(
                f"the client goes {overshoot} steps past its targets and back by itself: switch its own "
                "backlash compensation off, since this port does it already"
            )
        self._tell(f"asked for {place}: going {', then '.join(map(str, legs)) or 'nowhere, it is there'}")
        self._mover = threading.Thread(target=self._carry_out, args=(move,), name="port-moves")
        self._mover.start()

    def _shift_again(self) -> None:
        place = self._place()
        if self._rules.shift_steps() == self._shift:
            return
        refused = self._why_not(place)
        if refused is None:
            self._begin(place, b"")
        else:
            self._warn(f"filter or temperature changed, but nothing moves: {refused[1]}")

    def _carry_out(self, move: PortMove) -> None:
        try:
            for number, leg in enumerate(move.legs):
                move.leg = number
                reached = self._focuser.move_to(leg, move.stop)
                with self._state:
                    self._slack.moved(reached)
        except Stopped:
            self._after_early_end(f"halted on the way to {move.to_place}", self._slack.moved)
        except DeviceError as error:
            self._after_early_end(f"the move to {move.to_place} ended early: {error}", self._slack.lost)
        finally:
            self._habit.ended(time.monotonic())
            with self._state:
                self._move = None
        asked = self._served.decode(move.body) if move.body else None
        if asked is not None:
            self._say_reply(asked.name, asked.values)

    def _after_early_end(self, sentence: str, note: Callable[[int], None]) -> None:
        self._warn(sentence)
        try:
            count = self._focuser.count_now()
        except DeviceError as error:
            log.error("port_lost_the_position", error=str(error))
        else:
            with self._state:
                note(count)

    # saying

    def _say_reply(self, name: str, values: Mapping[str, Value | None]) -> None:
        self._say(self._served.reply(name, values))

    def _refuse(self, body: bytes, cause: Cause) -> None:
        answer = self._served.refusal(body, cause)
        if not answer:
            log.warning("port_cannot_refuse", why="the description has no [[refusal]]: no reply is sent")
        self._say(answer)

    def _say(self, data: bytes) -> None:
        if data:
            with self._writing:
                self._port.write(data)

    def _warn(self, sentence: str) -> None:
        with self._state:
            self.warnings = [*self.warnings, sentence][-MOST_WARNINGS:]
        self._tell(sentence)
