"""Writes the frozen corpus anew: tables and histories of random rigs, with the numbers fitted to them.

    python tests/campaigns/freeze_corpus.py

Only when the numbers are meant to change, with the reason in the commit; `tests/unit/test_frozen_corpus.py`
fails where a number moves by more than a fifth of its uncertainty.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from frozen_tables import moves_of, observations_of
from random_rigs import Night, random_night

from daemon.assembly import LAG_U_S
from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.quantity import Quantity

FOLDER = Path(__file__).resolve().parents[1] / "unit" / "corpus"
# With and without moves, one to five filters, own u told or not, with and without drift; short tables first.
TABLES = 8
MOST_ROWS = 90


def numbers_of(fit: JointFit) -> dict[str, dict[str, float | None] | None]:
    """Return every number by a dotted name."""
    found: dict[str, Quantity | None] = {
        "backlash": fit.backlash_steps,
        "transition": fit.transition_steps,
        "slope": fit.slope_px_per_step,
        "lost_motion_to_outward": fit.lost_motion_to_outward_steps,
        "lost_motion_to_inward": fit.lost_motion_to_inward_steps,
        "temperature_coefficient": fit.temperature_coefficient_steps_per_c,
    }
    families = {
        "offset": fit.offsets_steps,
        "crossing_inward": fit.crossings_inward_steps,
        "crossing_outward": fit.crossings_outward_steps,
    }
    for family, values in families.items():
        found |= {f"{family}.{name}": value for name, value in values.items()}
    return {name: None if value is None else value.as_dict() for name, value in found.items()}


def setup_of(record: dict[str, Any]) -> FitSetup:
    """Return the setup that a table was fitted with."""
    return FitSetup(
        filters=tuple(record["filters"]),
        reference_filter=record["filters"][0],
        alpha_prior_steps_per_c=record["alpha_prior_steps_per_c"],
        lag_u_s=record["lag_u_s"],
        reference_temperature_c=10.0,
    )


def frozen(seed: int, night: Night) -> dict[str, Any]:
    """Return a table with its numbers, rounded where nothing is lost."""
    looks = [
        [o.number, o.filter, o.position_steps, _short(o.value_px), _short(o.u_px), o.temperature_c, o.time_s]
        for o in night.observations
    ]
    record: dict[str, Any] = {
        "seed": seed,
        "filters": list(night.filters),
        "alpha_prior_steps_per_c": night.alpha_prior,
        "lag_u_s": LAG_U_S,
        "looks": looks,
        "moves": None if night.moves is None else [list(asdict(move).values()) for move in night.moves],
    }
    fit = fit_jointly(observations_of(record), moves_of(record), setup_of(record))
    return record | {"numbers": numbers_of(fit)}


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def main() -> None:
    """Write the first tables that are short enough, half of them with moves."""
    FOLDER.mkdir(exist_ok=True)
    kept = {True: 0, False: 0}
    for seed in range(5000, 5400):
        night = random_night(seed)
        moved = night.moves is not None
        if len(night.observations) > MOST_ROWS or kept[moved] >= TABLES // 2 or not night.truth.identifiable:
            continue
        kept[moved] += 1
        (FOLDER / f"{seed}.json").write_text(json.dumps(frozen(seed, night), separators=(",", ":")) + "\n")
    print(f"wrote {sum(kept.values())} tables into {FOLDER.name}/")


if __name__ == "__main__":
    main()
