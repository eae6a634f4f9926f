"""Read the ``[framing]`` table of a description: how messages are told apart and checked."""

from __future__ import annotations

from typing import Any, cast

from drivers.checksums import Checksum
from drivers.framing import BinaryFraming, Framing, TextFraming
from drivers.tables import MISSING, Table


def read_framing(table: Table) -> Framing:
    """Return the framing that a table describes, as well as it could be read; problems are noted in it."""
    kind = table.choice("kind", ("text", "binary"))
    framing = _text_framing(table) if kind == "text" else _binary_framing(table)
    table.close()
    return framing


def _text_framing(table: Table) -> TextFraming:
    example = 'reply_end = "\\r\\n"'
    ends = [_latin(table, key, table.text(key, example.replace("reply", key[:-4])))
            for key in ("request_end", "reply_end")]  # fmt: skip
    if "reply_end" in table.content and not ends[1]:
        table.complain("reply_end", "is empty: nothing would tell where a reply ends", example)
    if not all(ends):
        ends = [end or b"\n" for end in ends]
    checksum_table = table.table("checksum")
    checksum, _ = _checksum(checksum_table)
    separator = _latin(checksum_table, "separator", checksum_table.text("separator", 'separator = "*"', ""))
    covers_start = checksum_table.flag("covers_start", False, "covers_start = true")
    checksum_table.close()
    return TextFraming(
        request_end=ends[0],
        reply_end=ends[1],
        longest=table.whole("longest", 256, 1, 4096, "longest = 256"),
        request_start=_latin(table, "request_start", table.text("request_start", 'request_start = ":"', "")),
        reply_start=_latin(table, "reply_start", table.text("reply_start", 'reply_start = "="', "")),
        checksum=checksum,
        separator=separator,
        covers_start=covers_start,
    )


def _latin(table: Table, key: str, text: str) -> bytes:
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError:
        table.complain(key, f"{text!r} holds characters that are no single byte", f'{key} = "\\n"')
        return b""


def _hex(table: Table, key: str, example: str, default: str | object = MISSING) -> bytes:
    text = table.text(key, example, default)
    try:
        return bytes.fromhex(text)
    except ValueError:
        table.complain(key, f"{text!r} is not pairs of hex digits", example)
        return b""


def _binary_framing(table: Table) -> BinaryFraming:
    start = _hex(table, "start", 'start = "A6"')
    end = _hex(table, "end", 'end = "0D"', "")
    size = table.whole("length_size", 1, 0, 4, "length_size = 1")
    if not size and not end:
        table.complain(
            "length_size", "is 0 and there is no end: nothing would tell where a frame ends", 'end = "0D"'
        )
    if not start and not table.problems:
        table.complain("start", "is empty", 'start = "A6"')
    escape_table = table.table("escape")
    escape = _hex(escape_table, "byte", 'byte = "A9"', "")
    escaped = _hex(escape_table, "of", 'of = "A6 A9"', "")
    xor = _hex(escape_table, "xor", 'xor = "55"', "00")
    if escape_table.content and (len(escape) != 1 or len(xor) != 1 or escape[0] not in escaped):
        what = "one escape byte, one xor byte, and the escape byte among those escaped are needed"
        escape_table.complain("of", what, 'byte = "A9", xor = "55", of = "A6 A9"')
    escape_table.close()
    sum_table = table.table("checksum")
    checksum, order = _checksum(sum_table)
    covers_start = sum_table.flag("covers_start", False, "covers_start = true")
    covers_length = sum_table.flag("covers_length", True, "covers_length = false")
    sum_table.close()
    return BinaryFraming(
        start=start,
        end=end,
        length_size=size,
        length_adds=table.whole("length_adds", 0, -8, 16, "length_adds = -1"),
        length_order=cast("Any", table.choice("length_order", ("big", "little"), "big")),
        longest=table.whole("longest", 256, 1, 4096, "longest = 64"),
        checksum=checksum,
        checksum_order=cast("Any", order),
        covers_start=covers_start,
        covers_length=covers_length,
        escape=escape[0] if escape else None,
        escape_xor=xor[0] if xor else 0,
        escaped=frozenset(escaped),
    )


def _checksum(table: Table) -> tuple[Checksum | None, str]:
    if not table.content:
        return None, "big"
    kind = table.choice("kind", ("crc", "sum", "xor", "lrc"))
    width = table.whole("width_bits", 8, 8, 32, "width_bits = 16")
    if width % 8:
        table.complain("width_bits", f"{width} is not 8, 16, 24 or 32", "width_bits = 16")
        width = 8
    top = (1 << width) - 1
    checksum = Checksum(
        kind=cast("Any", kind),
        width_bits=width,
        polynomial=table.whole("polynomial", 0, 0, top, "polynomial = 0x1021"),
        initial=table.whole("initial", 0, 0, top, "initial = 0xFFFF"),
        reflect_in=table.flag("reflect_in", False, "reflect_in = true"),
        reflect_out=table.flag("reflect_out", False, "reflect_out = true"),
        final_xor=table.whole("final_xor", 0, 0, top, "final_xor = 0"),
    )
    if kind == "crc" and not checksum.polynomial:
        table.complain("polynomial", "is missing", "polynomial = 0x1021")
    return checksum, table.choice("order", ("big", "little"), "big")
