"""The whole job on the simulated rig, and an honest verdict: found against true.

Real bytes over pseudo-terminals, real FITS files, the same drivers, conductor, journal and fit as on a real
night. This is the only module of the service that may look at the rig's truth.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING

from daemon.agreement import Agreement, Comparison, judge_agreement
from daemon.assembly import final_side
from daemon.conductor import RunEnd
from daemon.config import Config, ConfigErrors, load_config, parse_config
from daemon.config.needs import require_limits
from daemon.exit_codes import DONE, HARDWARE, NOT_GOOD_ENOUGH, STOPPED, USAGE
from daemon.journal_file import JournalError
from daemon.outcome import exit_code
from daemon.rehearsal_rig import RigMismatch, rig_name_of
from daemon.rehearsal_stage import Stage, rehearsing
from daemon.worker import WorkerError
from drivers.errors import DeviceError
from drivers.simulated.client import RigError
from routines.convention import quantity_to_counts
from routines.observations import INWARD, OUTWARD

if TYPE_CHECKING:
    from rich.console import Console

    from daemon.rehearsal_view import View
    from drivers.simulated.truth import TrueNumbers
    from routines.observations import Observation
    from routines.profile import Measured, Profile
    from routines.quantity import Quantity

DEFAULT_SEED = 1
DEFAULT_FOLDER = Path("rehearsal")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What came of one rehearsal; profile and agreement are None when the run was stopped or saw nothing."""

    end: RunEnd
    profile: Profile | None
    comparisons: tuple[Comparison, ...] = ()
    agreement: Agreement | None = None


def run_rehearsal(config: Path | None, seed: int | None, speed: float, out: Path | None) -> int:
    """Rehearse with a progress display and a table; return the exit code. ``speed`` 0 means no pacing."""
    from rich.console import Console

    console = Console(stderr=True)
    try:
        settings = load_config(config) if config is not None else default_config()
        require_limits(settings)
        return _shown(settings, seed, speed, out or DEFAULT_FOLDER, console)
    except (ConfigErrors, RigMismatch) as error:
        _say(console, str(error), style="red")
        return USAGE
    except OSError as error:
        _say(console, f"{error.filename or out or DEFAULT_FOLDER}: {error.strerror or error}", style="red")
        return (
            USAGE if isinstance(error, PermissionError | FileExistsError | NotADirectoryError) else HARDWARE
        )
    except (DeviceError, RigError, WorkerError, JournalError) as error:
        _say(console, f"{type(error).__name__}: {error}", style="red")
        return HARDWARE
    except KeyboardInterrupt:
        _say(console, "Stopped before anything moved.", style="yellow")
        return STOPPED


def default_config() -> Config:
    """Return the config of the built-in rehearsal, which travels with the program."""
    from importlib.resources import files

    content = (files("daemon") / "data" / "rehearsal.toml").read_bytes()
    return parse_config(content, file="built-in rehearsal.toml")


def seed_of(config: Config, seed: int | None) -> int:
    """Return the night to rehearse: asked for, configured, or the fixed one."""
    if seed is not None:
        return seed
    return config.simulated.seed if config.simulated is not None else DEFAULT_SEED


def held_against_truth(stage: Stage) -> Rehearsal:
    """Conclude a performed rehearsal: outputs written, and each number beside the truth.

    Raises what the run raised.
    """
    end = stage.end
    profile = stage.concluded()
    if profile is None:
        return Rehearsal(end, None)
    comparisons, covariances = compared(stage.config, stage.seed, profile, end.ledger.observations)
    required = tuple(item.name for item in comparisons if item.name.startswith(("backlash", "offset")))
    verdict = judge_agreement(comparisons, required=required, covariances=covariances)
    return Rehearsal(end, profile, tuple(comparisons), verdict)


def _shown(config: Config, seed: int | None, speed: float, out: Path, console: Console) -> int:
    from daemon.rehearsal_view import View

    night, view = seed_of(config, seed), View(console)
    view.begin(rig_name_of(config), night)
    with rehearsing(config, night, speed=speed, out=out) as stage:
        _carried_out(stage, view)
        result = held_against_truth(stage)
    if result.end.state != "done":
        _say(console, f"The run {result.end.state}: {result.end.result.get('message', '')}", style="yellow")
    if result.agreement is None:
        return exit_code(result.end) or NOT_GOOD_ENOUGH
    view.tell_table(result.comparisons)
    view.tell_verdict(result.agreement, len(result.end.ledger.observations))
    _say(console, f"Profile, observations and report: {out}")
    if result.end.state != "done":
        return exit_code(result.end)
    return DONE if result.agreement.holds else NOT_GOOD_ENOUGH


def _say(console: Console, words: str, style: str | None = None) -> None:
    console.print(words, style=style, markup=False, highlight=False)


def _carried_out(stage: Stage, view: View) -> None:
    """Run the conductor on a thread of its own while this one shows progress and hears Ctrl-C."""
    finished = threading.Event()

    def perform() -> None:
        try:
            stage.perform()
        finally:
            finished.set()

    thread = threading.Thread(target=perform, name="conductor")
    thread.start()
    try:
        view.follow(stage.live, finished, stage.conductor.stop)
    finally:
        if not finished.is_set():
            stage.conductor.stop()
        thread.join()


def compared(
    config: Config, seed: int, profile: Profile, looks: Sequence[Observation]
) -> tuple[list[Comparison], dict[tuple[str, str], float]]:
    """Return each number beside the truth, rising outward, and what is known of their covariances."""
    from drivers.simulated.truth import true_numbers

    truth = true_numbers(rig_name_of(config), seed)
    crossings = _TrueCrossings(config, profile, truth, looks)
    rows = [
        Comparison("backlash", "steps", _plain(profile.backlash_steps), crossings.backlash_steps()),
        Comparison("transition", "steps", _plain(profile.transition_steps), truth.transition_steps),
    ]
    slope = _plain(profile.slope_px_per_step)
    if slope is not None and slope.value is not None and slope.value < 0.0:
        # Which way the mask was put in is a convention of the set of frames; the size of the slope is not.
        slope = slope.scaled(-1.0)
    rows.append(Comparison("slope", "px/step", slope, abs(truth.slope_px_per_step)))
    rows += _offsets(config, profile, crossings)
    rows.append(_best_focus(config, profile, crossings))
    coefficient = profile.temperature_coefficient_steps_per_c
    if coefficient is not None:
        found = quantity_to_counts(coefficient.quantity, config.focuser.outward)
        true_value = truth.temperature_coefficient_steps_per_c
        rows.append(Comparison("temperature coefficient", "steps/C", found, true_value))
    return rows, _covariances(profile)


@dataclass(frozen=True, slots=True)
class _TrueCrossings:
    """The crossings that the looks could have found, at the profile's reference temperature.

    The truth moves with the tube while the profile's number is tied to what the probe read: the truth is
    taken at each of the reference filter's looks and brought to the reference temperature by what the probe
    said then. The drive's error counts: it is where the star really is in focus.
    """

    config: Config
    profile: Profile
    truth: TrueNumbers
    looks: Sequence[Observation]

    def steps(self, filter_name: str, side: int) -> float:
        """Return the mean over the looks (steps, rising outward)."""
        begins, alpha = self.truth.rig.night_begins_unix_s, self.truth.temperature_coefficient_steps_per_c
        reference_c, places = self.profile.reference_temperature_c, []
        for seen in self.looks:
            if seen.filter != self.config.reference_filter or seen.time_s is None:
                continue
            read_c = seen.temperature_c
            off_c = 0.0 if read_c is None or reference_c is None else read_c - reference_c
            met = self.truth.met_crossing_steps(filter_name, side, seen.time_s - begins)
            places.append(met - alpha * off_c)
        return fmean(places)

    def backlash_steps(self) -> float:
        """Return the reference filter's outward crossing minus its inward one."""
        name = self.config.reference_filter
        return self.steps(name, OUTWARD) - self.steps(name, INWARD)


def _plain(measured: Measured | None) -> Quantity | None:
    return None if measured is None else measured.quantity


def _offsets(config: Config, profile: Profile, crossings: _TrueCrossings) -> list[Comparison]:
    outward, side, rows = config.focuser.outward, final_side(config), []
    reference = crossings.steps(config.reference_filter, side)
    for entry in profile.filters:
        if entry.name == config.reference_filter:
            continue
        found = (
            None if entry.offset_steps is None else quantity_to_counts(entry.offset_steps.quantity, outward)
        )
        true_offset = crossings.steps(entry.name, side) - reference
        rows.append(Comparison(f"offset {entry.name}", "steps", found, true_offset))
    return rows


def _best_focus(config: Config, profile: Profile, crossings: _TrueCrossings) -> Comparison:
    """Return the reference filter's crossing on the final side beside where it truly was."""
    name = config.reference_filter
    entry = profile.filter_named(name)
    crossing = None if entry is None else entry.crossing(config.focuser.final_side)
    found = None if crossing is None else quantity_to_counts(crossing.quantity, config.focuser.outward)
    return Comparison(f"best focus {name}", "steps", found, crossings.steps(name, final_side(config)))


def _covariances(profile: Profile) -> dict[tuple[str, str], float]:
    """Return the covariances of the offsets, by the names of the comparisons."""
    known = profile.evidence.offsets_covariance
    if known is None:
        return {}
    names = [f"offset {name}" for name in known.filters]
    return {
        (one, other): known.steps2[row][column]
        for row, one in enumerate(names)
        for column, other in enumerate(names)
        if row != column
    }


__all__ = ["Rehearsal", "compared", "default_config", "held_against_truth", "rehearsing", "run_rehearsal"]
