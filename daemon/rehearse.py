"""The whole job on the simulated rig, and an honest verdict: found against true.

Real bytes over pseudo-terminals, real FITS files, the same drivers, conductor, journal and fit as on a real
night. This is the only module of the service that may look at the rig's truth.
"""

from __future__ import annotations

import contextlib
import tempfile
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING

from daemon.agreement import Agreement, Comparison, judge_agreement
from daemon.assembly import final_side, gates_for, train_facts
from daemon.conductor import Conductor, RunEnd
from daemon.config import Config, ConfigErrors, load_config, parse_config
from daemon.desk import Desk
from daemon.faults import Faults
from daemon.journal import Journal, JournalError
from daemon.live import Live
from daemon.outcome import DONE, HARDWARE, NOT_GOOD_ENOUGH, STOPPED, USAGE, exit_code
from daemon.outputs import RunFacts
from daemon.performer import Hands
from daemon.rehearsal_rig import RigMismatch, hands_on, protocol_of
from daemon.worker import Worker, WorkerError
from drivers.errors import DeviceError
from drivers.simulated.client import RigError, RunningRig, start_rig
from routines.convention import quantity_to_counts
from routines.observations import INWARD, OUTWARD
from routines.scripts.catalogue import ROUTINES
from routines.scripts.characterise import Characterise

if TYPE_CHECKING:
    from drivers.simulated.truth import TrueNumbers
    from routines.observations import Observation
    from routines.profile import Measured, Profile
    from routines.quantity import Quantity

DEFAULT_SEED = 1
DEFAULT_FOLDER = Path("rehearsal")
_CONCLUDE_WITHIN_S = 180.0


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What came of one rehearsal; profile and agreement are None when the run was stopped or saw nothing."""

    end: RunEnd
    profile: Profile | None
    comparisons: tuple[Comparison, ...]
    agreement: Agreement | None


def run_rehearsal(config: Path | None, seed: int | None, speed: float, out: Path | None) -> int:
    """Rehearse with a progress display and a table; return the exit code. ``speed`` 0 means no pacing."""
    from rich.console import Console

    console = Console(stderr=True)
    try:
        settings = load_config(config) if config is not None else default_config()
        return _shown(settings, seed, speed, out or DEFAULT_FOLDER, console)
    except (ConfigErrors, RigMismatch) as error:
        console.print(str(error), style="red", markup=False, highlight=False)
        return USAGE
    except (DeviceError, RigError, WorkerError, JournalError, OSError) as error:
        console.print(f"{type(error).__name__}: {error}", style="red", markup=False, highlight=False)
        return HARDWARE
    except KeyboardInterrupt:
        console.print("Stopped before anything moved.", style="yellow")
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


def rig_name_of(config: Config) -> str:
    """Return the simulated rig's name, or the path of its file."""
    name = config.simulated.rig if config.simulated is not None else "built-in"
    return str(config.resolve(name)) if name.endswith(".toml") else name


def _shown(config: Config, seed: int | None, speed: float, out: Path, console: object) -> int:
    from rich.console import Console

    from daemon.rehearsal_view import View

    assert isinstance(console, Console)
    night, view, live = seed_of(config, seed), View(console), Live()
    view.begin(rig_name_of(config), night)
    with rehearsing(config, night, speed=speed, out=out, live=live) as stage:
        _carried_out(stage, view)
        result = stage.concluded()
    if result.end.state != "done":
        console.print(
            f"The run {result.end.state}: {result.end.result.get('message', '')}",
            style="yellow",
            markup=False,
            highlight=False,
        )
    if result.agreement is None:
        return exit_code(result.end) or NOT_GOOD_ENOUGH
    view.tell_table(result.comparisons)
    view.tell_verdict(result.agreement, len(result.end.ledger.observations))
    console.print(f"Profile, observations and report: {out}", highlight=False, markup=False)
    console.print("On a real night, take the mask off now.", style="yellow")
    if result.end.state != "done":
        return exit_code(result.end)
    return DONE if result.agreement.holds else NOT_GOOD_ENOUGH


def _carried_out(stage: Stage, view: object) -> None:
    """Run the conductor on a thread of its own while this one shows progress and hears Ctrl-C."""
    from daemon.rehearsal_view import View

    assert isinstance(view, View)
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
        stage.conductor.stop()
        thread.join()


class Stage:
    """A rehearsal set up and ready: perform it, then conclude."""

    def __init__(
        self,
        config: Config,
        seed: int,
        out: Path,
        worker: Worker,
        journal: Journal,
        hands: Hands,
        live: Live,
        faults: Faults | None,
    ) -> None:
        self.config, self.seed, self.out, self.live = config, seed, out, live
        self._worker, self.hands = worker, hands
        gates = gates_for(config, hands.focuser, hands.thermometer, out)
        self.conductor = Conductor(journal, hands, gates, live, faults)
        self._run_id: str | None = None
        self._end: RunEnd | None = None
        self._failure: BaseException | None = None

    def perform(self, run_id: str | None = None) -> None:
        """Carry the run out, or on; what goes wrong is raised by `concluded`."""
        try:
            self._run_id = run_id or self._begun()
            self._end = self.conductor.carry_on(self._run_id)
        except BaseException as error:
            self._failure = error

    @property
    def run_id(self) -> str | None:
        """Return the run's id once it has begun."""
        return self._run_id

    def concluded(self) -> Rehearsal:
        """Write profile, observations and report, and hold the numbers against the truth."""
        if self._failure is not None:
            raise self._failure
        end = self._end
        assert end is not None
        if end.state == "stopped" or not any(seen.measured for seen in end.ledger.observations):
            return Rehearsal(end, None, (), None)
        facts = RunFacts(end.run_id, self.hands.clock.now(), simulated=True, source="the simulated rig")
        looks, moves = tuple(end.ledger.observations), tuple(end.ledger.moves)
        profile: Profile = self._worker.call(
            "conclude", str(self.out), looks, moves, facts, deadline_s=_CONCLUDE_WITHIN_S
        )
        comparisons, covariances = compared(self.config, self.seed, profile, looks)
        required = tuple(item.name for item in comparisons if item.name.startswith(("backlash", "offset")))
        verdict = judge_agreement(comparisons, required=required, covariances=covariances)
        return Rehearsal(end, profile, tuple(comparisons), verdict)

    def _begun(self) -> str:
        facts = train_facts(self.config, self.hands.focuser.position_steps())
        routine = ROUTINES["characterise"]
        return self.conductor.begin(routine, facts, Characterise(), self.config.fingerprint())


@contextlib.contextmanager
def rehearsing(
    config: Config,
    seed: int,
    *,
    speed: float = 0.0,
    out: Path,
    live: Live | None = None,
    surrogate: bool = False,
    faults: Faults | None = None,
    rig: RunningRig | None = None,
) -> Iterator[Stage]:
    """Set a rehearsal up: rig, drivers, worker, journal; everything is let go of afterwards.

    ``surrogate`` has the rig draw spike errors instead of frames. A ``rig`` that already runs is used as it
    is, and left running.
    """
    out.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as stack:
        worker = Worker(Desk, (config, not surrogate))
        stack.callback(worker.close)
        worker.warm_up()
        if rig is None:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="drawtube-rig-"))
            started = start_rig(
                folder,
                rig=rig_name_of(config),
                seed=seed,
                speed=speed,
                protocol=protocol_of(config),
                frames=out / "frames",
            )
            rig = stack.enter_context(started)
        journal = Journal.open(out / "journal.sqlite3")
        stack.callback(journal.close)
        hands = stack.enter_context(hands_on(rig, config, worker, surrogate=surrogate))
        yield Stage(config, seed, out, worker, journal, hands, live or Live(), faults)


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


__all__ = ["Rehearsal", "compared", "default_config", "rehearsing", "run_rehearsal"]
