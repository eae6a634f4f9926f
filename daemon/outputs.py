"""What a run leaves behind: profile.json, observations.csv and report.html, each whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.observation_table import observations_csv
from drivers.safe_write import write_safely
from routines.observations import Move, Observation

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.portraits import Portrait
    from routines.estimate.result import JointFit
    from routines.optics import Mask
    from routines.profile import Profile
    from routines.profile_build import ProfileFacts


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What only the run knows of its profile; ``mask`` only where the frames settled its layout."""

    run: str | None
    created: datetime
    simulated: bool
    source: str
    mask: Mask | None = None
    seeing_fwhm_um: float | None = None
    proof: Mapping[str, Any] = field(default_factory=dict)
    holds: Sequence[Mapping[str, Any]] = ()
    cut_short: str | None = None


def write_outputs(
    folder: Path,
    config: Config,
    fit: JointFit,
    observations: Sequence[Observation],
    facts: RunFacts,
    moves: Sequence[Move] | None = None,
    portray: Callable[[str], Portrait | None] | None = None,
) -> Profile:
    """Write the files into ``folder`` and return the profile; an earlier profile there is kept.

    ``portray`` gives the picture of a frame for the report.
    """
    from daemon.profile_store import ProfileStore
    from daemon.report import ReportContext, write_report
    from daemon.report.frames import worth_showing
    from daemon.report.settings import settings_in_words
    from routines.profile_build import build_profile

    folder.mkdir(parents=True, exist_ok=True)
    profile = build_profile(fit, _with_widths(profile_facts(config, observations, facts), fit))
    table = observations_csv(observations, config, moves, simulated=facts.simulated)
    write_safely(folder / "observations.csv", table)
    ProfileStore(folder).save(profile)
    context = ReportContext(
        source=facts.source,
        settings=settings_in_words(config),
        frames=worth_showing(profile, fit, observations, portray),
        holds=facts.holds,
    )
    write_report(folder / "report.html", profile, fit, observations, context)
    return profile


def _with_widths(facts: ProfileFacts, fit: JointFit) -> ProfileFacts:
    """Return the facts with what the looks without a mask told."""
    from routines.estimate.width_curve import step_from_arm

    if fit.width is None:
        return facts
    return replace(
        facts,
        method="width" if fit.rows == fit.width.rows else "both",
        measured_step_um=step_from_arm(
            fit.width.arm_px_per_step, fit.width.far_width_px, _reference_um(facts), facts.optics
        ),
        mask_minus_width_steps=fit.width.mask_minus_width_steps,
    )


def _reference_um(facts: ProfileFacts) -> float:
    bands = {item.name: item.band for item in facts.filters}
    return bands[facts.reference_filter].centre_nm * 1e-3


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
        proof=facts.proof,
        cut_short=facts.cut_short,
    )
