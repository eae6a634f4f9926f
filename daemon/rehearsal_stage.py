"""A rehearsal set up on the simulated rig: its devices, worker, journal and conductor, and what it leaves.

Knows nothing of the rig's truth; on real devices the same parts are put together the same way.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.assembly import train_facts
from daemon.conductor import Conductor, RunEnd, cut_short
from daemon.config import Config
from daemon.desk import Desk
from daemon.faults import Faults
from daemon.gate_setup import Watched, gates_for, glimpse_every_s
from daemon.journal import Journal
from daemon.live import Live
from daemon.outputs import RunFacts
from daemon.performer import Hands
from daemon.rechecking import parameters_for
from daemon.rehearsal_rig import hands_on, protocol_of, rig_name_of
from daemon.worker import Worker, WorkerError
from drivers.simulated.client import RunningRig, start_rig
from routines.scripts.catalogue import ROUTINES

if TYPE_CHECKING:
    from routines.profile import Profile

_CONCLUDE_WITHIN_S = 600.0


@dataclass(frozen=True, slots=True)
class StageOptions:
    """How a rehearsal is staged.

    ``surrogate`` has the rig draw looks instead of frames; ``routine`` is a routine's name and ``how`` its
    parameters, None for the usual ones.
    """

    surrogate: bool = False
    routine: str = "characterise"
    how: Any = None
    faults: Faults | None = None


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
        options: StageOptions,
    ) -> None:
        self.config, self.seed, self.out, self.hands = config, seed, out, hands
        self._worker = worker
        self._routine = ROUTINES[options.routine]
        self._how = options.how or parameters_for(options.routine, config, None, seed)
        gates = gates_for(config, Watched(hands.focuser, hands.thermometer, hands.clock, out, out))
        self.conductor = Conductor(
            journal, hands, gates, Live(), options.faults, glimpse_every_s=glimpse_every_s(config)
        )
        self._end: RunEnd | None = None
        self._failure: BaseException | None = None

    @property
    def live(self) -> Live:
        """Return what the run looks like right now."""
        return self.conductor.live

    def perform(self, run_id: str | None = None) -> None:
        """Carry the run out, or on; what goes wrong is raised by ``end``."""
        try:
            self._end = self.conductor.carry_on(run_id or self._begun())
        except BaseException as error:
            self._failure = error

    @property
    def end(self) -> RunEnd:
        """Return how the run ended, or raise what it raised."""
        if self._failure is not None:
            raise self._failure
        if self._end is None:
            raise RuntimeError("the rehearsal has not been performed")
        return self._end

    def concluded(self) -> Profile | None:
        """Write profile, observations and report; None when the run was stopped, failed or saw nothing.

        After a failure the looks do not mean what a fit would make of them: the run's own reason matters.
        """
        end = self.end
        if end.state in ("stopped", "failed") or not any(seen.measured for seen in end.ledger.observations):
            return None
        facts = RunFacts(
            run=end.run_id,
            created=self.hands.clock.now(),
            simulated=True,
            source="the simulated rig",
            proof=end.result.get("proof", {}),
            cut_short=cut_short(end),
        )
        looks, moves = tuple(end.ledger.observations), tuple(end.ledger.moves)
        try:
            profile: Profile = self._worker.call(
                "conclude", str(self.out), looks, moves, facts, deadline_s=_CONCLUDE_WITHIN_S
            )
        except WorkerError:
            if end.state == "done":
                raise
            return None
        return profile

    def _begun(self) -> str:
        facts = train_facts(self.config, self.hands.focuser.position_steps())
        return self.conductor.begin(self._routine, facts, self._how, self.config.fingerprint())


@contextlib.contextmanager
def rehearsing(
    config: Config,
    seed: int,
    *,
    out: Path,
    speed: float = 0.0,
    rig: RunningRig | None = None,
    options: StageOptions = StageOptions(),
) -> Iterator[Stage]:
    """Set a rehearsal up: rig, drivers, worker, journal; everything is let go of afterwards.

    A ``rig`` that already runs is used as it is, and left running.
    """
    out.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as stack:
        worker = Worker(Desk, (config, not options.surrogate))
        stack.callback(worker.close)
        worker.warm_up()
        if rig is None:
            rig = stack.enter_context(_started(config, seed, speed, out))
        journal = Journal.open(out / "journal.sqlite3")
        stack.callback(journal.close)
        hands = stack.enter_context(hands_on(rig, config, worker, surrogate=options.surrogate))
        yield Stage(config, seed, out, worker, journal, hands, options)


@contextlib.contextmanager
def _started(config: Config, seed: int, speed: float, out: Path) -> Iterator[RunningRig]:
    """Start the rig in a folder of its own; its frames go to ``out``."""
    name, protocol = rig_name_of(config), protocol_of(config)
    with (
        tempfile.TemporaryDirectory(prefix="drawtube-rig-") as folder,
        start_rig(
            folder, rig=name, seed=seed, speed=speed, protocol=protocol, frames=out / "frames"
        ) as running,
    ):
        yield running
