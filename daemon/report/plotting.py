"""A report's figures as PNG or SVG files, for a forum post or a letter; matplotlib draws, an optional extra.

The figures are read back from the report itself, so that a picture shows what the report shows. Only what
those figures use is understood; it is no translator of plotly at large.
"""

from __future__ import annotations

import html
import json
import re
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Spec = dict[str, Any]
Kind = Literal["png", "svg"]
_STORED = re.compile(r'<script type="application/json" id="figures">(.*?)</script>', re.S)
_MARKERS = {
    "circle": "o",
    "square": "s",
    "diamond": "D",
    "triangle-up": "^",
    "pentagon": "p",
    "star": "*",
    "hexagon": "h",
    "cross": "P",
    "x-thin": "x",
}
_WIDE_IN, _DPI, _PX_PER_IN = 9.0, 130, 92.0


class CannotDraw(Exception):
    """The figures cannot be drawn; the message says what is missing."""


def export(report: Path, kinds: tuple[Kind, ...], folder: Path) -> list[Path]:
    """Draw each of a report's figures into ``folder`` and return the files; raises CannotDraw or OSError."""
    try:
        import matplotlib
    except ImportError:
        raise CannotDraw(
            "pictures need matplotlib: .venv/bin/pip install -c constraints.txt -e '.[pictures]'"
        ) from None
    matplotlib.use("Agg")
    figures = stored_figures(report.read_text(encoding="utf-8"))
    if not figures:
        raise CannotDraw(f"{report} holds no figure to draw")
    folder.mkdir(parents=True, exist_ok=True)
    return [path for figure in figures for path in _drawn(figure, kinds, folder)]


def stored_figures(document: str) -> list[Spec]:
    """Return the figures that a report carries, colours as names."""
    found = _STORED.search(document)
    if found is None:
        return []
    figures: list[Spec] = json.loads(found[1])
    return figures


def _drawn(figure: Spec, kinds: tuple[Kind, ...], folder: Path) -> list[Path]:
    from matplotlib import pyplot as plt

    layout = figure["layout"]
    high = layout.get("height", 440) / _PX_PER_IN
    drawing, axes = plt.subplots(figsize=(_WIDE_IN, high), layout="constrained", dpi=_DPI)
    try:
        _shapes(axes, layout.get("shapes", ()))
        for trace in figure["data"]:
            _trace(axes, trace)
        _dress(axes, figure)
        paths = [folder / f"{figure['id'].removeprefix('fig-')}.{kind}" for kind in kinds]
        for path in paths:
            drawing.savefig(path)
    finally:
        plt.close(drawing)
    return paths


def _trace(axes: Axes, trace: Spec) -> None:
    if trace["type"] == "bar":
        axes.barh(
            _plain(trace["y"]),
            trace["x"],
            left=trace["base"],
            height=trace["width"],
            color=_colour(trace["marker"]["color"]),
            zorder=1,
        )
    elif trace.get("fill") == "toself":
        opacity = trace.get("opacity", 1.0)
        axes.fill(
            trace["x"], trace["y"], color=_colour(trace["fillcolor"]), alpha=opacity, linewidth=0, zorder=1
        )
    else:
        _line(axes, trace)
        _marks(axes, trace)


def _line(axes: Axes, trace: Spec) -> None:
    if "lines" not in trace["mode"]:
        return
    line = trace.get("line", {})
    style = {"dash": "--", "dot": ":"}.get(line.get("dash", "solid"), "-")
    axes.plot(
        _plain(trace["x"]),
        _plain(trace["y"]),
        style,
        color=_colour(line.get("color")),
        linewidth=line.get("width", 1.2),
        zorder=2,
    )


def _marks(axes: Axes, trace: Spec) -> None:
    if "markers" not in trace["mode"]:
        return
    marker, x, y = trace["marker"], _plain(trace["x"]), _plain(trace["y"])
    colour, symbols = _colour(marker["color"]), marker.get("symbol", "circle")
    _errors(axes, trace, x, y)
    if isinstance(symbols, str):
        symbols = [symbols] * len(x)
    label = html.unescape(str(trace.get("name", "")))
    for symbol in dict.fromkeys(symbols):
        own = [k for k, item in enumerate(symbols) if item == symbol]
        base, hollow = symbol.split("-open")[0], "-open" in symbol
        thin = base == "x-thin"
        axes.scatter(
            [x[k] for k in own],
            [y[k] for k in own],
            marker=_MARKERS.get(base, "o"),
            s=34,
            facecolors=colour if thin or not hollow else "none",
            edgecolors=None if thin else colour,
            label=label,
            zorder=3,
        )
        if symbol.endswith("-dot"):
            axes.scatter([x[k] for k in own], [y[k] for k in own], marker=".", s=8, color=colour, zorder=3)
        label = "_nolegend_"


def _errors(axes: Axes, trace: Spec, x: list[Any], y: list[Any]) -> None:
    for axis in ("x", "y"):
        errors = trace.get(f"error_{axis}")
        if errors is None:
            continue
        up = [value or 0.0 for value in errors["array"]]
        down = [value or 0.0 for value in errors.get("arrayminus", errors["array"])]
        bars: dict[str, Any] = {f"{axis}err": [down, up]}
        axes.errorbar(x, y, fmt="none", ecolor=_colour(errors.get("color")), elinewidth=1.2, zorder=2, **bars)


def _shapes(axes: Axes, shapes: Any) -> None:
    for shape in shapes:
        if shape["type"] == "rect":
            axes.axhspan(shape["y0"], shape["y1"], color=_colour(shape["fillcolor"]), zorder=0)
        else:
            axes.axhline(shape["y0"], color=_colour(shape["line"]["color"]), linewidth=0.8, zorder=0)


def _dress(axes: Axes, figure: Spec) -> None:
    layout = figure["layout"]
    axes.set_title(figure.get("title", ""), loc="left", fontsize=11)
    for axis, name in ((axes.xaxis, "xaxis"), (axes.yaxis, "yaxis")):
        told = layout[name]
        axis.set_label_text(html.unescape(told["title"]["text"]))
        if "range" in told:
            (axes.set_xlim if name == "xaxis" else axes.set_ylim)(*told["range"])
    if layout["xaxis"].get("zeroline"):
        axes.axvline(0.0, color=_colour("var(--soft)"), linewidth=0.8, zorder=1)
    if layout["yaxis"].get("zeroline"):
        axes.axhline(0.0, color=_colour("var(--soft)"), linewidth=0.8, zorder=1)
    if layout["yaxis"].get("type") != "category":
        axes.grid(color=_colour("var(--rule)"), linewidth=0.6)
        axes.ticklabel_format(useOffset=False, style="plain")
    axes.set_axisbelow(True)
    axes.use_sticky_edges = False
    axes.spines[["top", "right"]].set_visible(False)
    if layout.get("showlegend") is not False and axes.get_legend_handles_labels()[1]:
        axes.legend(frameon=False, fontsize=9, ncols=8, loc="lower left", bbox_to_anchor=(0.0, -0.32))


def _plain(values: Any) -> list[Any]:
    """Return labels as they read; numbers stay."""
    return [html.unescape(item) if isinstance(item, str) else item for item in values]


def _colour(name: str | None) -> str:
    found = re.fullmatch(r"var\((--\w+)\)", name or "")
    return _paper().get(found[1], "#000000") if found else (name or "#000000")


@cache
def _paper() -> dict[str, str]:
    """Return the colours for paper, from the sheet that page and report share."""
    sheet = (files("daemon.report") / "schemes.css").read_text(encoding="utf-8")
    paper = sheet.partition('[data-scheme="paper"]')[2].partition("}")[0]
    return dict(re.findall(r"(--\w+): (#[0-9a-fA-F]{6})", paper))
