"""What must hold before an observation: levels judged on the latest reading and its age, never edges.

A gate trips at one level and opens again only past another, and after a settling time; a reading that is
missing or too old counts as shut. What holds a run is the set of gates that are shut.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from routines.observations import Observation

Side = Literal["above", "below"]


@dataclass(frozen=True, slots=True)
class Levels:
    """When a gate shuts and opens: ``shut_when`` says on which side of ``trip`` it is shut.

    ``unit`` and ``what`` make the reason that people read. Times are in seconds.
    """

    what: str
    unit: str
    trip: float
    resume: float
    shut_when: Side
    settling_s: float = 0.0
    longest_hold_s: float = 3600.0
    maximum_age_s: float = 120.0

    def __post_init__(self) -> None:
        inverted = self.resume > self.trip if self.shut_when == "above" else self.resume < self.trip
        if inverted:
            beyond = "at most" if self.shut_when == "above" else "at least"
            raise ValueError(
                f"{self.what}: the gate shuts {self.shut_when} {self.trip:g} {self.unit}, so its resume "
                f"level must be {beyond} that, not {self.resume:g} {self.unit}"
            )

    def tripped(self, value: float, u: float = 0.0) -> bool:
        """Tell whether a value shuts an open gate: beyond the trip level by more than two of its ``u``."""
        return value - 2.0 * u > self.trip if self.shut_when == "above" else value + 2.0 * u < self.trip

    def resumed(self, value: float) -> bool:
        """Tell whether a value may open a shut gate, once it has lasted."""
        return value <= self.resume if self.shut_when == "above" else value >= self.resume


@dataclass(frozen=True, slots=True)
class Level:
    """The latest reading of what a gate watches: None when there is none, and how old it is.

    ``u`` is its standard uncertainty; ``words`` stand in the reason instead of the bare number.
    """

    value: float | None
    age_s: float = 0.0
    u: float = 0.0
    words: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One gate as it stands; ``since_s`` on the clock's monotonic scale.

    ``ends`` is a code and the words for it when waiting makes no sense and the run should end now.
    ``wants_looks`` says that only further looks can open it. An open gate's ``reason`` is worth saying once,
    its ``note`` only stands beside it while people look.
    """

    name: str
    open: bool
    reason: str
    since_s: float
    longest_hold_s: float
    ends: tuple[str, str] | None = None
    wants_looks: bool = False
    note: str = ""


class Judge(Protocol):
    """Anything that is asked before each look."""

    def judge(self, now_s: float) -> Verdict:
        """Read and judge; ``now_s`` is monotonic."""
        ...


class Gate:
    """One watched quantity and whether observations may go on.

    ``hopeless`` is asked while the gate is shut: words when it cannot open in time, which ends the run.
    """

    def __init__(
        self,
        name: str,
        levels: Levels,
        read: Callable[[], Level],
        *,
        wants_looks: bool = False,
        hopeless: Callable[[], str | None] = lambda: None,
    ) -> None:
        self.name = name
        self.levels = levels
        self._read = read
        self._wants_looks = wants_looks
        self._hopeless = hopeless
        self._open = True
        self._since_s: float | None = None
        self._good_since_s: float | None = None
        self._reason = ""

    def judge(self, now_s: float) -> Verdict:
        """Read and judge; ``now_s`` is monotonic."""
        level = self._read()
        why = self._why_shut(level)
        if why is not None:
            self._shut(why, now_s)
        elif not self._open:
            self._try_to_open(now_s)
        since = now_s if self._since_s is None else self._since_s
        self._since_s = since
        words = None if self._open else self._hopeless()
        return Verdict(
            self.name,
            self._open,
            self._reason,
            since,
            self.levels.longest_hold_s,
            None if words is None else ("held_too_long", f"{self._reason}; {words}"),
            self._wants_looks,
        )

    def _why_shut(self, level: Level) -> str | None:
        levels = self.levels
        if level.value is None:
            return f"{levels.what}: no reading"
        if level.age_s > levels.maximum_age_s:
            if level.words:
                return f"{levels.what}: {level.words}"
            return f"{levels.what}: last read {level.age_s:.0f} s ago, over {levels.maximum_age_s:.0f} s"
        is_bad = levels.tripped(level.value, level.u) if self._open else not levels.resumed(level.value)
        if not is_bad:
            return None
        bound = levels.trip if self._open else levels.resume
        told = level.words or f"{level.value:.4g} {levels.unit}"
        return f"{levels.what}: {told} is {levels.shut_when} {bound:g} {levels.unit}"

    def _shut(self, why: str, now_s: float) -> None:
        if self._open:
            self._open, self._since_s = False, now_s
        self._reason, self._good_since_s = why, None

    def _try_to_open(self, now_s: float) -> None:
        if self._good_since_s is None:
            self._good_since_s = now_s
        left = self.levels.settling_s - (now_s - self._good_since_s)
        if left <= 0.0:
            self._open, self._since_s, self._reason = True, now_s, ""
        else:
            self._reason = f"{self.levels.what}: good again, settling for another {left:.0f} s"


class Gates:
    """All gates of a run; ``listeners`` are told of every look, those of an earlier life included."""

    def __init__(
        self, gates: Iterable[Judge], listeners: Iterable[Callable[[Observation], None]] = ()
    ) -> None:
        self._gates = tuple(gates)
        self._listeners = tuple(listeners)

    def note(self, seen: Observation) -> None:
        """Take in a look: what the star's gates go by."""
        for listener in self._listeners:
            listener(seen)

    def judge(self, now_s: float) -> tuple[Verdict, ...]:
        """Judge every gate, also after the first that is shut: each must see its readings."""
        return tuple(gate.judge(now_s) for gate in self._gates)


def disk_gate(folder: Path, least_free_gb: float, resume_free_gb: float | None = None) -> Gate:
    """Return the gate that shuts when the disk holding ``folder`` runs full (10^9 bytes)."""
    resume = least_free_gb if resume_free_gb is None else resume_free_gb

    def read() -> Level:
        try:
            return Level(shutil.disk_usage(folder).free / 1e9)
        except OSError:
            return Level(None)

    levels = Levels("free disk space", "GB", least_free_gb, resume, "below")
    return Gate("disk", levels, read)


def limits_gate(read_steps: Callable[[], Level], low_steps: float, high_steps: float) -> Gate:
    """Return the gate that shuts when the focuser stands outside its soft limits."""

    def excess() -> Level:
        level = read_steps()
        if level.value is None:
            return level
        return Level(max(low_steps - level.value, level.value - high_steps, 0.0), level.age_s)

    return Gate("limits", Levels("position beyond the soft limits", "steps", 0.0, 0.0, "above"), excess)
