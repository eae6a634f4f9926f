"""The shapes of the HTTP interface: what is asked and what is answered, from which its schema is made."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

State = Literal["idle", "running", "holding", "stopping"]
RunState = Literal[
    "queued", "running", "holding", "stopping", "interrupted", "done", "partial", "stopped", "failed"
]


class Answer(BaseModel):
    """What every answer has in common."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class RunBrief(Answer):
    """The run that is on; ``remaining_s`` is null while it is too early to say."""

    id: str
    routine: str
    state: State
    step: int
    observations: int
    fraction: float = Field(ge=0.0, le=1.0)
    remaining_s: float | None
    sentence: str


class GateState(Answer):
    """One gate of the run that is on; ``reason`` is empty while it is open."""

    name: str
    open: bool
    reason: str
    since: datetime


class ProfileBrief(Answer):
    """The latest profile in one line."""

    created: datetime
    run: str | None
    simulated: bool
    headline: str


class Reloaded(Answer):
    """The config file that the service goes over to, in a moment."""

    file: str


class ScheduleState(Answer):
    """One schedule: what it does next, and what became of its last occasion."""

    name: str
    routine: str
    next: datetime | None
    last: str


class Status(Answer):
    """What the service is at; positions in the controller's counts."""

    state: State
    run: RunBrief | None
    holding: list[str]
    gates: list[GateState]
    position_steps: int | None
    filter: str | None
    temperature_c: float | None
    profile: ProfileBrief | None
    queued: list[str]
    interrupted: list[str]
    schedules: list[ScheduleState]
    rig: str
    simulated: bool
    version: str


class RunView(Answer):
    """One run; ``exit_code`` is how `drawtube start --wait` ends, null until the run has ended."""

    id: str
    routine: str
    state: RunState
    origin: str
    created: datetime
    ended: datetime | None
    result: dict[str, Any] | None
    observations: int | None
    report: bool
    exit_code: int | None


class RunList(Answer):
    """Runs, the newest first."""

    runs: list[RunView]


class StartRequest(BaseModel):
    """Which routine to run, and what to do when another run is on."""

    model_config = ConfigDict(extra="forbid")

    routine: Annotated[str, Field(min_length=1, max_length=100)]
    if_busy: Literal["refuse", "queue"] = "refuse"


class Started(Answer):
    """The id of a run that was asked for, and its state: it begins at once or waits."""

    id: str
    state: RunState


class ObservationList(Answer):
    """A run's observations so far, as they are journaled; positions in steps, rising outward."""

    run: str
    observations: list[dict[str, Any]]


class PlannedStep(Answer):
    """One step of a dry run; positions in the controller's counts, the overshoot included."""

    number: int
    does: str
    positions_steps: list[int]
    seconds: float


class Plan(Answer):
    """What a routine would do on a train that behaves as expected; nothing has moved."""

    routine: str
    steps: list[PlannedStep]
    observations: int
    duration_s: float
    lowest_steps: int | None
    highest_steps: int | None
    limits_steps: tuple[int, int]
    inside_limits: bool
    outcome: str
    predicted_u_steps: dict[str, float]
    sky_s: float
    notes: list[str]


class Health(Answer):
    """Whether the service is well; 503 otherwise."""

    ok: bool
    why: str


class Problem(Answer):
    """Why a request was not granted."""

    detail: str
