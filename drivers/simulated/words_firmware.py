"""The controllers' firmware for the words protocol, written from its manual: one line in, one line out."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Protocol

from drivers.simulated.controllers import MOST_TAKE_UP, FocuserController, Refused, WheelController

LONGEST_LINE = 64
VERSION = "3.2"
_INTEGER = re.compile(rb"-?(?:0|[1-9][0-9]*)\Z")


class WordsDevice(Protocol):
    """What the line reader needs of a device."""

    kind: str

    def answer(self, words: list[bytes]) -> str:
        """Return the reply to a request's words."""
        ...


class WordsReader:
    """Gathers request lines and answers each; a request that is too long is thrown away up to its end."""

    def __init__(self, device: WordsDevice) -> None:
        self.device = device
        self._line = bytearray()
        self._too_long = False

    def awake(self) -> bytes:
        """Return what is said after power-up."""
        return f"awake {self.device.kind}\r\n".encode()

    def forget(self) -> None:
        """Drop what has been heard of a request (a reset)."""
        self._line.clear()
        self._too_long = False

    def hear(self, data: bytes, now_s: float) -> list[bytes]:
        """Return the replies to the requests that these bytes complete."""
        replies = []
        for byte in data:
            if byte == 0x0A:
                reply = self._end_of_line()
                if reply is not None:
                    replies.append(reply.encode("ascii") + b"\r\n")
            elif len(self._line) >= LONGEST_LINE + 1:
                self._too_long = True
            else:
                self._line.append(byte)
        return replies

    def _end_of_line(self) -> str | None:
        line, too_long = bytes(self._line), self._too_long
        self.forget()
        if line.endswith(b"\r") and not too_long:
            line = line[:-1]
        if too_long or len(line) > LONGEST_LINE:
            return "refused long"
        if not line:
            return None
        try:
            return self.device.answer(line.split(b" "))
        except Refused as refusal:
            return f"refused {refusal}"


def _integer(word: bytes) -> int:
    if not _INTEGER.match(word):
        raise Refused("number")
    return int(word)


class WordsFocuser:
    """A focuser that speaks words."""

    kind = "focuser"

    def __init__(self, controller: FocuserController) -> None:
        self.controller = controller

    def answer(self, words: list[bytes]) -> str:
        """Return the reply to a request; raises Refused with the reason."""
        verb, rest = words[0], words[1:]
        asked: dict[bytes, Callable[[], str]] = {
            b"who": self._who,
            b"where": lambda: f"at {self.controller.position}",
            b"halt": self._halt,
            b"state": lambda: f"motor {self.controller.state}",
            b"warmth": self._warmth,
            b"span": lambda: f"span {self.controller.lowest} {self.controller.highest}",
            b"pace": lambda: f"pace {self.controller.speed_steps_per_s}",
            b"slack": lambda: f"slack {self.controller.take_up}",
            b"follow": self._follow,
        }
        told: dict[bytes, Callable[[bytes], str]] = {
            b"go": self._go,
            b"slack": self._set_slack,
            b"follow": self._set_follow,
        }
        if not rest and verb in asked:
            return asked[verb]()
        if len(rest) == 1 and verb in told:
            return told[verb](rest[0])
        raise Refused("word")

    def _who(self) -> str:
        return f"focuser words 1 {VERSION}"

    def _halt(self) -> str:
        self.controller.halt()
        return "halting"

    def _warmth(self) -> str:
        value = self.controller.probe()
        # A rounded "-0.0" is not a number as the manual writes them.
        return "warmth none" if value is None else f"warmth {round(value, 1) + 0.0:.1f}"

    def _follow(self) -> str:
        return f"follow {'on' if self.controller.follow else 'off'}"

    def _go(self, word: bytes) -> str:
        target = _integer(word)
        self.controller.go(target)
        return f"going {target}"

    def _set_slack(self, word: bytes) -> str:
        steps = _integer(word)
        if not 0 <= steps <= MOST_TAKE_UP:
            raise Refused("number")
        self.controller.take_up = steps
        return f"slack {steps}"

    def _set_follow(self, word: bytes) -> str:
        if word not in (b"on", b"off"):
            raise Refused("number")
        self.controller.set_follow(on=word == b"on")
        return self._follow()


class WordsWheel:
    """A filter wheel that speaks words; its slots count from 1."""

    kind = "wheel"

    def __init__(self, controller: WheelController) -> None:
        self.controller = controller

    def answer(self, words: list[bytes]) -> str:
        """Return the reply to a request; raises Refused with the reason."""
        verb, rest = words[0], words[1:]
        asked: dict[bytes, Callable[[], str]] = {
            b"who": lambda: f"wheel words 1 {VERSION}",
            b"slots": lambda: f"slots {self.controller.slots}",
            b"which": self._which,
            b"halt": self._halt,
            b"state": lambda: f"wheel {self.controller.state}",
        }
        if not rest and verb in asked:
            return asked[verb]()
        if len(rest) == 1 and verb == b"turn":
            return self._turn(rest[0])
        raise Refused("word")

    def _which(self) -> str:
        slot = self.controller.slot
        return "slot none" if slot is None else f"slot {slot + 1}"

    def _halt(self) -> str:
        self.controller.halt()
        return "halting"

    def _turn(self, word: bytes) -> str:
        slot = _integer(word)
        self.controller.turn(slot - 1)
        return f"turning {slot}"
