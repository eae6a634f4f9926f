"""Reads the frozen corpus: rows as lists, so that a table is a few kilobytes."""

from __future__ import annotations

from typing import Any

from routines.observations import Move, Observation


def observations_of(record: dict[str, Any]) -> list[Observation]:
    """Return a frozen table's looks."""
    return [
        Observation(
            number=number,
            filter=name,
            position_steps=position,
            value_px=value,
            u_px=u,
            temperature_c=temperature,
            time_s=time,
        )
        for number, name, position, value, u, temperature, time in record["looks"]
    ]


def moves_of(record: dict[str, Any]) -> list[Move] | None:
    """Return a frozen history's moves, None where nobody wrote them down."""
    return None if record["moves"] is None else [Move(int(n), place) for n, place in record["moves"]]
