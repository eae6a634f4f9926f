"""The page and the report in a real browser, beside a service in a process of its own.

One service and one browser serve all tests, in the order written: a run is followed from its plan to its
numbers, others are stopped and killed, and then everything that has come together is looked at in every size
and colour. Serious findings are axe-core's (Deque, WCAG 2.x rules); the pictures are kept in test-output.
"""

from __future__ import annotations

import json
import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from house import House, Watch, axe_findings, config_in
from planted import HOSTILE, fitted, many_looks, plant, plant_hostile, plant_profiles

sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright, of the test extra")

PHONE, LAPTOP = {"width": 390, "height": 844}, {"width": 1366, "height": 768}
SCHEMES = ("paper", "night", "red")
# Fast enough for a test, slow enough for a run to be held and stopped on its way.
SPEED = 20.0
# The marks that stand in the curve's picture itself, not in the data that was handed over.
MARKS = "document.querySelectorAll('#curve .scatterlayer .point, #curve .news > g').length"
FILTERS = ("L", "R", "G", "B", "Ha", "SII", "OIII")

pytestmark = pytest.mark.timeout(180)


@pytest.fixture(scope="module")
def browser(needs_browser: str) -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=needs_browser, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def house(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    folder = tmp_path_factory.mktemp("house")
    built = House(folder, config_in(folder), SPEED)
    built.state.mkdir()
    plant_hostile(built.state)
    plant(built.state, "thousand", many_looks(1000, FILTERS), fitted(FILTERS))
    plant_profiles(built.state, "thousand")
    built.open()
    yield built
    built.end()
    built.http.close()


@pytest.fixture
def page(browser: Any, house: House) -> Iterator[Any]:
    context = browser.new_context(viewport=LAPTOP)
    opened = context.new_page()
    opened.set_default_timeout(60_000)
    yield opened
    context.close()


def visit(page: Any, house: House, scheme: str = "night") -> Watch:
    watch = Watch(page, house.url)
    page.goto(f"{house.url}/#{scheme}")
    page.wait_for_selector("#link:text-is('Live')")
    return watch


def until(page: Any, holds: str, within_s: float = 60.0) -> None:
    """Wait until an expression holds; the page's own policy forbids the browser's way of waiting for one."""
    deadline = time.monotonic() + within_s
    while not page.evaluate(holds):
        if time.monotonic() > deadline:
            pytest.fail(f"waited in vain for {holds}")
        page.wait_for_timeout(50)


def seen_by(house: House) -> list[dict[str, Any]]:
    """Return the looks of the newest run so far."""
    run = house.get("/v1/runs")["runs"][0]["id"]
    looks: list[dict[str, Any]] = house.get(f"/v1/runs/{run}/observations")["observations"]
    return looks


def looks_told(page: Any) -> int:
    found = re.search(r"(\d+) looks? so far", page.inner_text("#progress"))
    return int(found[1]) if found else 0


def test_a_run_is_followed_from_its_plan_to_its_numbers(page: Any, house: House, output_dir: Path) -> None:
    watch = visit(page, house)
    page.wait_for_selector("#begin:not([hidden])")
    assert page.inner_text("#sentence").startswith("Nothing is running.")
    page.select_option("#routine", "backlash")
    page.click("#ask-plan")
    page.wait_for_selector("#start")
    plan = page.inner_text("#plan")
    assert "Sun" in plan and "Mask on" in plan and re.search(r"About \d+ (s|min)", plan)
    assert "inside the limits 1000 to 59000" in plan
    page.screenshot(path=output_dir / "plan.png", full_page=True)

    page.click("#start")
    page.wait_for_selector("#hold:not([hidden])")
    until(page, "/[1-9] looks? so far/.test(document.getElementById('progress').innerText)")
    page.click("#hold")
    page.wait_for_selector("#reasons >> text=Held by a person")
    held = looks_told(page)
    page.wait_for_timeout(400)
    assert looks_told(page) <= held + 1
    drawn = sum(look["value_px"] is not None for look in seen_by(house))
    until(page, f"{MARKS} === {drawn}")
    page.screenshot(path=output_dir / "held.png", full_page=True)
    page.click("#resume")
    until(page, "document.querySelectorAll('#numbers tbody tr').length > 3")
    page.screenshot(path=output_dir / "running.png", full_page=True)
    page.wait_for_selector("#sentence:has-text('Nothing is running')", timeout=120_000)

    run = house.get("/v1/runs")["runs"][0]
    assert run["state"] == "done"
    page.wait_for_selector(f"#runs a[href='/v1/runs/{run['id']}/report']")
    seen = house.get(f"/v1/runs/{run['id']}/observations")["observations"]
    measured = sum(item["value_px"] is not None for item in seen)
    until(page, f"document.getElementById('curve-words').innerText.startsWith('{len(seen)} looks')")
    until(page, f"{MARKS} === {measured}")
    backlash = json.loads((house.state / "runs" / run["id"] / "profile.json").read_text())["backlash_steps"]
    row = page.inner_text("#numbers tr:has-text('Backlash')")
    found = re.search(r"([\d.]+) ± ([\d.]+) steps", row)
    assert found is not None and re.search(r"\d times", row)
    # The run's last fit saw all looks but those of its end; both tell the same backlash.
    assert abs(float(found[1]) - backlash["value"]) < 3.0 * backlash["u"]
    assert house.get("/v1/rig")["filters"][0]["zone_um"] > 0.0
    page.screenshot(path=output_dir / "done.png", full_page=True)
    watch.require_clean()


def test_stop_asks_nothing_and_ends_the_run(page: Any, house: House) -> None:
    watch = visit(page, house)
    run = house.start("characterise")  # long: on a busy machine the browser lags behind by many looks
    page.on("dialog", lambda dialog: pytest.fail(f"it asked: {dialog.message}"))
    until(page, "/[1-9] looks? so far/.test(document.getElementById('progress').innerText)")
    page.click("#stop")
    assert house.ended(run)["state"] == "stopped"
    page.wait_for_selector("#sentence:has-text('was stopped')")
    watch.require_clean()


def test_an_answer_cut_short_is_no_answer_and_asked_for_again(page: Any, house: House) -> None:
    cut: list[str] = []

    def shorten(route: Any) -> None:
        cut.append(route.request.url)
        route.fulfill(status=200, content_type="application/json", body='{"runs": [')

    page.route(re.compile(r"/v1/(runs|profiles|profile|runs/.*/picture.*)$"), shorten)
    watch = visit(page, house)
    until(page, "document.getElementById('sentence').innerText.startsWith('Nothing is running')")
    run = house.start("characterise")
    page.click("#stop")
    assert house.ended(run)["state"] == "stopped"
    page.wait_for_selector("#stop", state="hidden")
    assert cut and page.locator("#runs tbody tr").count() == 0
    page.unroute_all()
    # Nothing happens any more that would make the page ask.
    page.wait_for_selector(f"#runs button[aria-label='Draw run {run} above']")
    watch.require_clean()


def test_the_page_outlives_the_service(page: Any, house: House, output_dir: Path) -> None:
    watch = visit(page, house)
    run = house.start("characterise")
    until(page, "/[2-9] looks so far/.test(document.getElementById('progress').innerText)")
    house.end(signal.SIGKILL)
    page.wait_for_selector("html[data-stale]")
    assert "what you see is old" in page.inner_text("#link")
    page.screenshot(path=output_dir / "stale.png")
    house.open()
    page.wait_for_selector("html:not([data-stale])")
    until(page, "/interrupted|Characterise/.test(document.getElementById('sentence').innerText)")
    if "interrupted" in page.inner_text("#sentence"):
        page.click("#resume")
    page.wait_for_selector("#hold:not([hidden])")
    page.click("#stop")
    assert house.ended(run)["state"] == "stopped"
    assert watch.outside == []
    # While the service is away the browser itself reports that; nothing else may go wrong.
    assert [words for words in watch.errors if "ERR_" not in words] == []


def test_hostile_names_stay_words(page: Any, house: House, output_dir: Path) -> None:
    watch = visit(page, house)
    page.click("#runs tr:has-text('onerror') >> text=Draw")
    page.wait_for_selector("#curve-words:has-text('12 looks')")
    page.wait_for_selector("#frame img")
    until(page, "document.getElementById('curve').data?.length")
    page.screenshot(path=output_dir / "hostile.png", full_page=True)
    assert page.title() != "broken in"
    assert page.locator("main script").count() == 0
    assert page.locator("img[src=x]").count() == 0
    assert HOSTILE in page.inner_text("#curve-words")
    # A flag is told in the registry's words; one that the registry does not hold stays what it is.
    assert "The star's core is saturated" in page.inner_text("#frame")
    assert HOSTILE[1:] in page.inner_text("#frame")
    watch.require_clean()


def test_a_thousand_looks_stay_on_the_page(page: Any, house: House, output_dir: Path) -> None:
    watch = visit(page, house)
    page.click("#runs tr:has-text('of a test') >> text=Draw")
    page.wait_for_selector("#curve-words:has-text('1000 looks')")
    until(page, "document.getElementById('curve').data?.length")
    until(page, f"{MARKS} === 1000")
    page.screenshot(path=output_dir / "thousand.png", full_page=True)
    watch.require_clean()


def test_every_size_and_colour_can_be_used_by_everybody(page: Any, house: House, output_dir: Path) -> None:
    watch = visit(page, house)
    page.wait_for_selector("#numbers table")
    until(page, "document.getElementById('curve').data && document.getElementById('history').data")
    for scheme in SCHEMES:
        page.click(f"[data-choose={scheme}]")
        for name, size in (("phone", PHONE), ("laptop", LAPTOP)):
            seen_at(page, size, output_dir / f"{scheme}-{name}.png")
        assert axe_findings(page) == []
    page.set_viewport_size(PHONE)
    assert axe_findings(page) == []
    page.reload()
    page.wait_for_selector("html[data-scheme=red]")  # the last choice is remembered
    watch.require_clean()


def seen_at(page: Any, size: dict[str, int], path: Path, *, whole: bool = True) -> None:
    """Take a picture at a size, in which nothing may stick out sideways."""
    page.set_viewport_size(size)
    page.wait_for_timeout(200)
    page.screenshot(path=path, full_page=whole)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "it scrolls sideways"


def test_everything_is_reached_by_the_keyboard(page: Any, house: House) -> None:
    visit(page, house)
    page.wait_for_selector("#begin:not([hidden])")
    reached = set()
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))
    assert {"Day", "Night", "Deep red", "routine", "ask-plan"} <= reached
    page.keyboard.press("Shift+Tab")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"


def test_the_report_is_read_in_every_colour(page: Any, house: House, output_dir: Path) -> None:
    watch = Watch(page, house.url)
    page.goto(f"{house.url}/v1/runs/thousand/report")
    until(page, "document.getElementById('fig-error').data?.length")
    assert page.locator("#fig-proof").count() == 1 and page.locator(".panels img").count() == 9
    for scheme in SCHEMES:
        page.click(f"[data-choose={scheme}]")
        seen_at(page, LAPTOP, output_dir / f"{scheme}.png", whole=scheme == "paper")
        assert axe_findings(page) == []
    page.pdf(path=output_dir / "printed.pdf", format="A4")
    seen_at(page, PHONE, output_dir / "phone.png")
    watch.require_clean()


def test_the_services_own_files_are_compressed_and_kept(house: House) -> None:
    first = house.http.get("/web/plotly.js", headers={"accept-encoding": "gzip"})
    assert first.headers["content-encoding"] == "gzip"
    again = house.http.get("/web/plotly.js", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304
    for outside in ("/web/../api.py", "/web/%2e%2e%2fapi.py", "/web/.hidden.js", "/web/api.py"):
        assert house.http.get(outside).status_code == 404


@pytest.mark.campaign
@pytest.mark.timeout(900)
def test_a_whole_calibration_with_frames_is_followed(browser: Any, tmp_path: Path, output_dir: Path) -> None:
    house = House(tmp_path, config_in(tmp_path, looks="frames"), 0.0)
    house.state.mkdir()
    house.open()
    context = browser.new_context(viewport=LAPTOP)
    try:
        page = context.new_page()
        page.set_default_timeout(120_000)
        watch = visit(page, house, "red")
        run = house.start("characterise")
        page.wait_for_selector("#frame img")
        until(page, "document.querySelectorAll('#frame img').length === 3", 120.0)
        page.screenshot(path=output_dir / "frame.png", full_page=True)
        assert house.until(lambda: (r := house.get(f"/v1/runs/{run}"))["report"] and r, "the report", 600.0)
        page.wait_for_selector("#numbers >> text=From the profile of")
        looks = house.get(f"/v1/runs/{run}/observations")["observations"]
        until(page, f"document.getElementById('curve-words').innerText.startsWith('{len(looks)} looks')")
        measured = sum(look["value_px"] is not None for look in looks)
        until(page, f"{MARKS} === {measured}")
        page.set_viewport_size(PHONE)
        page.screenshot(path=output_dir / "phone.png", full_page=True)
        page.goto(f"{house.url}/v1/runs/{run}/report")
        until(page, "document.getElementById('fig-error').data?.length")
        assert page.locator(".panels img").count() == 9
        page.screenshot(path=output_dir / "report.png", full_page=True)
        watch.require_clean()
    finally:
        context.close()
        house.end()
        house.http.close()


@pytest.mark.campaign
@pytest.mark.timeout(600)
def test_a_check_by_width_is_followed(browser: Any, tmp_path: Path, output_dir: Path) -> None:
    house = House(tmp_path, config_in(tmp_path), 0.0)
    house.state.mkdir()
    house.open()
    context = browser.new_context(viewport=LAPTOP)
    try:
        page = context.new_page()
        page.set_default_timeout(120_000)
        watch = visit(page, house)
        assert house.ended(house.start("find_focus_by_width"))["state"] == "done"
        page.wait_for_selector("#numbers >> text=Narrowest star")
        until(page, "document.getElementById('curve').layout?.yaxis.title.text === 'star width (px)'")
        page.screenshot(path=output_dir / "width.png", full_page=True)
        watch.require_clean()
    finally:
        context.close()
        house.end()
        house.http.close()
