"""What a run leaves behind: profile.json, observations.csv and report.html, each whole or not at all.

Where the moves are known they are left too, as moves.csv: a dead zone's looks mean nothing without them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.safe_write import write_safely
from routines.observations import Move, Observation

if TYPE_CHECKING:
    from daemon.config import Config
    from routines.estimate.result import JointFit
    from routines.optics import Mask
    from routines.profile import Profile
    from routines.profile_build import ProfileFacts

_COLUMNS = (
    "position_steps",
    "filter",
    "spike_error_px",
    "spike_error_u_px",
    "time",
    "temperature_c",
    "exposure_s",
    "signal_electrons",
    "side",
    "travel_since_reversal_steps",
    "pass_id",
    "marker",
    "flags",
    "frame",
)


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What only the run knows of its profile; ``mask`` only where the frames settled its layout."""

    run: str | None
    created: datetime
    simulated: bool
    source: str
    mask: Mask | None = None
    seeing_fwhm_um: float | None = None


def write_outputs(
    folder: Path,
    config: Config,
    fit: JointFit,
    observations: Sequence[Observation],
    facts: RunFacts,
    moves: Sequence[Move] | None = None,
) -> Profile:
    """Write the files into ``folder`` and return the profile; an earlier profile there is kept."""
    from daemon.profile_store import ProfileStore
    from daemon.report import ReportContext, write_report
    from daemon.report.settings import settings_in_words
    from routines.profile_build import build_profile

    folder.mkdir(parents=True, exist_ok=True)
    profile = build_profile(fit, profile_facts(config, observations, facts))
    write_safely(folder / "observations.csv", observations_csv(observations, config))
    if moves is not None:
        write_safely(folder / "moves.csv", moves_csv(moves, observations, config))
    ProfileStore(folder).save(profile)
    context = ReportContext(source=facts.source, settings=settings_in_words(config))
    write_report(folder / "report.html", profile, fit, observations, context)
    return profile


def profile_facts(config: Config, observations: Sequence[Observation], facts: RunFacts) -> ProfileFacts:
    """Return what a profile says beside its fit, from the config."""
    from routines.profile_build import FilterFacts, ProfileFacts, evidence_digest

    bands, limits = config.bands(), config.limits
    return ProfileFacts(
        rig=config.rig.name,
        created=facts.created,
        software=f"drawtube {metadata.version('drawtube')}",
        filters=tuple(FilterFacts(bands[item.name], item.slot) for item in config.filters),
        reference_filter=config.reference_filter,
        optics=config.science_optics(),
        evidence_sha256=evidence_digest(observations),
        simulated=facts.simulated,
        outward=config.focuser.outward,
        mask=facts.mask,
        seeing_fwhm_um=facts.seeing_fwhm_um,
        step_um=config.optics.step_um,
        final_side=config.focuser.final_side,
        overshoot_steps=config.focuser.overshoot_steps,
        compensation=config.focuser.compensation,
        limits=None if limits is None else (limits.low_steps, limits.high_steps),
        star_name=config.star.name,
        star_colour_bv_mag=config.star.colour_bv_mag,
        altitude_deg=config.star.altitude_deg,
        run=facts.run,
    )


def observations_csv(observations: Sequence[Observation], config: Config) -> str:
    """Return every look as a table that ``analyse`` reads back; positions in the controller's counts."""
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    for seen in observations:
        writer.writerow(_row(seen, config))
    return text.getvalue()


def moves_csv(moves: Sequence[Move], observations: Sequence[Observation], config: Config) -> str:
    """Return moves as the table that ``analyse --moves`` reads: by the 0-based row of the next look."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("before_row", "position_steps"))
    for move in moves:
        row = sum(look.number < move.before_number for look in observations)
        writer.writerow((row, _counts(move.position_steps, config)))
    return text.getvalue()


def _counts(position_steps: float, config: Config) -> int | float:
    """Return a position in the controller's counts, unrounded: tables already taken may hold part steps."""
    counts = config.outward_sign * position_steps
    return int(counts) if counts.is_integer() else counts


def _row(seen: Observation, config: Config) -> dict[str, Any]:
    when = None if seen.time_s is None else datetime.fromtimestamp(seen.time_s, UTC)
    return {
        "position_steps": _counts(seen.position_steps, config),
        "filter": seen.filter,
        "spike_error_px": seen.value_px,
        "spike_error_u_px": seen.u_px,
        "time": None if when is None else when.isoformat(timespec="milliseconds"),
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
