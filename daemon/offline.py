"""A folder of frames or a table, already taken by whatever program -> looks -> fit -> profile and report.

The main job on real input without owning the hardware. Whatever can be computed is; what had to be left out
is told, with the file, the line and the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Protocol

from daemon.config import Config
from daemon.exit_codes import DONE, NOT_GOOD_ENOUGH
from daemon.gathering import Gathered, InputUnusable
from routines.flags import flag

if TYPE_CHECKING:
    from daemon.frame_result import FrameResult
    from routines.estimate.result import FitSetup, JointFit
    from routines.optics import Mask
    from routines.profile import Profile


class Progress(Protocol):
    """Takes what is being done and why, and how far it is (0 to 1), where that is known."""

    def __call__(self, words: str, share: float | None = None) -> None:
        """Show it."""
        ...


def _untold(words: str, share: float | None = None) -> None:
    """Show nothing."""


@dataclass(frozen=True, slots=True)
class Analysis:
    """What came of an analysis: the profile as written, what was left out, the exit code, and its reasons."""

    profile: Profile
    gathered: Gathered
    exit_code: int
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Seen:
    """What measuring a folder taught beside its looks."""

    mask: Mask | None = None
    seeing_fwhm_um: float | None = None


def analyse(
    path: Path, config: Config, out: Path, moves: Path | None = None, progress: Progress = _untold
) -> Analysis:
    """Gather, fit, and write profile.json, observations.csv and report.html into ``out``.

    Raises `InputUnusable` when the input as a whole tells nothing, OSError when ``out`` cannot be written.
    """
    from daemon.assembly import fit_for_profile
    from daemon.outputs import RunFacts, write_outputs

    if path.resolve() == (out / "observations.csv").resolve():
        raise InputUnusable(path, [f"{path}: would be overwritten by the results; give another --out"])
    gathered, seen = gather(path, config, moves, progress)
    progress(f"fitting {sum(look.measured for look in gathered.observations)} looks at once", 0.95)
    fit = fit_for_profile(config, gathered.observations, gathered.moves, fit_setup(config), seen.mask)
    fit = _with_note(fit, gathered)
    progress("writing profile, observations and report", 0.98)
    facts = RunFacts(
        run=None,
        created=datetime.now(UTC),
        simulated=gathered.simulated,
        source=str(path),
        mask=seen.mask,
        seeing_fwhm_um=seen.seeing_fwhm_um,
    )
    profile = write_outputs(out, config, fit, gathered.observations, facts, gathered.moves)
    missing = missing_numbers(profile)
    return Analysis(profile, gathered, NOT_GOOD_ENOUGH if missing else DONE, missing)


def missing_numbers(profile: Profile) -> tuple[str, ...]:
    """Return what keeps a profile from being good enough, with the reasons; an upper limit counts as given.

    Wanted are the backlash and the offset of every filter that was observed.
    """
    observed = [entry for entry in profile.filters if entry.observations > 0]
    wanted = {"backlash_steps": ("backlash", profile.backlash_steps)}
    for entry in observed:
        if entry.name == profile.reference_filter:  # its offset is none by definition
            continue
        wanted[f"filters.{entry.name}.offset_steps"] = (f"offset of {entry.name}", entry.offset_steps)
    missing = [
        f"{words}: {profile.reason_for(field) or 'no reason is known'}"
        for field, (words, number) in wanted.items()
        if number is None
    ]
    return tuple(missing) if observed else ("every offset: no filter was observed", *missing)


def gather(
    path: Path, config: Config, moves: Path | None, progress: Progress = _untold
) -> tuple[Gathered, _Seen]:
    """Return the looks in a folder of frames or a table; raises `InputUnusable`."""
    from daemon.spike_table import read_moves, read_spike_errors

    if path.is_dir():
        gathered, seen = _from_frames(path, config, progress)
    elif path.is_file():
        _refuse_single_frame(path)
        gathered, seen = read_spike_errors(path, config), _Seen()
    else:
        raise InputUnusable(path, [f"{path}: there is no such file or folder"])
    if moves is not None:
        history = read_moves(moves, gathered.observations, gathered.rows, config)
        gathered = replace(gathered, moves=history)
    return gathered, seen


def _refuse_single_frame(path: Path) -> None:
    with path.open("rb") as stream:
        if stream.read(9) == b"SIMPLE  =":
            reason = "is a single frame; give the folder that holds the sweep, or use drawtube measure"
            raise InputUnusable(path, [f"{path}: {reason}"])


def _from_frames(folder: Path, config: Config, progress: Progress) -> tuple[Gathered, _Seen]:
    from daemon.frame_folder import read_frames
    from daemon.measurement import FrameMeter

    meter = FrameMeter(config)
    widths: list[float] = []

    def measure(paths: Sequence[Path]) -> list[FrameResult]:
        progress(f"measuring {len(paths)} frames")
        results = meter.measure_all(paths, told=lambda words, share: progress(words, 0.95 * share))
        masked = [result for result in results if result.method == "mask" and result.measured]
        widths.extend(result.width_px for result in masked if result.width_px)
        return results

    progress(f"reading the headers in {folder}")
    gathered = read_frames(folder, config, measure)
    learnt = meter.learnt
    mask = learnt.geometry.mask if learnt is not None and learnt.tilt_decided else None
    seeing = median(widths) * config.optics.pixel_um if widths else None
    return gathered, _Seen(mask, seeing)


def fit_setup(config: Config) -> FitSetup:
    """Return what the fit knows beforehand; no bound on the play is assumed unless the config gives one."""
    from daemon.assembly import fit_setup as for_runs

    setup = for_runs(config)
    given = config.focuser.overshoot_steps is not None
    return setup if given else replace(setup, longest_play_steps=None)


def _with_note(fit: JointFit, gathered: Gathered) -> JointFit:
    """Return the fit with a note on what was left out, so that the profile says so too."""
    if not gathered.left_out:
        return fit
    count = len(gathered.left_out)
    words = f"{count} row{'s' * (count > 1)} or frames could not be used and were left out"
    return replace(fit, flags=(*fit.flags, flag("left_out", "evidence.observations", words)))
