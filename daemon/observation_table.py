"""observations.csv: every look of a run as a table that ``analyse`` reads back, with all that the fit used.

The first columns are those of any table of spike errors. Positions are the controller's counts. The moves
made before a look stand in its row, since without them the looks inside a dead zone mean nothing.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from routines.observations import Move, Observation

if TYPE_CHECKING:
    from daemon.config import Config

REQUIRED = ("position_steps", "filter", "spike_error_px")
OPTIONAL = (
    "spike_error_u_px",
    "width_px",
    "width_u_px",
    "time",
    "temperature_c",
    "exposure_s",
    "signal_electrons",
    "side",
    "travel_since_reversal_steps",
    "pass_id",
    "marker",
    "moves_before",
    "flags",
    "frame",
    "simulated",
)
NO_MOVE = "none"


def observations_csv(
    observations: Sequence[Observation],
    config: Config,
    moves: Sequence[Move] | None = None,
    *,
    simulated: bool = False,
) -> str:
    """Return the table; ``moves`` None leaves the column of the moves empty, which means "not known"."""
    text = io.StringIO()
    writer = csv.DictWriter(text, (*REQUIRED, *OPTIONAL), lineterminator="\n")
    writer.writeheader()
    before = _moves_before(observations, moves, config)
    for seen in observations:
        known = {"moves_before": before.get(seen.number, ""), "simulated": int(simulated)}
        writer.writerow({**_row(seen, config), **known})
    return text.getvalue()


def _moves_before(
    observations: Sequence[Observation], moves: Sequence[Move] | None, config: Config
) -> dict[int, str]:
    """Return the moves since the look before, for each look by its number: positions between spaces."""
    if moves is None:
        return {}
    numbers = sorted(seen.number for seen in observations)
    places: dict[int, list[str]] = defaultdict(list)
    for move in moves:
        following = next((number for number in numbers if number >= move.before_number), None)
        if following is not None:
            places[following].append(str(counts_of(move.position_steps, config)))
    return {number: " ".join(places[number]) or NO_MOVE for number in numbers}


def counts_of(position_steps: float, config: Config) -> int | float:
    """Return a position in the controller's counts, unrounded: tables already taken may hold part steps."""
    counts = float(config.outward_sign * position_steps)
    return int(counts) if counts.is_integer() else counts


def _row(seen: Observation, config: Config) -> dict[str, Any]:
    when = None if seen.time_s is None else datetime.fromtimestamp(seen.time_s, UTC)
    return {
        "position_steps": counts_of(seen.position_steps, config),
        "filter": seen.filter,
        "spike_error_px": seen.value_px if seen.method == "mask" else None,
        "spike_error_u_px": seen.u_px if seen.method == "mask" else None,
        "width_px": seen.value_px if seen.method == "width" else None,
        "width_u_px": seen.u_px if seen.method == "width" else None,
        "time": None if when is None else when.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z",
        "temperature_c": seen.temperature_c,
        "exposure_s": seen.exposure_s,
        "signal_electrons": seen.signal_electrons,
        # The side is told as the sensor's motion, outward or inward, whichever way the counts run.
        "side": {1: "outward", -1: "inward"}.get(seen.side),
        "travel_since_reversal_steps": seen.travel_since_reversal_steps,
        "pass_id": seen.pass_id,
        "marker": int(seen.marker),
        "flags": " ".join(seen.flags),
        "frame": seen.path,
    }
