"""The report's figures as plain plotly specifications.

Colours are names such as ``var(--c1)``, which the page's script turns into the chosen scheme's. A filter
keeps one colour and one marker throughout; filled markers were reached moving inward, open ones outward.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daemon.report.drawing import (
    Figure,
    Ink,
    Spec,
    base_layout,
    filters_in,
    inks_for,
    level,
    looks_trace,
    safe,
    stripe,
)
from daemon.report.points import Point
from daemon.report.proof import proof_figure
from routines.convention import sign_of
from routines.observations import OUTWARD
from routines.profile import Measured, Profile, Side
from routines.verdict import focus_zones
from routines.wording import format_quantity

if TYPE_CHECKING:
    from routines.estimate.result import JointFit

FARTHEST_SHOWN = 5.0


def all_figures(profile: Profile, fit: JointFit, points: Sequence[Point]) -> list[Figure]:
    """Return every figure that the data can fill, in the order in which they are read."""
    inks = inks_for(profile, points)
    made = (
        zone_figure(profile, inks),
        proof_figure(profile, inks),
        error_figure(profile, fit, points, inks),
        lag_figure(profile, points, inks),
        residual_position_figure(points, inks),
        residual_time_figure(points, inks),
        temperature_figure(points),
    )
    return [figure for figure in made if figure is not None]


def zone_figure(profile: Profile, inks: dict[str, Ink]) -> Figure | None:
    """Show each filter's offset with its interval, on its focus zone around the reference's focus."""
    known = [(e.name, e.offset_steps) for e in profile.filters if e.offset_steps is not None]
    if len(known) < 2:
        return None
    known.reverse()
    zones = {zone.filter: zone.half_steps for zone in focus_zones(profile)}
    data: list[Spec] = []
    if zones:
        named = [(name, zones[name]) for name, _ in known if name in zones]
        data.append(
            {
                "type": "bar",
                "orientation": "h",
                "y": [safe(name) for name, _ in named],
                "x": [2.0 * half for _, half in named],
                "base": [-half for _, half in named],
                "width": 0.62,
                "marker": {"color": "var(--zone)", "line": {"width": 0}},
                "hovertemplate": "focus zone +/- %{customdata:.1f} steps<extra></extra>",
                "customdata": [half for _, half in named],
                "name": "focus zone",
            }
        )
    data.extend(_offset_mark(name, offset, inks[name]) for name, offset in known)
    layout = base_layout("offset from the reference filter (steps)", "", height=90 + 46 * len(known))
    layout["yaxis"].update({"type": "category", "showgrid": False, "zeroline": False})
    layout["xaxis"]["zeroline"] = True
    layout["showlegend"] = False
    caption = "Each mark is a filter's best focus counted from the reference's, with its 95 % interval. " + (
        "A mark outside its pale band is out of focus unless the offset is applied." if zones else ""
    )
    return Figure("fig-zones", "Do the filters differ by more than the focus zone?", caption, data, layout)


def _offset_mark(name: str, offset: Measured, ink: Ink) -> Spec:
    value = offset.value if offset.value is not None else offset.high95
    words = f"{safe(name)}: {safe(format_quantity(offset.quantity, 'steps', signed=True))}"
    return {
        "type": "scatter",
        "mode": "markers",
        "y": [safe(name)],
        "x": [value],
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [offset.high95 - value],
            "arrayminus": [value - offset.low95],
            "color": ink.colour,
            "thickness": 2,
            "width": 7,
        },
        "marker": {"color": ink.colour, "symbol": ink.symbol, "size": 11},
        "name": safe(name),
        "hovertemplate": f"{words}<extra></extra>",
    }


def error_figure(
    profile: Profile, fit: JointFit, points: Sequence[Point], inks: dict[str, Ink]
) -> Figure | None:
    """Show the measured error against the motor's position, with the fit and the dead zone."""
    if not points:
        return None
    data = _dead_zone(profile, points)
    for name in filters_in(points):
        ink, own = inks[name], [point for point in points if point.filter == name]
        data.extend(_branch_bands(profile, name, own, ink))
        data.extend(_fitted_curves(profile, fit, name, ink))
        data.append(looks_trace(own, ink, name, [p.position for p in own], [p.value_px for p in own]))
    masked = profile.method != "width"
    layout = base_layout(
        "position (steps, as the controller counts)", "spike error (px)" if masked else "star width (px)"
    )
    layout["yaxis"]["zeroline"] = masked
    title = "Spike error against position" if masked else "Star width against position"
    return Figure("fig-error", title, _error_caption(profile), data, layout)


def _error_caption(profile: Profile) -> str:
    words = "Filled: reached moving inward. Open: moving outward. With a dot: inside the dead zone. "
    words += (
        "Thin lines are the fit, pass by pass; the bands around the straight parts are its 95 % interval."
    )
    if profile.backlash_steps is not None and profile.backlash_steps.value is not None:
        words += (
            f" Shaded: the dead zone of {profile.reference_filter}, "
            f"{format_quantity(profile.backlash_steps.quantity, 'steps')} wide."
        )
    return words


def _dead_zone(profile: Profile, points: Sequence[Point]) -> list[Spec]:
    """Return the area between the two branches of the reference filter, across the measured errors."""
    lines = [_branch_line(profile, profile.best_focus.filter, side) for side in ("inward", "outward")]
    values = [point.value_px for point in points]
    if lines[0] is None or lines[1] is None or profile.method == "width":
        return []
    low, high = min(values), max(values)
    (slope, first), (_, second) = lines[0], lines[1]
    x = [first + low / slope, first + high / slope, second + high / slope, second + low / slope]
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": x,
            "y": [low, high, high, low],
            "fill": "toself",
            "fillcolor": "var(--dead)",
            "line": {"width": 0, "color": "var(--dead)"},
            "hoverinfo": "skip",
            "name": "dead zone",
            "opacity": 0.8,
        }
    ]


def _branch_line(profile: Profile, name: str, side: Side) -> tuple[float, float] | None:
    """Return (slope px per count, crossing) of a filter's branch, or None."""
    entry, slope = profile.filter_named(name), profile.slope_px_per_step
    crossing = None if entry is None else entry.crossing(side)
    if profile.method == "width" or crossing is None or crossing.value is None:
        return None
    if slope is None or not slope.value:
        return None
    return slope.value, crossing.value


def _branch_bands(profile: Profile, name: str, own: list[Point], ink: Ink) -> list[Spec]:
    """Return each branch's 95 % interval as a band over the errors seen on it."""
    bands = []
    sides: tuple[Side, ...] = ("inward", "outward")
    for side in sides:
        line = _branch_line(profile, name, side)
        values = [point.value_px for point in own if point.branch == side]
        if line is None or len(values) < 2:
            continue
        bands.append(_band(profile, name, side, values, ink))
    return bands


def _band(profile: Profile, name: str, side: Side, values: list[float], ink: Ink) -> Spec:
    """Widen the crossing's interval by the slope's, away from the crossing."""
    entry, slope = profile.filter_named(name), profile.slope_px_per_step
    crossing = None if entry is None else entry.crossing(side)
    assert crossing is not None and slope is not None and slope.value is not None and slope.u is not None
    ys = [min(values) + (max(values) - min(values)) * share / 20.0 for share in range(21)]
    left, right = [], []
    centre = crossing.value or 0.0
    for y in ys:
        reach = y / slope.value
        half = (
            ((crossing.high95 - crossing.low95) / 2.0) ** 2 + (1.96 * reach * slope.u / slope.value) ** 2
        ) ** 0.5
        left.append(centre + reach - half)
        right.append(centre + reach + half)
    return {
        "type": "scatter",
        "mode": "lines",
        "x": left + right[::-1],
        "y": ys + ys[::-1],
        "fill": "toself",
        "fillcolor": ink.colour,
        "opacity": 0.28,
        "line": {"width": 0, "color": ink.colour},
        "hoverinfo": "skip",
        "legendgroup": safe(name),
        "showlegend": False,
    }


def _fitted_curves(profile: Profile, fit: JointFit, name: str, ink: Ink) -> list[Spec]:
    """Return the fit along each pass as a thin line, dashed when moving outward."""
    sign = sign_of(profile.outward)
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": [sign * place for place in curve.position_steps],
            "y": list(curve.fitted_px),
            "line": {"color": ink.colour, "width": 1.2, "dash": "dash" if curve.side == OUTWARD else "solid"},
            "hoverinfo": "skip",
            "legendgroup": safe(name),
            "showlegend": False,
        }
        for curve in fit.curves
        if curve.filter == name
    ]


def lag_figure(profile: Profile, points: Sequence[Point], inks: dict[str, Ink]) -> Figure | None:
    """Show how far the drawtube trails the motor: all filters fall on one picture of the lost motion."""
    shown = [point for point in points if point.lag_steps is not None]
    backlash = profile.backlash_steps
    if not shown or backlash is None:
        return None
    data = []
    for name in filters_in(shown):
        own = [point for point in shown if point.filter == name]
        y, errors = [point.lag_steps for point in own], [point.lag_u_steps for point in own]
        data.append(looks_trace(own, inks[name], name, [point.position for point in own], y, errors))
    layout = base_layout("position (steps, as the controller counts)", "drawtube trails the motor by (steps)")
    layout["shapes"] = [stripe(backlash.low95, backlash.high95)]
    if backlash.value is not None:
        layout["shapes"] += [level(0.0), level(backlash.value)]
    caption = (
        "Nought when the gears push inward, the whole backlash when they push outward, in between inside the "
        "dead zone. The band is the backlash with its 95 % interval; bars are one standard uncertainty."
    )
    return Figure("fig-lag", "Lost motion", caption, data, layout)


def residual_position_figure(points: Sequence[Point], inks: dict[str, Ink]) -> Figure | None:
    """Show what the fit leaves over, in standard uncertainties, against position."""
    shown = [point for point in points if point.residual_px is not None and point.u_px > 0.0]
    if not shown:
        return None
    data = _residual_traces(shown, inks, [point.position for point in shown])
    layout = _residual_layout("position (steps, as the controller counts)")
    caption = (
        "What is left over, divided by its own standard uncertainty. About one look in twenty should lie "
        "outside the band; a bend, a step or a wave would mean that the model misses something. Crosses were "
        "put aside; those at the edge lie beyond it."
    )
    return Figure("fig-residual-position", "Left over, against position", caption, data, layout)


def residual_time_figure(points: Sequence[Point], inks: dict[str, Ink]) -> Figure | None:
    """Show what the fit leaves over against time, or against the order of the looks."""
    shown = [point for point in points if point.residual_px is not None and point.u_px > 0.0]
    if not shown:
        return None
    timed = all(point.time_s is not None for point in shown)
    start = min(point.time_s or 0.0 for point in shown)
    places = [((point.time_s or 0.0) - start) / 60.0 if timed else float(point.number) for point in shown]
    data = _residual_traces(shown, inks, places)
    layout = _residual_layout("time since the first look (min)" if timed else "look, in the order taken")
    caption = "A trend here would mean slip, sag or a temperature that the thermometer did not see."
    return Figure("fig-residual-time", "Left over, against time", caption, data, layout)


def _residual_traces(shown: list[Point], inks: dict[str, Ink], places: list[float]) -> list[Spec]:
    data = []
    for name in filters_in(shown):
        pairs = [(point, place) for point, place in zip(shown, places, strict=True) if point.filter == name]
        own = [point for point, _ in pairs]
        y = [_within_view((point.residual_px or 0.0) / point.u_px) for point in own]
        data.append(looks_trace(own, inks[name], name, [place for _, place in pairs], y))
    return data


def _within_view(residual: float) -> float:
    """Hold a far outlier at the edge of the picture, where its cross stays visible."""
    return min(max(residual, -FARTHEST_SHOWN), FARTHEST_SHOWN)


def _residual_layout(x_title: str) -> Spec:
    layout = base_layout(x_title, "left over (standard uncertainties)", height=320)
    layout["shapes"] = [stripe(-1.96, 1.96), level(0.0)]
    layout["yaxis"]["range"] = [-FARTHEST_SHOWN - 0.5, FARTHEST_SHOWN + 0.5]
    return layout


def temperature_figure(points: Sequence[Point]) -> Figure | None:
    """Show the temperature over the run."""
    shown = [point for point in points if point.temperature_c is not None]
    if len(shown) < 2:
        return None
    timed = all(point.time_s is not None for point in shown)
    start = min(point.time_s or 0.0 for point in shown)
    data: list[Spec] = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "x": [((p.time_s or 0.0) - start) / 60.0 if timed else p.number for p in shown],
            "y": [point.temperature_c for point in shown],
            "line": {"color": "var(--c1)", "width": 1.5},
            "marker": {"color": "var(--c1)", "size": 5},
            "name": "temperature",
            "hovertemplate": "%{y:.2f} C<extra></extra>",
        }
    ]
    layout = base_layout(
        "time since the first look (min)" if timed else "look, in the order taken", "temperature (C)", 280
    )
    layout["showlegend"] = False
    return Figure("fig-temperature", "Temperature", "As recorded with each look.", data, layout)
