"""The controllers' firmware for the frames protocol, written from its manual: escaped frames with a CRC."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Protocol

from drivers.simulated.controllers import (
    BLOCKED,
    LOST,
    MOST_TAKE_UP,
    STILL,
    TURNING,
    FocuserController,
    Refused,
    WheelController,
)

START, ESCAPE, TWIST = 0xA6, 0xA9, 0x55
LONGEST_PAYLOAD = 32
LONGEST_GAP_S = 0.2
FAULT = 0xFF
_FOCUSER_LENGTHS = {
    **dict.fromkeys((0x01, 0x10, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x19), 0),
    0x11: 4,
    0x18: 2,
    0x1A: 1,
}
_CODES = {"command": 1, "length": 2, "limit": 3, "turning": 4, "value": 5}


class FramesDevice(Protocol):
    """What the frame reader needs of a device."""

    letter: bytes

    def answer(self, command: int, payload: bytes) -> bytes:
        """Return the reply's payload; raises Refused with one of the faults' names."""
        ...


def crc16(data: bytes) -> int:
    """Return the CRC of width 16, polynomial 1021, start FFFF, nothing reflected, nothing inverted."""
    remainder = 0xFFFF
    for byte in data:
        remainder ^= byte << 8
        for _ in range(8):
            remainder <<= 1
            if remainder & 0x10000:
                remainder ^= 0x11021
    return remainder


def frame(command: int, payload: bytes) -> bytes:
    """Return a message as it stands on the line."""
    body = bytes([len(payload), command]) + payload
    body += struct.pack("<H", crc16(body))
    line = bytearray([START])
    for byte in body:
        line += bytes([ESCAPE, byte ^ TWIST]) if byte in (START, ESCAPE) else bytes([byte])
    return bytes(line)


class FramesReader:
    """Gathers frames and answers each; a damaged frame is dropped without a word."""

    def __init__(self, device: FramesDevice) -> None:
        self.device = device
        self._body: bytearray | None = None
        self._escaped = False
        self._last_s = 0.0

    def awake(self) -> bytes:
        """Return what is said after power-up."""
        return frame(0xE0, self.device.letter)

    def forget(self) -> None:
        """Drop what has been heard of a request (a reset)."""
        self._body, self._escaped = None, False

    def hear(self, data: bytes, now_s: float) -> list[bytes]:
        """Return the replies to the requests that these bytes complete."""
        if now_s - self._last_s > LONGEST_GAP_S:
            self.forget()
        if data:
            self._last_s = now_s
        replies = []
        for byte in data:
            body = self._take(byte)
            if body is not None:
                reply = self._reply(body)
                if reply is not None:
                    replies.append(reply)
        return replies

    def _take(self, byte: int) -> bytes | None:
        """Take one byte of the line; return a whole body when this ends one."""
        if byte == START:
            self._body, self._escaped = bytearray(), False
            return None
        if self._body is None:
            return None
        if self._escaped:
            self._escaped = False
            byte ^= TWIST
            if byte not in (START, ESCAPE):
                self._body = None
                return None
        elif byte == ESCAPE:
            self._escaped = True
            return None
        self._body.append(byte)
        if self._body[0] > LONGEST_PAYLOAD:
            self._body = None
            return None
        return self._whole()

    def _whole(self) -> bytes | None:
        body = self._body
        if body is None or len(body) < body[0] + 4:
            return None
        self._body = None
        return bytes(body)

    def _reply(self, body: bytes) -> bytes | None:
        (told,) = struct.unpack("<H", body[-2:])
        if told != crc16(body[:-2]):
            return None
        command, payload = body[1], body[2:-2]
        try:
            return frame(command | 0x80, self.device.answer(command, payload))
        except Refused as refusal:
            return frame(FAULT, bytes([command, _CODES[str(refusal)]]))


def _check(payload: bytes, length: int) -> None:
    if len(payload) != length:
        raise Refused("length")


class FramesFocuser:
    """A focuser that speaks frames."""

    letter = b"F"

    def __init__(self, controller: FocuserController) -> None:
        self.controller = controller

    def answer(self, command: int, payload: bytes) -> bytes:
        """Return the reply's payload; raises Refused."""
        if command not in _FOCUSER_LENGTHS:
            raise Refused("command")
        _check(payload, _FOCUSER_LENGTHS[command])
        if command in (0x11, 0x18, 0x1A):
            self._write(command, payload)
            return payload
        return self._read(command)

    def _write(self, command: int, payload: bytes) -> None:
        if command == 0x11:
            self.controller.go(struct.unpack(">i", payload)[0])
        elif command == 0x18:
            steps = struct.unpack(">H", payload)[0]
            if steps > MOST_TAKE_UP:
                raise Refused("value")
            self.controller.take_up = steps
        else:
            if payload[0] > 1:
                raise Refused("value")
            self.controller.set_follow(on=payload[0] == 1)

    def _read(self, command: int) -> bytes:
        controller = self.controller
        if command == 0x12:
            controller.halt()
            return b""
        answers: dict[int, Callable[[], bytes]] = {
            0x01: lambda: b"F" + bytes([1, 3, 2]),
            0x10: lambda: struct.pack(">i", controller.position),
            0x13: lambda: bytes([{STILL: 0, TURNING: 1, BLOCKED: 2}[controller.state]]),
            0x14: self._temperature,
            0x15: lambda: struct.pack(">ii", controller.lowest, controller.highest),
            0x16: lambda: struct.pack(">H", controller.speed_steps_per_s),
            0x17: lambda: struct.pack(">H", controller.take_up),
            0x19: lambda: bytes([int(controller.follow)]),
        }
        return answers[command]()

    def _temperature(self) -> bytes:
        value = self.controller.probe()
        return b"\x80\x00" if value is None else struct.pack(">h", round(value * 16.0))


class FramesWheel:
    """A filter wheel that speaks frames; its slots count from 0."""

    letter = b"W"

    def __init__(self, controller: WheelController) -> None:
        self.controller = controller

    def answer(self, command: int, payload: bytes) -> bytes:
        """Return the reply's payload; raises Refused."""
        if command not in (0x01, 0x12, 0x30, 0x31, 0x32, 0x33):
            raise Refused("command")
        _check(payload, 1 if command == 0x32 else 0)
        controller = self.controller
        if command == 0x32:
            controller.turn(payload[0])
            return payload
        if command == 0x12:
            controller.halt()
            return b""
        answers: dict[int, Callable[[], bytes]] = {
            0x01: lambda: b"W" + bytes([1, 3, 2]),
            0x30: lambda: bytes([controller.slots]),
            0x31: lambda: bytes([0xFF if controller.slot is None else controller.slot]),
            0x33: lambda: bytes([{STILL: 0, TURNING: 1, LOST: 2}[controller.state]]),
        }
        return answers[command]()
