"""Numbers in words: as many digits as their uncertainty warrants, and no more.

Every number that a person reads goes through here, so that the page, the report and the terminal agree.
A minus sign is the plain hyphen, because people copy these numbers into other programs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from routines.quantity import Quantity

UNKNOWN = "not known"


def decimals_for(u: float) -> int:
    """Return how many decimals a value with standard uncertainty ``u`` deserves (negative: tens, hundreds).

    Two significant digits of u when its three leading digits are 100 to 354, one for 355 to 949, and two
    after rounding up to 1000 beyond (Review of Particle Physics, introduction, rounding rule).
    """
    if not math.isfinite(u) or u <= 0.0:
        raise ValueError(f"an uncertainty must be positive and finite, not {u}")
    exponent = math.floor(math.log10(u))
    leading = round(u / 10.0 ** (exponent - 2))
    if leading >= 950:
        return -exponent
    return 1 - exponent if leading < 355 else -exponent


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """Return ``value`` rounded to ``decimals``; negative decimals round to tens, hundreds and so on."""
    rounded = round(value, decimals) + 0.0
    if rounded == 0.0:
        rounded = 0.0
    return f"{rounded:{'+' if signed and rounded else ''}.{max(decimals, 0)}f}"


def format_value(value: float, u: float, *, signed: bool = False) -> str:
    """Return "93.4 ± 0.8": both rounded to the same place."""
    if u <= 0.0:
        return f"{value:{'+' if signed and value else ''}.4g}"
    decimals = decimals_for(u)
    return f"{fixed(value, decimals, signed=signed)} ± {fixed(u, decimals)}"


def format_quantity(quantity: Quantity | None, unit: str = "", *, signed: bool = False) -> str:
    """Return a quantity in words: "93.4 ± 0.8 steps", "at most 12 steps (95 %)" or "not known"."""
    if quantity is None:
        return UNKNOWN
    tail = f" {unit}" if unit else ""
    if quantity.value is None or quantity.u is None:
        return f"at most {short(quantity.high95)}{tail} (95 %)"
    return f"{format_value(quantity.value, quantity.u, signed=signed)}{tail}"


def format_interval(quantity: Quantity | None, *, signed: bool = False) -> str:
    """Return the 95 % interval, "91.8 to 95.0"; an upper limit reads "0 to 12"."""
    if quantity is None:
        return UNKNOWN
    if quantity.u is None or quantity.u <= 0.0:
        return f"{short(quantity.low95)} to {short(quantity.high95)}"
    decimals = decimals_for(quantity.u)
    low = fixed(quantity.low95, decimals, signed=signed)
    return f"{low} to {fixed(quantity.high95, decimals, signed=signed)}"


def format_u(quantity: Quantity | None) -> str:
    """Return the standard uncertainty alone, rounded as in ``format_quantity``."""
    if quantity is None or quantity.u is None:
        return UNKNOWN
    return "0" if quantity.u <= 0.0 else fixed(quantity.u, decimals_for(quantity.u))


def short(value: float, *, signed: bool = False) -> str:
    """Return a number without an uncertainty of its own, to three significant digits at least."""
    if value == 0.0 or not math.isfinite(value):
        return "0" if value == 0.0 else str(value)
    decimals = max(0, 2 - math.floor(math.log10(abs(value))))
    return fixed(value, decimals, signed=signed)


def whole(value: float, *, signed: bool = False) -> str:
    """Return the nearest whole number, a half going away from zero, as people round."""
    rounded = int(math.copysign(math.floor(abs(value) + 0.5), value))
    return f"{rounded:+d}" if signed and rounded else f"{rounded:d}"


def celsius(value: float) -> str:
    """Return a temperature to a tenth of a degree, which is what such thermometers can tell."""
    return f"{fixed(value, 1)} C"


def counted(count: int, noun: str) -> str:
    """Return "1 look" or "12 looks"."""
    return f"{count} {noun}" if abs(count) == 1 else f"{count} {noun}s"


def listed(names: Iterable[str]) -> str:
    """Return names as a sentence lists them: "R", "R and G", "R, G and B"."""
    items = list(names)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"
