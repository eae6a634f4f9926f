"""The guide for people who describe a device, held to what the reader of descriptions accepts."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from daemon.config import config_from_dict, tables
from drivers import description
from drivers.description import COMMANDS, QUERIES

GUIDE_FOLDER = Path(__file__).resolve().parents[2] / "config_examples"
GUIDE = (GUIDE_FOLDER / "README.md").read_text("utf-8")


def snippets() -> list[str]:
    """Return the indented blocks of the guide."""
    blocks = re.findall(r"(?:^    .*\n|^\n(?=    ))+", GUIDE, re.M)
    return ["\n".join(line[4:] for line in block.splitlines()) + "\n" for block in blocks]


def snippet(start: str) -> str:
    found = [block for block in snippets() if block.strip().startswith(start)]
    assert len(found) == 1, (start, len(found))
    return found[0]


REST = """
[request.halt]
send = "halt"
reply = []
[request.move]
send = "go {position:int}"
reply = "going {position:int}"
"""


def test_the_text_snippets_make_a_description() -> None:
    text = snippet("description = 1") + snippet('[framing]\nkind = "text"') + REST
    text += GUIDE_POSITION + snippet("[request.state]") + snippet("[[refusal]]")
    text += snippet('[[unsolicited]]\nmessage = "awake"')
    text += "[motion]\nspeed_steps_per_s = 400\n"
    dialect = description.parse(text, "guide.toml")
    assert dialect.line.boot_delay_s == 2.0
    assert dialect.framing.wrap(b"x") == b"x\r"


GUIDE_POSITION = '[request.position]\nsend = "where"\nreply = "at {position:int}"\n'


def test_the_binary_snippet_makes_a_framing() -> None:
    rest = REST.replace('"halt"', '"12"').replace("go {position:int}", "11 {position:i32be}")
    rest = rest.replace("going {position:int}", "91 {position:i32be}")
    text = 'description = 1\nkind = "focuser"\nname = "x"\n' + snippet('[framing]\nkind = "binary"') + rest
    text += (
        '[request.position]\nsend = "10"\nreply = "90 {position:i32be}"\n[motion]\nspeed_steps_per_s = 400\n'
    )
    assert description.parse(text, "guide.toml").encode("position") == bytes.fromhex("A6 00 10 3E 0F")


def test_commented_keys_are_accepted_where_they_stand() -> None:
    text = (description.BUILT_IN / "wheel_words.toml").read_text("utf-8")
    for key in (
        "data_bits = 8",
        'parity = "none"',
        "stop_bits = 1",
        "pause_s = 0.02",
        "echo = true",
        "dtr = false",
    ):
        assert key in GUIDE
        text = text.replace("[line]", f"[line]\n{key}")
    text = text.replace(
        "first_slot = 1", "first_slot = 0\nslots = 7\nsettle_s = 0.2\nhears_while_moving = false"
    )
    assert description.parse(text, "x.toml").line.echo


def test_the_table_names_every_request_that_roles_use() -> None:
    told = set(re.findall(r"`(\w+)`", "".join(line for line in GUIDE.splitlines() if line.startswith("| `"))))
    assert told >= QUERIES | COMMANDS


def test_a_position_that_is_told_needs_no_request_for_it() -> None:
    text = snippet("description = 1") + snippet('[framing]\nkind = "text"') + REST
    text += snippet('[[unsolicited]]\nmessage = "now {position:int}"') + "[motion]\nspeed_steps_per_s = 400\n"
    assert description.parse(text, "guide.toml").told_position(b"now -41") == -20.5


def test_the_config_snippets_are_accepted() -> None:
    sound = (GUIDE_FOLDER / "refractor.toml").read_text("utf-8")
    raw = tomllib.loads(sound)
    for start in ('[camera]\nkind = "command"', '[camera]\nkind = "folder"', "[thermometer]", "[port]"):
        text = "\n".join(line.replace("# ", "", 1) if line.startswith("# low") else line
                         for line in snippet(start).splitlines())  # fmt: skip
        for name, table in tomllib.loads(text.replace("   high_steps", "\nhigh_steps")).items():
            base = raw.get(name, {}) if name == "camera" else {}
            kept = {key: value for key, value in base.items() if key not in ("kind", "command", "folder")}
            config_from_dict({**raw, name: {**kept, **table}}, file="guide.toml")


def test_every_key_of_the_config_is_told_of() -> None:
    written = "\n".join([GUIDE, *(path.read_text("utf-8") for path in GUIDE_FOLDER.glob("*.toml"))])
    told = set(re.findall(r"\b(\w+)`", GUIDE)) | set(re.findall(r"\b(\w+) = ", written))
    known = {
        (name, key)
        for name, table in vars(tables).items()
        if isinstance(table, type) and issubclass(table, tables.Table) and name != "GatesTable"
        for key in table.model_fields
    }
    assert len(known) > 100
    assert [item for item in sorted(known) if item[1] not in told] == []
