"""The report: one HTML file with everything in it, to read at night, to print, and to hand on.

Nothing is loaded from elsewhere, and a content policy inside the file forbids it to try: only the scripts
written here may run, whatever a header or a file name holds.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.report import sections
from daemon.report.drawing import Figure
from daemon.report.figures import all_figures
from daemon.report.frames import ShownFrame
from daemon.report.frames import frames as frames_section
from daemon.report.holds import holds as holds_section
from daemon.report.markup import Markup, join, script_json, tag
from daemon.report.points import plotted_points
from daemon.report.proof import proof as proof_section
from daemon.report.widths import width_figure, width_points, width_section
from routines.observations import Observation
from routines.profile import Profile
from routines.verdict import judge

if TYPE_CHECKING:
    from routines.estimate.result import JointFit


@dataclass(frozen=True, slots=True)
class ReportContext:
    """What the report says beside the profile: where the looks came from, the settings by name.

    ``frames`` are shown as pictures; ``holds`` say when the run was held, until when, and why.
    """

    source: str = "from this rig"
    settings: Mapping[str, str] = field(default_factory=dict)
    frames: Sequence[ShownFrame] = ()
    holds: Sequence[Mapping[str, Any]] = ()


def render_report(
    profile: Profile, fit: JointFit, observations: Sequence[Observation], context: ReportContext | None = None
) -> str:
    """Return the whole HTML document."""
    context = context or ReportContext()
    verdict = judge(profile)
    points = plotted_points(profile, fit, observations)
    widths = width_points(profile, fit, observations)
    by_width = width_figure(profile, fit, widths)
    figures = [*all_figures(profile, fit, points), *([by_width] if by_width is not None else [])]
    body = (
        sections.masthead(profile, context),
        sections.answer(verdict),
        sections.entries(verdict, profile),
        sections.numbers(profile, verdict),
        sections.filters(profile, verdict),
        width_section(profile, fit),
        sections.rules(profile),
        sections.remarks(profile),
        proof_section(profile),
        sections.evidence(figures),
        frames_section(context.frames),
        sections.outliers([*points, *widths]),
        holds_section(context.holds),
        sections.method(),
        sections.settings(profile, context),
    )
    return _document(f"Focus train of {profile.rig}", tag("main", body), figures)


def _document(title: str, body: Markup, figures: Sequence[Figure]) -> str:
    scripts = [_asset("plotly"), _asset("report.js")] if figures else [_asset("report.js")]
    data = [
        {"id": item.id, "title": item.title, "data": item.data, "layout": item.layout} for item in figures
    ]
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_policy(scripts)),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        tag("style", Markup(_asset("schemes.css") + _asset("report.css"))),
    )
    stored = tag("script", Markup(script_json(data)), type="application/json", id="figures")
    running = [tag("script", Markup(script)) for script in scripts]
    page = tag("html", head, tag("body", body, stored, running), lang="en", data_scheme="paper")
    return f"<!DOCTYPE html>\n{page}\n"


@cache
def _asset(name: str) -> str:
    if name == "plotly":
        return (files("plotly") / "package_data" / "plotly.min.js").read_text(encoding="utf-8")
    return (files("daemon.report") / name).read_text(encoding="utf-8")


def _policy(scripts: Sequence[str]) -> str:
    """Return a policy that lets exactly these scripts run and nothing be fetched."""
    hashes = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts]
    allowed = " ".join(f"'sha256-{item}'" for item in hashes)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def write_report(
    path: Path,
    profile: Profile,
    fit: JointFit,
    observations: Sequence[Observation],
    context: ReportContext | None = None,
) -> None:
    """Write the report to ``path``, whole or not at all."""
    from daemon.files import write_text

    write_text(path, render_report(profile, fit, observations, context))


__all__ = ["Markup", "ReportContext", "join", "render_report", "write_report"]
