"""Portraits of frames, the frames and holds in a report, and a report's figures as files."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from profile_cases import case_curves, case_facts, case_fit, case_night

from daemon.measurement import FrameResult
from daemon.portraits import MOST_KEPT, keep_portrait, portrait_of, read_portrait
from daemon.report import ReportContext, render_report
from daemon.report.frames import worth_showing
from daemon.report.plotting import CannotDraw, export, stored_figures
from routines.measure.explain import Explained
from routines.profile_build import build_profile

HOSTILE = "<script>alert(1)</script>"


def decoded(png: str) -> np.ndarray:
    # Pillow is the independent reader of what is written by hand here.
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(png))))


def frame(**changes: object) -> FrameResult:
    result = FrameResult("/night/a.fits", filter="R", method="mask", defocus_um=15.0, defocus_u_um=1.0)
    return replace(result, **changes)  # type: ignore[arg-type]  # any field


def test_a_portrait_shows_light_at_its_place_and_left_over_about_grey() -> None:
    seen = np.zeros((200, 200), np.float32)
    seen[120, 90] = 400.0
    left = np.zeros((200, 200), np.float32)
    left[120, 91], left[120, 92] = 9.0, -9.0
    portrait = portrait_of(frame(), Explained(seen, seen, left, 90.0, 120.0), zone_um=60.0)
    light, rest = decoded(portrait["seen"]), decoded(portrait["left_over"])
    assert light.shape == (portrait["side_px"],) * 2 == rest.shape
    # The cut-out's corner is (10, 40), and its last row is drawn at the top.
    row = light.shape[0] - 1 - (120 - 40)
    assert light[row, 80] == 255 and light.sum() == 255
    assert rest[row, 81] == 255 and rest[row, 82] == 0 and np.median(rest) == 127
    assert portrait["share_of_allowed"] == pytest.approx(0.5)


def test_a_frame_without_a_number_is_shown_alone() -> None:
    seen = np.ones((64, 64), np.float32)
    result = frame(defocus_um=None, defocus_u_um=None, message="too faint")
    portrait = portrait_of(result, Explained(seen, None, None, 32.0, 32.0), None)
    assert portrait["expected"] is None and portrait["left_over"] is None
    assert portrait["share_of_allowed"] is None and portrait["message"] == "too faint"


def test_portraits_are_kept_by_their_frame_and_the_oldest_go(tmp_path: Path) -> None:
    for number in range(MOST_KEPT + 1):
        (tmp_path / f"{number:032d}.json").write_text("{}")
    keep_portrait(tmp_path, {"path": "/night/a.fits", "seen": ""})
    assert read_portrait(tmp_path, "/night/a.fits") == {"path": "/night/a.fits", "seen": ""}
    assert read_portrait(tmp_path, "/night/b.fits") is None
    assert len(list(tmp_path.glob("*.json"))) < MOST_KEPT + 1


def test_the_report_shows_frames_at_focus_and_at_both_ends_and_why_it_held() -> None:
    looks, rows = case_night()
    fit = case_fit(rows=rows, outliers=(37, 142), curves=case_curves())
    checks = [{"filter": "L", "residual_steps": 1.5, "predicted_u_steps": 1.0}, {"filter": HOSTILE}]
    profile = build_profile(fit, case_facts(proof={"status": "passed", "checks": checks}))
    grey = portrait_of(frame(), Explained(np.ones((64, 64), np.float32), None, None, 32.0, 32.0), 60.0)
    shown = worth_showing(profile, fit, looks, lambda path: {**grey, "path": path})
    own = [look for look in looks if look.filter == "L" and look.value_px is not None]
    places = sorted(look.position_steps for look in own if look.number not in fit.outliers)
    assert [item.title.split(":")[0] for item in shown] == ["innermost", "nearest to focus", "outermost"]
    assert f"{round(places[0])} steps" in shown[0].title and f"{round(places[-1])} steps" in shown[2].title
    held = [{"began": "2026-01-02T03:04:05+00:00", "ended": None, "reasons": [HOSTILE]}]
    document = render_report(profile, fit, looks, ReportContext(frames=shown, holds=held))
    assert document.count('<img src="data:image/png;base64,') == 3
    assert "2026-01-02 03:04:05" in document and HOSTILE not in document
    assert "fig-proof" in document and "<td>+1.5</td>" in document


def test_without_frames_nothing_is_shown() -> None:
    looks, rows = case_night()
    fit = case_fit(rows=rows)
    profile = build_profile(fit, case_facts())
    assert worth_showing(profile, fit, looks, None) == ()
    assert worth_showing(profile, fit, looks, lambda path: None) == ()


def test_every_figure_becomes_a_picture(tmp_path: Path) -> None:
    looks, rows = case_night()
    fit = case_fit(rows=rows, outliers=(37, 142), curves=case_curves())
    report = tmp_path / "report.html"
    report.write_text(render_report(build_profile(fit, case_facts()), fit, looks))
    names = [figure["id"].removeprefix("fig-") for figure in stored_figures(report.read_text())]
    made = export(report, ("png", "svg"), tmp_path / "figures")
    assert {path.name for path in made} == {f"{name}.{kind}" for name in names for kind in ("png", "svg")}
    for path in made:
        if path.suffix == ".png":
            picture = Image.open(path).convert("RGB")
            assert len(picture.getcolors(picture.width * picture.height)) > 20, f"{path.name} is empty"
        else:
            assert path.read_text().startswith("<?xml")


def test_a_file_without_figures_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty.html").write_text("<p>nothing")
    with pytest.raises(CannotDraw, match="no figure"):
        export(tmp_path / "empty.html", ("png",), tmp_path)
