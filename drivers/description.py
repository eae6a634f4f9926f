"""Read a device description (TOML) into a dialect, with every mistake reported at once.

Each problem names the file, the key and an example of the right form. The guide for people who write these
files is ``config_examples/README.md``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

from drivers import templates
from drivers.described_framing import read_framing
from drivers.dialect import Dialect, Kind, LineSettings, Motion, Refusal, Request, Unsolicited
from drivers.errors import DescriptionError, Problem
from drivers.framing import TextFraming
from drivers.tables import MISSING, Table, read_toml
from drivers.templates import Template, TemplateError, Value

VERSION = 1
BUILT_IN = Path(__file__).parent / "descriptions"
KINDS = ("focuser", "filter_wheel", "thermometer", "instrument")
MOST_BASES = 5
LARGEST_BYTES = 1_000_000
CAUSES = ("limit", "busy", "unknown")

QUERIES = {
    "identify", "position", "state", "temperature", "range", "speed", "slots", "slot",
    "backlash_compensation", "temperature_compensation",
}  # fmt: skip
COMMANDS = {
    "move",
    "move_by",
    "halt",
    "turn",
    "energise",
    "release",
    "backlash_compensation_set",
    "temperature_compensation_set",
}
_NEEDED = {
    "focuser": (("position", "position"), ("halt", None)),
    "filter_wheel": (("turn", None), ("slot", "slot")),
    "thermometer": (("temperature", "temperature"),),
    "instrument": (),
}
_REPLY_FIELDS = {
    "position": ("position",), "state": ("state",), "temperature": ("temperature",), "slots": ("slots",),
    "slot": ("slot",), "speed": ("speed",), "range": ("lowest", "highest"),
    "backlash_compensation": ("setting",), "temperature_compensation": ("setting",),
}  # fmt: skip
_SENT_FIELDS = {
    "move": ("position",), "move_by": ("steps",), "turn": ("slot",),
    "backlash_compensation_set": ("setting",), "temperature_compensation_set": ("setting",),
}  # fmt: skip


def load(name_or_path: str | Path) -> Dialect:
    """Return the dialect of a description file, or of a built-in one by its bare name.

    Raises DescriptionError, holding every problem, when the file is missing, unreadable or wrong.
    """
    source, text = _find(str(name_or_path), None)
    return parse(text, source)


def built_in_names() -> tuple[str, ...]:
    """Return the names of the descriptions that come with the package."""
    return tuple(sorted(path.stem for path in BUILT_IN.glob("*.toml")))


def parse(text: str, source: str) -> Dialect:
    """Return the dialect that a description's text gives; DescriptionError holds every problem."""
    content = _with_bases(_toml(text, source), source, MOST_BASES)
    problems: list[Problem] = []
    dialect = _dialect(Table(content, "", problems), source)
    if problems or dialect is None:
        raise DescriptionError(source, problems)
    return dialect


def _find(name: str, beside: str | None) -> tuple[str, str]:
    """Return (source, text) of a built-in description or of a file, relative to the file that names it."""
    built_in = BUILT_IN / f"{name}.toml"
    if "/" not in name and not name.endswith(".toml") and built_in.is_file():
        return f"built-in {name}", built_in.read_text("utf-8")
    path = Path(name).expanduser()
    if beside and not path.is_absolute():
        path = Path(beside).parent / path
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
        if len(content) > LARGEST_BYTES:
            raise OSError(f"larger than {LARGEST_BYTES} bytes")
        return str(path), content.decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        known = ", ".join(built_in_names())
        what = f"cannot be read ({error}); neither a file nor a built-in description ({known})"
        raise DescriptionError(str(path), [Problem("file", what, 'description = "focuser_words"')]) from None


def _toml(text: str, source: str) -> dict[str, Any]:
    try:
        return read_toml(text)
    except ValueError as error:
        raise DescriptionError(source, [Problem("file", str(error), 'name = "My focuser"')]) from None


def _with_bases(content: dict[str, Any], source: str, deepest: int) -> dict[str, Any]:
    """Return a description laid over the one it is based on, if any."""
    base = content.get("base")
    if base is None:
        return content
    if not isinstance(base, str) or not deepest:
        what = "is not a name" if deepest else f"more than {MOST_BASES} descriptions lie below each other"
        raise DescriptionError(source, [Problem("base", what, 'base = "focuser_words"')])
    base_source, text = _find(base, source)
    below = _with_bases(_toml(text, base_source), base_source, deepest - 1)
    return _overlaid(below, {key: value for key, value in content.items() if key != "base"})


def _overlaid(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for key, value in above.items():
        under = merged.get(key)
        both = isinstance(value, dict) and isinstance(under, dict)
        merged[key] = _overlaid(cast("dict[str, Any]", under), value) if both else value
    return merged


def _dialect(top: Table, source: str) -> Dialect | None:
    version = top.take("description", int, MISSING, f"description = {VERSION}")
    if version is not None and version != VERSION:
        top.complain("description", f"version {version} is not known; this program reads {VERSION}", "")
    kind = cast("Kind", top.choice("kind", KINDS))
    name = top.text("name", 'name = "My focuser"')
    framing = read_framing(top.table("framing"))
    is_text = isinstance(framing, TextFraming)
    line = _line(top.table("line"))
    motion = _motion(top.table("motion"), kind)
    requests = _requests(top.table("request"), is_text)
    refusals = tuple(_refusal(table, is_text) for table in top.tables("refusal"))
    unsolicited = tuple(_unsolicited(table, is_text) for table in top.tables("unsolicited"))
    top.close()
    tells_position = any(item.means == "position" for item in unsolicited if item)
    _check_requests(top, kind, requests, motion, tells_position=tells_position)
    if top.problems:
        return None
    return Dialect(
        kind, name, source, line, framing, requests,
        tuple(item for item in refusals if item), tuple(item for item in unsolicited if item), motion,
    )  # fmt: skip


def _line(table: Table) -> LineSettings:
    settings = LineSettings(
        baud=table.whole("baud", 9600, 50, 4_000_000, "baud = 9600"),
        data_bits=table.whole("data_bits", 8, 5, 8, "data_bits = 8"),
        parity=cast("Any", table.choice("parity", ("none", "even", "odd"), "none")),
        stop_bits=table.whole("stop_bits", 1, 1, 2, "stop_bits = 1"),
        reply_within_s=table.number("reply_within_s", 1.0, 0.02, 60, "reply_within_s = 1.0"),
        boot_delay_s=table.number("boot_delay_s", 0.0, 0, 30, "boot_delay_s = 2.0"),
        pause_s=table.number("pause_s", 0.0, 0, 5, "pause_s = 0.02"),
        echo=table.flag("echo", False, "echo = true"),
        dtr=table.take("dtr", bool, None, "dtr = false"),
        rts=table.take("rts", bool, None, "rts = false"),
    )
    table.close()
    return settings


def _motion(table: Table, kind: Kind) -> Motion:
    speed = table.number("speed_steps_per_s", 0.0, 0, 1e6, "speed_steps_per_s = 800")
    slots = table.whole("slots", 0, 0, 64, "slots = 7")
    default_busy = "position" if kind == "focuser" else "state"
    motion = Motion(
        speed_steps_per_s=speed or None,
        hears_while_moving=table.flag("hears_while_moving", True, "hears_while_moving = false"),
        busy=cast("Any", table.choice("busy", ("state", "position", "reply"), default_busy)),
        absolute=table.flag("absolute", True, "absolute = false"),
        settle_s=table.number("settle_s", 0.2, 0, 10, "settle_s = 0.2"),
        turn_within_s=table.number("turn_within_s", 30.0, 0.1, 600, "turn_within_s = 30"),
        first_slot=table.whole("first_slot", 1, 0, 1, "first_slot = 1"),
        slots=slots or None,
    )
    table.close()
    return motion


def _template(table: Table, key: str, text: str, is_text: bool) -> Template | None:
    try:
        return templates.parse_text(text) if is_text else templates.parse_bytes(text)
    except TemplateError as error:
        table.complain(
            key, str(error), f'{key} = "{"at {position:int}" if is_text else "90 {position:i32be}"}"'
        )
        return None


def _requests(top: Table, is_text: bool) -> dict[str, Request]:
    found = {}
    for name in top.content:
        request = _request(top.table(name), name, is_text)
        if request is not None:
            found[name] = request
    return found


def _request(table: Table, name: str, is_text: bool) -> Request | None:
    send = _template(table, "send", table.text("send", 'send = "where"'), is_text)
    replies = table.take("reply", (str, list), MISSING, 'reply = "at {position:int}", or [] when none comes')
    texts = [replies] if isinstance(replies, str) else replies or []
    found = [_template(table, "reply", text, is_text) for text in texts if isinstance(text, str)]
    if len(found) != len(texts):
        table.complain(
            "reply", "is neither a template nor a list of them", 'reply = ["slot {slot:int}", "slot none"]'
        )
    absent = table.take("absent", (int, float, str, list), [], "absent = -32768")
    limit = table.number("reply_within_s", 0.0, 0, 600, "reply_within_s = 20")
    scale = table.number("scale", 1.0, -1e9, 1e9, "scale = 0.0625")
    if not scale:
        table.complain("scale", "is 0", "scale = 0.0625")
    fields: dict[str, Any] = {
        "is_query": table.flag("query", name in QUERIES, "query = true"),
        "reply_within_s": limit or None,
        "scale": scale or 1.0,
        "offset": table.number("offset", 0.0, -1e9, 1e9, "offset = -273.15"),
        "absent": tuple(absent) if isinstance(absent, list) else (absent,),
        "off": cast("Value | None", table.take("off", (int, float, str), None, "off = 0")),
        "still": _words(table, "still"),
        "moving": _words(table, "moving"),
        "failed": {str(key): str(value) for key, value in table.take("failed", dict, {}, "").items()},
    }
    table.close()
    if send is None or None in found:
        return None
    return Request(name, send, cast("tuple[Template, ...]", tuple(found)), **fields)


def _words(table: Table, key: str) -> tuple[str, ...]:
    value = table.take(key, (str, int, list), [], f'{key} = ["still"]')
    return tuple(str(item) for item in (value if isinstance(value, list) else [value]))


def _refusal(table: Table, is_text: bool) -> Refusal | None:
    template = _template(table, "reply", table.text("reply", 'reply = "refused {reason:word}"'), is_text)
    meanings = table.take("meaning", dict, {}, 'meaning = { limit = "outside the range" }')
    garbled = _words(table, "garbled")
    found = {cause: table.take(cause, (int, str), None, f'{cause} = "{cause}"') for cause in CAUSES}
    causes = {cause: reason for cause, reason in found.items() if reason is not None}
    table.close()
    if template is None:
        return None
    return Refusal(template, {str(key): str(value) for key, value in meanings.items()}, garbled, causes)


def _unsolicited(table: Table, is_text: bool) -> Unsolicited | None:
    template = _template(table, "message", table.text("message", 'message = "awake"'), is_text)
    means = table.choice("means", ("reset", "ignore", "position"))
    scale = table.number("scale", 1.0, -1e9, 1e9, "scale = 0.5")
    table.close()
    if template and means == "position" and _lacks_number(template, "position"):
        table.complain("message", "lacks the field 'position', a number", 'message = "at {position:int}"')
        return None
    return Unsolicited(template, cast("Any", means), scale) if template else None


def _lacks_number(template: Template, name: str) -> bool:
    numbers = [field.name for field in template.fields if field.type not in ("word", "text", "ascii")]
    return name not in numbers


def _check_requests(
    top: Table, kind: Kind, requests: Mapping[str, Request], motion: Motion, *, tells_position: bool
) -> None:
    """Complain about requests that the role needs and the file lacks, and about fields they must carry."""
    table = Table({}, "request", top.problems)
    given = top.content.get("request")
    names = given if isinstance(given, dict) else {}
    for name, field in _NEEDED[kind]:
        if name not in names and not (name == "position" and tells_position):
            reply = f'reply = "... {{{field}:int}}"' if field else "reply = ..."
            table.complain(name, f"a {kind} needs this request", f'[request.{name}] send = "..." {reply}')
    wanted = "move" if motion.absolute else "move_by"
    if kind == "focuser" and wanted not in names:
        table.complain(wanted, "a focuser needs this request", f"[request.{wanted}]")
    if kind == "focuser" and motion.busy == "state" and "state" not in names:
        table.complain("state", 'motion.busy = "state" needs this request', "[request.state]")
    if kind == "focuser" and "speed" not in names and motion.speed_steps_per_s is None:
        top.complain(
            "motion.speed_steps_per_s",
            "is needed where no request tells the speed",
            "speed_steps_per_s = 800",
        )
    for name, request in requests.items():
        if name == "position" and tells_position:
            if request.replies:
                what = 'must be [] where a message with means = "position" carries the position'
                table.complain("position.reply", what, "reply = []")
            continue
        _check_fields(table, name, request)


def _check_fields(table: Table, name: str, request: Request) -> None:
    sent = {field.name for field in request.send.fields}
    for field in _SENT_FIELDS.get(name, ()):
        if field not in sent:
            table.complain(f"{name}.send", f"lacks the field {field!r}", f'send = "... {{{field}:int}}"')
    for field in _REPLY_FIELDS.get(name, ()):
        if not any(field == item.name for reply in request.replies for item in reply.fields):
            table.complain(f"{name}.reply", f"lacks the field {field!r}", f'reply = "... {{{field}:int}}"')
    if name == "state" and not (request.still and request.moving):
        table.complain(
            "state.still", "and 'moving' must both be given", 'still = ["still"], moving = ["turning"]'
        )
