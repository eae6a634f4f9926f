"""HTML that cannot be injected into: text is escaped unless it is already markup.

File names, header text and filter names come from strangers, so nothing here joins raw strings by hand.
"""

from __future__ import annotations

import html
import json
from typing import Any

_VOID = frozenset({"br", "hr", "img", "meta", "link", "input", "col"})


class Markup(str):
    """A string that is HTML already; only this module's functions make one."""

    __slots__ = ()


def text(value: object) -> Markup:
    """Return anything as escaped text; markup passes through."""
    return value if isinstance(value, Markup) else Markup(html.escape(str(value)))


def tag(name: str, /, *children: object, **attributes: object) -> Markup:
    """Return an element; ``class_`` means class, ``data_x`` means data-x, None leaves an attribute out."""
    shown = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{html.escape(str(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in _VOID:
        return Markup(f"<{name}{shown}>")
    return Markup(f"<{name}{shown}>{join(children)}</{name}>")


def join(children: object) -> Markup:
    """Return escaped children one after another; lists are flattened and None is left out."""
    if children is None:
        return Markup("")
    if isinstance(children, (list, tuple)):
        return Markup("".join(join(child) for child in children))
    return text(children)


def rows(cells: list[list[object]], head: list[str], **attributes: object) -> Markup:
    """Return a table whose first column heads its rows."""
    top = tag("thead", tag("tr", [tag("th", name, scope="col") for name in head]))
    body = [
        tag("tr", tag("th", first, scope="row"), [tag("td", cell) for cell in rest]) for first, *rest in cells
    ]
    return tag("div", tag("table", top, tag("tbody", body), **attributes), class_="scroll", tabindex="0")


def script_json(value: Any) -> str:
    """Return JSON that is safe inside a script element: no byte of it can close the element."""
    encoded = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return encoded.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
