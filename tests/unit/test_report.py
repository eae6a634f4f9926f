"""The report: self-contained, safe whatever the files hold, and right about what it shows."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
import pytest
from profile_cases import BANDS, case_curves, case_facts, case_fit, case_night

from daemon.report import ReportContext, render_report, write_report
from daemon.report.drawing import Figure
from daemon.report.figures import FARTHEST_SHOWN, all_figures
from daemon.report.markup import Markup, join, script_json, tag
from daemon.report.points import Point, plotted_points
from routines.estimate.result import JointFit
from routines.observations import Observation
from routines.optics import Band
from routines.profile import Profile
from routines.profile_build import FilterFacts, build_profile
from routines.quantity import Quantity

HOSTILE = "</script><img src=x onerror=alert(1)><script>alert(2)</script>\"'&"


class Page(HTMLParser):
    """Collects what a browser would see: elements, their attributes, scripts and visible text."""

    def __init__(self, document: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.words: list[str] = []
        self._inside = ""
        self.feed(document)
        self.close()

    def handle_starttag(self, name: str, attributes: list[tuple[str, str | None]]) -> None:
        self.elements.append((name, dict(attributes)))
        self._inside = name

    def handle_endtag(self, name: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            self.scripts.append(data)
        elif self._inside != "style":
            self.words.append(data)

    def named(self, name: str) -> list[dict[str, str | None]]:
        return [attributes for element, attributes in self.elements if element == name]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def policy_of(page: Page) -> str:
    policies = [m["content"] for m in page.named("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert len(policies) == 1
    return policies[0] or ""


def night(**facts: Any) -> tuple[Profile, JointFit, list[Observation]]:
    looks, rows = case_night()
    fit = case_fit(rows=rows, outliers=(37, 142), curves=case_curves())
    return build_profile(fit, case_facts(**facts)), fit, looks


@pytest.fixture(scope="module")
def document() -> str:
    return render_report(*night())


def figures_of(profile: Profile, fit: JointFit, looks: list[Observation]) -> dict[str, Figure]:
    points = plotted_points(profile, fit, looks)
    return {figure.id: figure for figure in all_figures(profile, fit, points)}


def test_nothing_is_loaded_from_elsewhere(document: str) -> None:
    page = Page(document)
    assert not page.named("link") and not page.named("img") and not page.named("iframe")
    assert all("src" not in attributes for attributes in page.named("script"))
    policy = next(
        m["content"] for m in page.named("meta") if m.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None and policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "http" not in policy


def test_the_policy_lets_exactly_our_scripts_run(document: str) -> None:
    hashes = set(re.findall(r"'sha256-([^']+)'", policy_of(Page(document))))
    inline = re.findall(r"<script>(.*?)</script>", document, flags=re.S)
    assert len(inline) == 2
    assert {base64.b64encode(hashlib.sha256(item.encode()).digest()).decode() for item in inline} == hashes


def test_the_answer_comes_first_and_the_numbers_with_their_uncertainty(document: str) -> None:
    words = Page(document).text
    order = [
        "Matters on this rig",
        "To type elsewhere",
        "The numbers",
        "How to use it",
        "Evidence",
        "Settings",
    ]
    places = [words.index(item) for item in order]
    assert places == sorted(places)
    assert "84.7 to 87.9" in words and "-21.7" in words
    assert "R squared" not in words and "R²" not in words


def test_hostile_text_stays_text() -> None:
    profile, fit, looks = night(rig=HOSTILE, star_name=HOSTILE, run=HOSTILE)
    looks = [replace(look, path=f"/frames/{HOSTILE}") for look in looks]
    document = render_report(profile, fit, looks, ReportContext(source=HOSTILE, settings={HOSTILE: HOSTILE}))
    page = Page(document)
    assert len(page.named("script")) == 3
    assert not page.named("img")
    assert f"Focus train of {HOSTILE}" in " ".join(page.words)
    assert all(not name.startswith("on") for _, attributes in page.elements for name in attributes)


def test_a_hostile_filter_name_reaches_plotly_escaped() -> None:
    name = '<a href="javascript:alert(1)">R</a>'
    looks = [Observation(n, name, 100.0 + n, value_px=1.0 - n, u_px=0.1, path="<b>x") for n in range(4)]
    fit = JointFit(observed={name: 4}, offsets_steps={name: Quantity.gaussian(0.0, 1.0)})
    facts = case_facts(filters=(FilterFacts(Band(name, 600.0, 80.0)),), reference_filter=name)
    profile = build_profile(fit, facts)
    specs = json.dumps([figure.data for figure in figures_of(profile, fit, looks).values()])
    assert "&lt;a href" in specs and "&lt;b&gt;x" in specs
    assert "<a " not in specs and "<b>" not in specs


def test_every_figure_is_valid_plotly() -> None:
    figures = figures_of(*night())
    assert set(figures) == {
        "fig-zones",
        "fig-error",
        "fig-lag",
        "fig-residual-position",
        "fig-residual-time",
        "fig-temperature",
    }
    for figure in figures.values():
        # plotly's own validators know every property and range; our colour names stand for real colours.
        spec = json.loads(re.sub(r"var\(--\w+\)", "#123456", json.dumps([figure.data, figure.layout])))
        go.Figure(data=spec[0], layout=spec[1])


def test_every_look_is_drawn_once_at_its_place() -> None:
    profile, fit, looks = night(outward="falling")
    traces = [t for t in figures_of(profile, fit, looks)["fig-error"].data if t["mode"] == "markers"]
    drawn = sorted((x, y) for trace in traces for x, y in zip(trace["x"], trace["y"], strict=True))
    assert drawn == sorted((-look.position_steps, look.value_px) for look in looks)
    assert [trace["name"] for trace in traces] == [band.name for band in BANDS]
    assert len({trace["marker"]["color"] for trace in traces}) == len(BANDS)


def test_markers_tell_the_side_and_the_dead_zone() -> None:
    profile, fit, looks = night()
    points = {point.number: point for point in plotted_points(profile, fit, looks)}
    assert {point.branch for point in points.values()} == {"inward", "outward", "between"}
    trace = next(
        t for t in figures_of(profile, fit, looks)["fig-error"].data if t.get("name") == "L" and "marker" in t
    )
    assert set(trace["marker"]["symbol"]) == {"circle", "circle-open", "circle-open-dot"}


def test_lost_motion_is_nought_inward_and_the_backlash_outward() -> None:
    profile, fit, looks = night()
    points = [p for p in plotted_points(profile, fit, looks) if p.lag_steps is not None and not p.is_outlier]
    mean = {
        side: _mean([p.lag_steps or 0.0 for p in points if p.branch == side])
        for side in ("inward", "outward")
    }
    assert mean["inward"] == pytest.approx(0.0, abs=0.5)
    assert mean["outward"] == pytest.approx(86.0, abs=0.5)


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def test_far_outliers_stay_visible_and_are_listed() -> None:
    profile, fit, looks = night()
    figure = figures_of(profile, fit, looks)["fig-residual-position"]
    shown = [y for trace in figure.data for y in trace["y"]]
    assert max(shown) == FARTHEST_SHOWN
    words = Page(render_report(profile, fit, looks)).text
    assert "look-0037.fits" in words and "look-0142.fits" in words and "look-0038.fits" not in words


def test_an_empty_fit_gives_a_report_that_says_why() -> None:
    profile = build_profile(JointFit(), case_facts(mask=None))
    words = Page(render_report(profile, JointFit(), [])).text
    assert "No look gave a number" in words
    assert "this filter was not observed" in words
    assert "None yet" in words


def test_unmeasured_looks_are_left_out_and_unfitted_ones_are_drawn() -> None:
    looks = [Observation(0, "L", 100.0), Observation(1, "L", 120.0, value_px=0.4, u_px=0.1, side=1)]
    fit = JointFit(observed={"L": 1})
    points: list[Point] = plotted_points(build_profile(fit, case_facts()), fit, looks)
    assert [(point.number, point.branch, point.lag_steps) for point in points] == [(1, "outward", None)]


def test_falling_slope_and_wide_slope_keep_the_bands_finite() -> None:
    profile, fit, looks = night()
    wide = replace(fit, slope_px_per_step=Quantity.gaussian(-0.065, 0.06))
    text = script_json(
        [figure.data for figure in figures_of(build_profile(wide, case_facts()), wide, looks).values()]
    )
    assert "NaN" not in text and "Infinity" not in text
    assert profile.slope_px_per_step is not None


def test_the_file_is_written_whole(tmp_path: Path) -> None:
    path = tmp_path / "out" / "report.html"
    write_report(path, *night())
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert [item.name for item in path.parent.iterdir()] == ["report.html"]


def test_markup_escapes_text_and_attributes_but_not_itself() -> None:
    assert tag("p", "<b>", title='"><i') == '<p title="&quot;&gt;&lt;i">&lt;b&gt;</p>'
    assert tag("p", tag("b", "x")) == "<p><b>x</b></p>"
    assert join(["a", None, [Markup("<br>"), 1]]) == "a<br>1"
    assert "<" not in script_json({"a": "</script>&<!--"})
