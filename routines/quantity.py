"""A measured number and how well it is known: the one form in which results travel.

Words follow JCGM 100:2008 (GUM): ``u`` is the standard uncertainty and the interval is the 95 % one.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its standard uncertainty and 95 % interval, all in the unit of the field it fills.

    An upper limit has ``value`` and ``u`` None, ``low95`` 0 and ``high95`` the limit.
    """

    value: float | None
    u: float | None
    low95: float
    high95: float

    @classmethod
    def gaussian(cls, value: float, u: float, coverage_factor: float = 1.959964) -> Quantity:
        """Return a symmetric quantity, ``value +/- coverage_factor * u``."""
        return cls(value, u, value - coverage_factor * u, value + coverage_factor * u)

    @classmethod
    def upper_limit(cls, limit: float) -> Quantity:
        """Return "no more than ``limit``, at 95 %"."""
        return cls(None, None, 0.0, limit)

    @property
    def is_upper_limit(self) -> bool:
        """Tell whether only a limit is known."""
        return self.value is None

    def scaled(self, factor: float) -> Quantity:
        """Return the quantity in another unit; a negative factor swaps the interval's ends."""
        ends = sorted((self.low95 * factor, self.high95 * factor))
        value = None if self.value is None else self.value * factor
        return Quantity(value, None if self.u is None else self.u * abs(factor), ends[0], ends[1])

    def as_dict(self) -> dict[str, float | None]:
        """Return the JSON form used in the profile and the journal."""
        return {"value": self.value, "u": self.u, "low95": self.low95, "high95": self.high95}

    @classmethod
    def from_dict(cls, fields: dict[str, float | None]) -> Quantity:
        """Return the quantity that ``as_dict`` wrote; KeyError or ValueError when it is not one."""
        low, high = fields["low95"], fields["high95"]
        if low is None or high is None:
            raise ValueError("a quantity needs both ends of its 95 % interval")
        return cls(fields["value"], fields["u"], low, high)
