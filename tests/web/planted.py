"""State folders made beforehand: a run whose names are hostile, and one with a thousand looks."""

from __future__ import annotations

import importlib.util
import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType

from daemon.journal import Journal, RunRecord
from daemon.portraits import FOLDER, portrait_path
from daemon.profile_store import ProfileStore
from daemon.report import ReportContext, write_report
from daemon.report.frames import ShownFrame
from routines.observations import INWARD, OUTWARD, Observation
from routines.profile_build import build_profile
from routines.quantity import Quantity
from routines.steps import Answer, Estimate, Estimated, Observe, Seen, Step, answer_to_dict, step_to_dict

HOSTILE = "<img src=x onerror=\"document.title='broken in'\"><script>document.title='broken in'</script>"
BEGAN = datetime(2026, 2, 3, 20, 0, tzinfo=UTC)
# A made-up train: 130 steps of play, 0.066 px a step.
PLAY, SLOPE, CROSSING = 130.0, 0.066, 22_000.0


def plant(
    state: Path, run: str, looks: list[Observation], numbers: dict[str, object], message: str = "of a test"
) -> None:
    """Journal a finished run of these looks, with one fit at the end."""
    journal = Journal.open(state / "journal.sqlite3")
    # Two thousand commits to the disk are not what is looked at here.
    journal._connection.execute("PRAGMA synchronous = OFF")
    try:
        record = RunRecord(run, "backlash", 1, {}, "", {}, created=BEGAN.isoformat(), origin="a test")
        journal.begin_run(record)
        steps: list[tuple[Step, Answer]] = [(Observe(look.filter), Seen(look)) for look in looks]
        steps.append((Estimate("backlash"), Estimated(numbers)))
        for number, (step, answer) in enumerate(steps):
            at = BEGAN + timedelta(seconds=10 * number)
            journal.intend(run, number, step_to_dict(step), at)
            journal.answer(run, number, answer_to_dict(answer), at)
        journal.end_run(run, "stopped", {"outcome": "stopped", "message": message}, BEGAN)
    finally:
        journal.close()


def many_looks(count: int, filters: tuple[str, ...]) -> list[Observation]:
    """Return looks of passes in and out through focus, filter by filter."""
    looks = []
    for number in range(count):
        phase = number % 40
        side = OUTWARD if phase < 20 else INWARD
        place = CROSSING - 60.0 + 12.0 * (phase if side == OUTWARD else 40 - phase)
        lag = min(PLAY, 12.0 * phase) if side == OUTWARD else 0.0
        value = SLOPE * (place - lag - CROSSING) + 0.05 * math.sin(7.0 * number)
        looks.append(
            Observation(
                number,
                filters[(number // 40) % len(filters)],
                place,
                value_px=value,
                u_px=0.06,
                side=side,
                travel_since_reversal_steps=12.0 * (phase % 20),
                temperature_c=8.0 - 0.002 * number,
                time_s=BEGAN.timestamp() + 10.0 * number,
                exposure_s=2.0,
            )
        )
    return looks


def fitted(filters: tuple[str, ...]) -> dict[str, object]:
    """Return what a fit of `many_looks` would say."""
    numbers: dict[str, object] = {
        "backlash_steps": Quantity.gaussian(PLAY, 0.8).as_dict(),
        "slope_px_per_step": Quantity.gaussian(SLOPE, 0.0003).as_dict(),
    }
    for name in filters:
        numbers[f"crossing_inward_steps.{name}"] = Quantity.gaussian(CROSSING, 1.0).as_dict()
        numbers[f"crossing_outward_steps.{name}"] = Quantity.gaussian(CROSSING + PLAY, 1.0).as_dict()
        numbers[f"offset_steps.{name}"] = Quantity.gaussian(0.0, 1.2).as_dict()
    return numbers


def plant_profiles(state: Path, run: str) -> None:
    """Leave profiles of three months, the first of a rig with a hostile name, and the last one's report."""
    cases = _cases()
    store = ProfileStore(state)
    looks, rows = cases.case_night()
    fit = cases.case_fit(rows=rows, outliers=(37, 142), curves=cases.case_curves())
    checks = [
        {"filter": name, "residual_steps": 0.8 * turn - 1.5, "predicted_u_steps": 1.1}
        for turn, name in enumerate(("L", "R", "G", "B", "Ha"))
    ]
    for month, rig in ((1, HOSTILE), (2, "balcony refractor"), (3, "balcony refractor")):
        facts = cases.case_facts(
            rig=rig,
            created=datetime(2026, month, 14, 22, tzinfo=UTC),
            run=run,
            proof={"status": "passed", "checks": checks},
        )
        profile = build_profile(fit, facts)
        store.save(profile)
    frames = tuple(
        ShownFrame(f"{words}: L at 15200 steps", portrait_fields(f"/night/{words}.fits", "L"))
        for words in ("innermost", "nearest to focus", "outermost")
    )
    held = [{"began": BEGAN.isoformat(), "ended": BEGAN.isoformat(), "reasons": ["star: gone behind cloud"]}]
    context = ReportContext(frames=frames, holds=held, settings={"telescope": "of a test"})
    write_report(state / "runs" / run / "report.html", profile, fit, looks, context)


def _cases() -> ModuleType:
    """Return the made-up rig and night that the unit tests of the report use."""
    path = Path(__file__).parents[1] / "unit" / "profile_cases.py"
    spec = importlib.util.spec_from_file_location("profile_cases_for_pages", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def plant_hostile(state: Path, run: str = "hostile") -> None:
    """Leave a run whose filter, frame names and remarks try to break in, with a portrait that does."""
    frame = f"/night/{HOSTILE.replace('/', '')}.fits"
    looks = [
        replace(look, filter=HOSTILE, path=frame, flags=(HOSTILE,)) for look in many_looks(12, (HOSTILE,))
    ]
    plant(state, run, looks, fitted((HOSTILE,)), HOSTILE)
    portrait = portrait_fields(frame, HOSTILE)
    target = portrait_path(state / FOLDER, frame)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(portrait))


def portrait_fields(frame: str, words: str) -> dict[str, object]:
    """Return a portrait as the worker leaves it, of three grey pixels."""
    grey = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
    return {
        "path": frame,
        "filter": words,
        "arms_deg": [80.0, 100.0, 120.0],
        "defocus_um": 12.0,
        "defocus_u_um": 1.0,
        "allowed_um": 30.0,
        "share_of_allowed": 0.4,
        "flags": [words, "saturated"],
        "message": words,
        "seen": grey,
        "expected": grey,
        "left_over": grey,
    }
