"""`drawtube try`: send one named request of a description to a port, and watch the bytes."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.commands.console import log_to_stderr, out_console, tell, tell_problem
from daemon.exit_codes import DONE, HARDWARE, STOPPED, USAGE

if TYPE_CHECKING:
    from drivers.device import Device
    from drivers.dialect import Dialect, Request
    from drivers.templates import Field, Value

MOVING = frozenset({"move", "move_by", "turn"})
_ALL_ENTRIES = 200


@dataclass(frozen=True, slots=True)
class TryOut:
    """What was asked for on the command line."""

    port: str
    description: str
    name: str | None = None
    values: tuple[str, ...] = ()
    listen_s: float = 0.0
    moves: bool = False


def try_request(asked: TryOut) -> int:
    """List a description's requests, or send one; returns the exit code."""
    from drivers import description
    from drivers.errors import DescriptionError

    try:
        dialect = description.load(asked.description)
    except DescriptionError as error:
        tell_problem(error)
        return USAGE
    if asked.name is None:
        _list(dialect)
        return DONE
    complaint = _complaint(dialect, asked)
    if complaint:
        tell_problem(complaint)
        return USAGE
    request = dialect.requests[asked.name]
    try:
        values = _values(request, asked.values)
        dialect.encode(request.name, values)
    except ValueError as error:
        tell_problem(f"{request.name}: {error}; it sends {request.send.source!r}")
        return USAGE
    return _send(dialect, asked, request, values)


def _complaint(dialect: Dialect, asked: TryOut) -> str:
    """Return why this is not sent, or nothing."""
    from daemon.config.problems import nearest

    name = asked.name or ""
    if not dialect.knows(name):
        near = nearest(name, dialect.requests)
        hint = f"; did you mean {near!r}?" if near else f"; it knows {', '.join(dialect.requests)}"
        return f"{dialect.source} has no request {name!r}{hint}"
    if name in MOVING and not asked.moves:
        return (
            f"{name!r} moves the device, and here no limits are checked. With fingers and cables clear, "
            "and a hand near the power switch, add --moves"
        )
    return ""


def _values(request: Request, pairs: tuple[str, ...]) -> dict[str, Value]:
    """Return the fields' values from FIELD=VALUE; ValueError says what is wrong with them."""
    fields = {field.name: field for field in request.send.fields}
    values: dict[str, Value] = {}
    for pair in pairs:
        key, equals, text = pair.partition("=")
        if not equals or key not in fields:
            known = ", ".join(f"{name}=..." for name in fields) or "no field"
            raise ValueError(f"{pair!r} is not a field with a value; this request has {known}")
        values[key] = _value(fields[key], text)
    missing = [name for name in fields if name not in values]
    if missing:
        raise ValueError(f"no value for {', '.join(missing)}; write {missing[0]}=VALUE")
    return values


def _value(field: Field, text: str) -> Value:
    if field.type in ("word", "text", "ascii"):
        return text
    try:
        return float(text) if field.type in ("decimal", "scientific") else int(text, 0)
    except ValueError:
        kind = "a number" if field.type in ("decimal", "scientific") else "a whole number"
        raise ValueError(f"{field.name}={text}: {kind} was expected") from None


def _list(dialect: Dialect) -> None:
    from rich import box
    from rich.table import Table

    console = out_console()
    console.print(f"{dialect.name} ({dialect.kind.replace('_', ' ')}, {dialect.source})")
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("request", "sends", "reply", "what it needs"):
        table.add_column(heading)
    for name, request in dialect.requests.items():
        replies = " | ".join(template.source for template in request.replies) or "(none)"
        needs = " ".join(f"{field.name}=..." for field in request.send.fields)
        moves = "--moves" if name in MOVING else ""
        table.add_row(name, request.send.source, replies, " ".join(part for part in (needs, moves) if part))
    console.print(table)


def _send(dialect: Dialect, asked: TryOut, request: Request, values: dict[str, Value]) -> int:
    from drivers.device import Device
    from drivers.errors import DeviceError

    log_to_stderr(least="error")  # what goes wrong on the line is shown whole, below
    device = Device(dialect, asked.port)
    try:
        device.line.open()
        return _exchanged(device, asked, request, values)
    except DeviceError as error:
        tell_problem(error)
        return HARDWARE
    except KeyboardInterrupt:
        _halt(device, request)
        return STOPPED
    finally:
        device.close()


def _exchanged(device: Device, asked: TryOut, request: Request, values: dict[str, Value]) -> int:
    """Make the exchange and show it; the bytes are shown whatever comes of it."""
    from drivers.errors import Refused, ReplyInvalid, ReplyLate

    console, code = out_console(), DONE
    try:
        answer = device.request(request.name, values)
    except (ReplyInvalid, ReplyLate, Refused) as error:
        tell_problem(str(error).partition("; the last bytes")[0])
        code = HARDWARE
    else:
        for key, value in answer.items():
            console.print(f"{key} = {'none' if value is None else value}")
        if not answer:
            console.print("answered" if request.replies else "sent; the description says no reply comes")
        _tell_condition(request, answer)
    if asked.listen_s:
        device.line.listen(asked.listen_s)
    console.print(device.line.trace.show(time.monotonic(), last=_ALL_ENTRIES))
    if request.name in MOVING and code == DONE:
        tell("This waits for no end of the move: ask for position or state, or send halt.")
    return code


def _tell_condition(request: Request, answer: dict[str, Value | None]) -> None:
    if request.name == "state":
        condition, words = request.condition_of(answer.get("state"))
        out_console().print(f"this means: {condition}" + (f" ({words})" if condition == "failed" else ""))


def _halt(device: Device, request: Request) -> None:
    """Leave nothing turning behind an interrupted move."""
    from drivers.device import quietly

    if request.name in MOVING:
        quietly(device.interject_halt, "halt_after_interrupt_failed")
        tell("stopped; the halt was sent")
