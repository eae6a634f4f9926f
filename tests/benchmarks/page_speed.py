"""How soon the page paints, and what an update takes at a thousand looks: Debian's chromium, on loopback.

On a busy machine the wall clock inside the browser tells little of the page, so the processor time of the
browser's renderer is printed beside it; nothing fails on either.
"""

from __future__ import annotations

import importlib
import shutil
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

from tests.benchmarks.timing import show

_WEB = Path(__file__).parents[1] / "web"
_FILTERS = ("L", "R", "G", "B", "Ha", "SII", "OIII")
_LOOKS, _UPDATES, _VISITS = 1000, 30, 5

# Takes one more look in and draws, as an event of the stream does, and times until the picture stands.
_UPDATE = """async (count) => {
  const { Curve } = await import('/web/curve.js');
  const { lastDrawing } = await import('/web/figure.js');
  const frame = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  const found = await (await fetch('/v1/runs/thousand/picture')).json();
  const curve = new Curve(['L', 'R', 'G', 'B', 'Ha', 'SII', 'OIII']);
  curve.take(found.looks.slice(0, found.looks.length - count));
  curve.know(found.numbers);
  curve.show();
  await frame();
  const whole = lastDrawing('curve').took;
  const times = [];
  for (const look of found.looks.slice(-count)) {
    const before = lastDrawing('curve').drawings;
    const began = performance.now();
    curve.take([look]);
    curve.know(found.numbers);
    curve.show();
    const took = performance.now() - began;
    await frame();
    const after = lastDrawing('curve');
    times.push(took + (after.drawings > before ? after.took : 0));
  }
  return {times, whole};
}"""


def run() -> None:
    """Print both times."""
    sys.path.insert(0, str(_WEB))
    house_module, planted = importlib.import_module("house"), importlib.import_module("planted")
    path = shutil.which("chromium")
    if path is None:
        print("  needs chromium on the path")
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        house = house_module.House(folder, house_module.config_in(folder), 0.0)
        house.state.mkdir()
        looks = planted.many_looks(_LOOKS, _FILTERS)
        planted.plant(house.state, "thousand", looks, planted.fitted(_FILTERS))
        house.open()
        try:
            _measured(path, house.url)
        finally:
            house.end()
            house.http.close()


def _measured(path: str, url: str) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        paints = [_first_paint_ms(browser, url) for _ in range(_VISITS)]
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.goto(url)
        page.wait_for_selector("#curve .main-svg")
        page.evaluate(_UPDATE, 3)
        session = browser.new_browser_cdp_session()
        before = _renderers_ms(session)
        told = page.evaluate(_UPDATE, _UPDATES)
        times, whole = told["times"], told["whole"]
        spent = (_renderers_ms(session) - before) / (_UPDATES + 1)
        browser.close()
    show("first paint, median of visits with an empty cache", median(paints), "ms", "aim: < 300")
    show(f"an update at {_LOOKS} looks, median", median(times), "ms", "aim: < 50")
    show(f"an update at {_LOOKS} looks, the quickest", min(times), "ms")
    show(f"drawing {_LOOKS} looks anew, at every new fit and every 40th look", whole, "ms")
    show(f"an update at {_LOOKS} looks, processor time with all it paints", spent, "ms", "aim: < 50")
    show(f"an update at {_LOOKS} looks, nine in ten are below", sorted(times)[int(0.9 * len(times))], "ms")


def _first_paint_ms(browser: Any, url: str) -> float:
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    page = context.new_page()
    page.goto(url)
    page.wait_for_selector("#link:text-is('Live')")
    entry = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"
    painted: float = page.evaluate(entry)
    context.close()
    return painted


def _renderers_ms(session: Any) -> float:
    """Return the processor time that the browser's renderers have taken so far."""
    told = session.send("SystemInfo.getProcessInfo")["processInfo"]
    return 1000.0 * sum(item["cpuTime"] for item in told if item["type"] == "renderer")
