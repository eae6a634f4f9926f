"""A profile's numbers as a compact table for a terminal of 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from routines.profile import Measured, Profile
from routines.verdict import focus_zones
from routines.wording import fixed, format_interval, format_quantity

if TYPE_CHECKING:
    from rich.table import Table


def numbers_table(profile: Profile) -> Table:
    """Return each number with its uncertainty and interval, beside the miss that focus allows."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 2, 0, 0))
    table.add_column("number", no_wrap=True)
    for name in ("found", "95 % interval", "of the allowed miss"):
        table.add_column(name, justify="right", no_wrap=True)
    halves = {zone.filter: zone.half_steps for zone in focus_zones(profile)}
    least = min(halves.values(), default=None)
    _row(table, "backlash (steps)", profile.backlash_steps, least)
    for entry in profile.filters:
        if entry.name != profile.reference_filter and entry.observations:
            _row(
                table, f"offset {entry.name} (steps)", entry.offset_steps, halves.get(entry.name), signed=True
            )
    coefficient = profile.temperature_coefficient_steps_per_c
    _row(table, "temperature (steps/C)", coefficient, least, signed=True, per=" a degree")
    best = profile.best_focus
    _row(table, f"best focus {best.filter} (steps)", best.position_steps, None)
    return table


def _row(
    table: Table,
    name: str,
    number: Measured | None,
    half: float | None,
    *,
    signed: bool = False,
    per: str = "",
) -> None:
    if number is None:
        table.add_row(name, "not known", "", "")
        return
    quantity = number.quantity
    size = number.high95 if number.value is None else abs(number.value)
    share = "" if half is None else f"{fixed(size / half, 2 if size < half else 1)}{per}"
    table.add_row(
        name, format_quantity(quantity, signed=signed), format_interval(quantity, signed=signed), share
    )
