"""The proof in the report: the numbers were applied and looked at again; what was left, filter by filter."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any

from daemon.report.drawing import Figure, Ink, Spec, base_layout, safe
from daemon.report.markup import Markup, rows, tag
from routines.profile import Profile
from routines.verdict import focus_zones
from routines.wording import fixed, format_value, short

_WORDS = {
    "passed": "The profile was applied and looked at again: it held.",
    "failed": "The profile was applied and looked at again: it did not hold. Do not rely on it.",
    "not_run": "Not proved yet: the numbers have not been applied and looked at again.",
}


@dataclass(frozen=True, slots=True)
class _Check:
    filter: str
    left_steps: float
    u_steps: float


def proof(profile: Profile) -> Markup:
    """Return whether the numbers were applied and looked at again, and what was left."""
    known = _checks(profile)
    why = (profile.proof.model_extra or {}).get("responsible") or (profile.proof.model_extra or {}).get(
        "reason"
    )
    return tag(
        "section",
        tag("h2", "Proof"),
        tag("p", _WORDS[profile.proof.status]),
        tag("p", f"Responsible: {why}." if profile.proof.status == "failed" else str(why)) if why else None,
        _table(profile, known) if known else _others(profile),
    )


def _table(profile: Profile, known: list[_Check]) -> Markup:
    zones = {zone.filter: zone for zone in focus_zones(profile)}
    cells: list[list[object]] = []
    for item in known:
        zone = zones.get(item.filter)
        share = "" if zone is None else f"{fixed(100.0 * abs(item.left_steps) / zone.half_steps, 0)} %"
        left = format_value(item.left_steps, item.u_steps, signed=True).split(" ± ")[0]
        cells.append(
            [item.filter, left, short(item.u_steps), fixed(item.left_steps / item.u_steps, 1), share]
        )
    head = ["filter", "missed by (steps)", "expected to within (u)", "ratio", "of the allowed miss"]
    return rows(cells, head, class_="numbers")


def _others(profile: Profile) -> Markup | None:
    """Return what a proof says that has no checks of the usual form."""
    hidden = ("responsible", "reason", "checks")
    lines = [
        tag("li", f"{name.replace('_', ' ')}: {value}")
        for name, value in (profile.proof.model_extra or {}).items()
        if name not in hidden
    ]
    return tag("ul", lines) if lines else None


def proof_figure(profile: Profile, inks: dict[str, Ink]) -> Figure | None:
    """Show by how much focus was missed when the numbers were applied, on each filter's focus zone."""
    known = _checks(profile)[::-1]
    if not known:
        return None
    zones = {zone.filter: zone.half_steps for zone in focus_zones(profile)}
    data: list[Spec] = []
    named = [item.filter for item in known if item.filter in zones]
    if named:
        data.append(
            {
                "type": "bar",
                "orientation": "h",
                "y": [safe(name) for name in named],
                "x": [2.0 * zones[name] for name in named],
                "base": [-zones[name] for name in named],
                "width": 0.62,
                "marker": {"color": "var(--zone)", "line": {"width": 0}},
                "hoverinfo": "skip",
                "name": "focus zone",
            }
        )
    data.extend(_mark(item, inks.get(item.filter, Ink("var(--ink)", "circle"))) for item in known)
    layout = base_layout("missed by (steps)", "", height=90 + 40 * len(known))
    layout["yaxis"].update({"type": "category", "showgrid": False})
    layout["xaxis"]["zeroline"] = True
    layout["showlegend"] = False
    caption = (
        "The numbers applied: each filter approached as the profile says, and looked at. Bars are 95 % of "
        "what was expected beforehand; the pale band is the focus zone."
    )
    return Figure(
        "fig-proof", "Proof: where focus was met when the numbers were applied", caption, data, layout
    )


def _mark(item: _Check, ink: Ink) -> Spec:
    words = (
        f"{safe(item.filter)}: missed by {short(item.left_steps, signed=True)} steps, u {short(item.u_steps)}"
    )
    return {
        "type": "scatter",
        "mode": "markers",
        "y": [safe(item.filter)],
        "x": [item.left_steps],
        "error_x": {
            "type": "data",
            "array": [1.96 * item.u_steps],
            "color": ink.colour,
            "thickness": 2,
            "width": 7,
        },
        "marker": {"color": ink.colour, "symbol": ink.symbol, "size": 11},
        "name": safe(item.filter),
        "hovertemplate": f"{words}<extra></extra>",
    }


def _checks(profile: Profile) -> list[_Check]:
    """Return the proof's checks; whatever does not read as one is left out."""
    told = (profile.proof.model_extra or {}).get("checks")
    found = [_check(item) for item in told] if isinstance(told, (list, tuple)) else []
    return [item for item in found if item is not None]


def _check(item: Any) -> _Check | None:
    try:
        check = _Check(str(item["filter"]), float(item["residual_steps"]), float(item["predicted_u_steps"]))
    except (TypeError, KeyError, ValueError):
        return None
    return check if isfinite(check.left_steps) and isfinite(check.u_steps) and check.u_steps > 0.0 else None
