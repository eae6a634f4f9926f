"""Crossings gathered over nights, from the journal to the temperature coefficient in the latest profile."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.profile_store import ProfileStore
from routines.profile_update import with_coefficient
from routines.quantity import Quantity

if TYPE_CHECKING:
    from daemon.conductor import RunEnd
    from daemon.journal import RunRecord

KEY = "temperature_crossings"


def night_crossings(runs: Iterable[RunRecord], end: RunEnd) -> list[dict[str, Any]]:
    """Return the crossings of this run and of the earlier ones, each with its run as the night."""
    nights = {run.id: (run.result or {}).get(KEY) for run in runs}
    nights[end.run_id] = end.result.get(KEY)
    return [{"night": night, **item} for night, found in nights.items() for item in found or ()]


def keep_coefficient(state: Path, told: Mapping[str, Any], created: datetime) -> bool:
    """Put the coefficient into the latest profile; False where there is neither of them.

    Raises `ProfileDamaged` and OSError.
    """
    store = ProfileStore(state)
    profile = store.latest()
    if profile is None or told["coefficient"] is None:
        return False
    coefficient = Quantity.from_dict(told["coefficient"])
    store.save(with_coefficient(profile, coefficient, told["valid_from_c"], told["valid_to_c"], created))
    return True
