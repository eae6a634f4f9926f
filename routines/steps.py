"""The few things a script may ask for, and what each is answered with.

A script yields a step and receives an answer. Steps hold only absolute targets, so that carrying one out
twice ends in the same place. Answers are plain data: the conductor journals them as JSON and feeds the
decoded record to the script, live as on replay. A failure is an answer too (`Failed`), never an exception
thrown into the script.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from routines.observations import Method, Observation


@dataclass(frozen=True, slots=True)
class Travel:
    """Go straight to an absolute position, from wherever the motor is."""

    position_steps: float


@dataclass(frozen=True, slots=True)
class Approach:
    """Go past a position by the overshoot, then come to it from ``side`` (OUTWARD: counts rising)."""

    position_steps: float
    side: int
    overshoot_steps: float


@dataclass(frozen=True, slots=True)
class SelectFilter:
    """Turn the wheel to a filter by its configured name."""

    filter: str


Onward = Travel | Approach | SelectFilter


@dataclass(frozen=True, slots=True)
class Observe:
    """Expose and measure one frame; ``exposure_s`` None lets the exposure rule choose.

    ``then`` is where to go next whatever the frame tells: it is gone to while the frame is measured.
    """

    filter: str
    exposure_s: float | None = None
    method: Method = "mask"
    pass_id: int | None = None
    marker: bool = False
    then: tuple[Onward, ...] = ()


@dataclass(frozen=True, slots=True)
class Estimate:
    """Fit everything seen so far in this run; ``want`` says what the script will decide on.

    ``ask``, in plain data, asks as well where to look next (`routines.estimate.errand`); the answer is among
    the numbers as "next_looks", so that the choice is journaled and a replay makes the same one.
    """

    want: str
    ask: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Await:
    """Wait for a named condition (for example "mask_on", "mask_off"), at most so long."""

    condition: str
    at_most_s: float


@dataclass(frozen=True, slots=True)
class Remark:
    """Tell people how far the routine is (0 to 1) and what comes next."""

    fraction: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Arrived:
    """The motor stands at ``position_steps``, reached from ``side``."""

    position_steps: float
    side: int
    travel_since_reversal_steps: float


@dataclass(frozen=True, slots=True)
class Selected:
    """The wheel stands at a filter."""

    filter: str


@dataclass(frozen=True, slots=True)
class Seen:
    """A frame was taken; its observation may still hold no value, with flags that say why.

    ``then`` answers what was to be done meanwhile, as far as it went: up to the first failure.
    """

    observation: Observation
    then: tuple[Answer, ...] = ()


@dataclass(frozen=True, slots=True)
class Estimated:
    """What the fit so far knows: numbers by name (each a quantity's dict or None) and flag codes."""

    numbers: dict[str, Any] = field(default_factory=dict)
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Released:
    """The awaited condition holds, after so long."""

    waited_s: float


@dataclass(frozen=True, slots=True)
class Noted:
    """The remark was passed on."""


@dataclass(frozen=True, slots=True)
class Failed:
    """A step could not be done; ``code`` is for the script, ``message`` for people."""

    code: str
    message: str


Step = Travel | Approach | SelectFilter | Observe | Estimate | Await | Remark
Answer = Arrived | Selected | Seen | Estimated | Released | Noted | Failed
Script = Generator[Step, Answer, dict[str, Any]]

_STEPS = {cls.__name__: cls for cls in (Travel, Approach, SelectFilter, Observe, Estimate, Await, Remark)}
_ANSWERS = {cls.__name__: cls for cls in (Arrived, Selected, Seen, Estimated, Released, Noted, Failed)}


def legs_of(step: Step) -> tuple[float, ...]:
    """Return the absolute positions (steps) that a step makes the motor visit, in order."""
    if isinstance(step, Travel):
        return (step.position_steps,)
    if isinstance(step, Approach):
        return (step.position_steps - step.side * step.overshoot_steps, step.position_steps)
    return ()


def parts_of(step: Step) -> tuple[Step, ...]:
    """Return what a step does one after the other: a look and where it goes meanwhile, or the step alone."""
    if isinstance(step, Observe) and step.then:
        return (replace(step, then=()), *step.then)
    return (step,)


def answered_in_parts(step: Step, answer_one: Callable[[Step], Answer]) -> Answer:
    """Answer a step by its parts, up to the first failure, as a conductor that does one at a time would."""
    first, *others = parts_of(step)
    answer, then = answer_one(first), []
    if not isinstance(answer, Seen) or not others:
        return answer
    for other in others:
        then.append(answer_one(other))
        if isinstance(then[-1], Failed):
            break
    return replace(answer, then=tuple(then))


def answers_to_parts(step: Step, answer: Answer) -> list[tuple[Step, Answer]]:
    """Return a step's parts, each with its own answer; parts that were never begun are left out."""
    if not isinstance(answer, Seen):
        return [(step, answer)]
    return list(zip(parts_of(step), (replace(answer, then=()), *answer.then), strict=False))


def step_to_dict(step: Step) -> dict[str, Any]:
    """Return the JSON form of a step: its kind and its fields."""
    record = {"kind": type(step).__name__, **asdict(step)}
    if isinstance(step, Observe):
        del record["then"]
        return record | ({"then": [step_to_dict(one) for one in step.then]} if step.then else {})
    return record


def step_from_dict(record: dict[str, Any]) -> Step:
    """Return the step that ``step_to_dict`` wrote; KeyError or TypeError when it is not one."""
    values = {name: value for name, value in record.items() if name != "kind"}
    if "then" in values:
        values["then"] = tuple(step_from_dict(one) for one in values["then"])
    return _STEPS[record["kind"]](**values)


def answer_to_dict(answer: Answer) -> dict[str, Any]:
    """Return the JSON form of an answer."""
    record: dict[str, Any] = {"kind": type(answer).__name__}
    for item in fields(answer):
        value = getattr(answer, item.name)
        record[item.name] = value.as_dict() if isinstance(value, Observation) else value
    if isinstance(answer, Seen):
        del record["then"]
        return record | ({"then": [answer_to_dict(one) for one in answer.then]} if answer.then else {})
    return record


def answer_from_dict(record: dict[str, Any]) -> Answer:
    """Return the answer that ``answer_to_dict`` wrote, also after a trip through JSON."""
    values = {name: value for name, value in record.items() if name != "kind"}
    if record["kind"] == "Seen":
        values["observation"] = Observation.from_dict(values["observation"])
        values["then"] = tuple(answer_from_dict(one) for one in values.get("then", ()))
    if "flags" in values:
        values["flags"] = tuple(values["flags"])
    return _ANSWERS[record["kind"]](**values)
