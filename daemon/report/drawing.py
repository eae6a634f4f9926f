"""What the report's figures are made of: how a filter is drawn, marks, bands, axes.

Colours are names such as ``var(--c1)``, which the page's script turns into the chosen scheme's.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.report.points import Point
from routines.profile import Profile
from routines.wording import short

Spec = dict[str, Any]

_COLOURS = 8
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "pentagon", "star", "hexagon", "cross")


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure: what it shows in words, and its specification."""

    id: str
    title: str
    caption: str
    data: list[Spec]
    layout: Spec
    alt: str = ""

    @property
    def height_px(self) -> int:
        """Return the height that the layout asks for."""
        return int(self.layout.get("height", 420))


@dataclass(frozen=True, slots=True)
class Ink:
    """How one filter is drawn."""

    colour: str
    symbol: str


def inks_for(profile: Profile, points: Sequence[Point]) -> dict[str, Ink]:
    """Return colour and marker of every filter, the reference filter first."""
    names = [profile.reference_filter, *(item.name for item in profile.filters), *(p.filter for p in points)]
    ordered = list(dict.fromkeys(names))
    return {
        name: Ink(f"var(--c{index % _COLOURS + 1})", _SYMBOLS[index % len(_SYMBOLS)])
        for index, name in enumerate(ordered)
    }


def looks_trace(
    own: list[Point],
    ink: Ink,
    name: str,
    x: list[Any],
    y: list[Any],
    errors: list[Any] | None = None,
) -> Spec:
    """Return a filter's looks as markers; an outlier is drawn as an x."""
    spec: Spec = {
        "type": "scatter",
        "mode": "markers",
        "x": x,
        "y": y,
        "marker": {
            "color": ink.colour,
            "size": [10 if point.is_outlier else 8 for point in own],
            "symbol": [_symbol(point, ink) for point in own],
            "line": {"width": 1.4, "color": ink.colour},
        },
        "name": safe(name),
        "legendgroup": safe(name),
        "text": [_hover(point) for point in own],
        "hovertemplate": "%{text}<extra></extra>",
    }
    if errors is not None:
        spec["error_y"] = {"type": "data", "array": errors, "color": ink.colour, "thickness": 1, "width": 0}
    return spec


def _symbol(point: Point, ink: Ink) -> str:
    if point.is_outlier:
        return "x-thin"
    if point.branch == "inward":
        return ink.symbol
    return f"{ink.symbol}-open" if point.branch == "outward" else f"{ink.symbol}-open-dot"


def _hover(point: Point) -> str:
    lines = [
        f"look {point.number}, filter {safe(point.filter)}",
        f"position {short(point.position)}, moving {point.branch}",
        f"error {point.value_px:.2f} px, u {point.u_px:.2f} px",
    ]
    if point.residual_px is not None:
        lines.append(f"left over {point.residual_px:+.2f} px")
    if point.temperature_c is not None:
        lines.append(f"{point.temperature_c:.1f} C")
    if point.path:
        lines.append(safe(point.path.rsplit("/", 1)[-1][:80]))
    return "<br>".join(lines)


def filters_in(points: Iterable[Point]) -> list[str]:
    """Return the filters' names in the order in which they first appear."""
    return list(dict.fromkeys(point.filter for point in points))


def stripe(low: float, high: float) -> Spec:
    """Return a band across the whole picture, below the marks."""
    return {
        "type": "rect",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": low,
        "y1": high,
        "fillcolor": "var(--zone)",
        "line": {"width": 0},
        "layer": "below",
    }


def level(y: float) -> Spec:
    """Return a thin line across the whole picture."""
    line = {"color": "var(--soft)", "width": 1}
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": y,
        "y1": y,
        "line": line,
        "layer": "below",
    }


def base_layout(x_title: str, y_title: str, height: int = 440) -> Spec:
    """Return the layout that all figures start from."""
    return {
        "height": height,
        "margin": {"l": 70, "r": 20, "t": 16, "b": 58},
        "paper_bgcolor": "var(--sheet)",
        "plot_bgcolor": "var(--sheet)",
        "font": {
            "color": "var(--ink)",
            "size": 13,
            "family": "Inter, Segoe UI, Arial, DejaVu Sans, sans-serif",
        },
        "xaxis": _axis(x_title),
        "yaxis": _axis(y_title),
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0, "bgcolor": "rgba(0,0,0,0)"},
        "hoverlabel": {
            "bgcolor": "var(--sheet)",
            "bordercolor": "var(--soft)",
            "font": {"color": "var(--ink)"},
        },
        "hovermode": "closest",
        "separators": ".",
    }


def _axis(title: str) -> Spec:
    return {
        "title": {"text": title, "standoff": 10},
        "gridcolor": "var(--rule)",
        "zerolinecolor": "var(--soft)",
        "zerolinewidth": 1,
        "zeroline": False,
        "linecolor": "var(--rule)",
        "automargin": True,
        "exponentformat": "none",
        "separatethousands": False,
    }


def safe(words: str) -> str:
    """Return text that plotly shows as it stands: it reads a little HTML in labels."""
    return html.escape(words)
