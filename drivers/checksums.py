"""Checksums by their parameters: sum, exclusive-or, longitudinal redundancy, and any CRC of 8 to 32 bits.

The CRC parameters are the customary ones (Williams, "A Painless Guide to CRC Error Detection Algorithms",
1993, section 15: width, polynomial, initial value, reflected input and output, final exclusive-or).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

Kind = Literal["sum", "xor", "lrc", "crc"]


@dataclass(frozen=True, slots=True)
class Checksum:
    """How to compute one checksum; ``width_bits`` is 8, 16, 24 or 32.

    ``lrc`` is the two's complement of the 8-bit sum (Modbus over Serial Line V1.02, section 6.2.1). The
    CRC fields mean nothing for the other kinds; ``initial`` and ``final_xor`` apply to sum and xor too.
    """

    kind: Kind
    width_bits: int = 8
    polynomial: int = 0
    initial: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    final_xor: int = 0

    @property
    def size(self) -> int:
        """Return the number of bytes the checksum fills."""
        return self.width_bits // 8

    def compute(self, data: bytes) -> int:
        """Return the checksum of ``data`` as a non-negative integer below ``2 ** width_bits``."""
        mask = (1 << self.width_bits) - 1
        if self.kind == "crc":
            return self._crc(data, mask)
        if self.kind == "xor":
            return (reduce(xor, data, self.initial) ^ self.final_xor) & mask
        total = sum(data) + self.initial
        return ((-total if self.kind == "lrc" else total) ^ self.final_xor) & mask

    def _crc(self, data: bytes, mask: int) -> int:
        top = 1 << (self.width_bits - 1)
        register = self.initial
        for byte in data:
            register ^= (reflected(byte, 8) if self.reflect_in else byte) << (self.width_bits - 8)
            for _ in range(8):
                register = ((register << 1) ^ (self.polynomial if register & top else 0)) & mask
        if self.reflect_out:
            register = reflected(register, self.width_bits)
        return register ^ self.final_xor


def reflected(value: int, width_bits: int) -> int:
    """Return ``value`` with its lowest ``width_bits`` bits in the opposite order."""
    return int(f"{value:0{width_bits}b}"[::-1], 2)
