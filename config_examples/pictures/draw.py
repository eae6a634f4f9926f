"""Draw the README's pictures: the result of a rehearsal, and the page and report of a simulated run.

    .venv/bin/drawtube rehearse --out rehearsal
    .venv/bin/python config_examples/pictures/draw.py rehearsal
    .venv/bin/python config_examples/pictures/draw.py --pages

The first writes `result.png` beside this file, from the rehearsal's own output; the second serves
`simulated.toml`, lets a run go, and writes `page.png` and `report.png`. Both need the test extra, the second
Debian's chromium as well.
"""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from astropy.io import fits

matplotlib.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

HALF_PX = 80
COLOURS = {"inward": "#1b6ca8", "outward": "#c8553d"}


def draw(folder: Path, target: Path) -> None:
    """Draw a frame, the two branches of the reference filter, and all filters on the final side."""
    profile = json.loads((folder / "profile.json").read_text(encoding="utf-8"))
    with (folder / "observations.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["spike_error_px"]]
    figure, (left, middle, right) = plt.subplots(1, 3, figsize=(13.5, 4.2), layout="constrained")
    _frame(left, rows)
    _branches(middle, profile, rows)
    _offsets(right, profile, rows)
    figure.savefig(target, dpi=80)


def _frame(axes: Axes, rows: list[dict[str, str]]) -> None:
    """Show the star of the first look, brightness on a logarithmic scale."""
    pixels = np.asarray(fits.getdata(rows[0]["frame"]), dtype=float)
    smooth = pixels[: pixels.shape[0] // 4 * 4, : pixels.shape[1] // 4 * 4]
    blocks = smooth.reshape(smooth.shape[0] // 4, 4, smooth.shape[1] // 4, 4)
    y, x = np.unravel_index(
        int(np.argmax(np.median(blocks, axis=(1, 3)))), (blocks.shape[0], blocks.shape[2])
    )
    y, x = (
        np.clip(y * 4, HALF_PX, pixels.shape[0] - HALF_PX),
        np.clip(x * 4, HALF_PX, pixels.shape[1] - HALF_PX),
    )
    piece = pixels[y - HALF_PX : y + HALF_PX, x - HALF_PX : x + HALF_PX]
    sky = float(np.median(piece))
    axes.imshow(np.log10(np.clip(piece - sky, 8.0, None)), origin="lower", cmap="magma")
    axes.set_title(f"one look, {rows[0]['filter']}: {float(rows[0]['spike_error_px']):+.2f} px from focus")
    axes.set_axis_off()


def _branches(axes: Axes, profile: dict[str, Any], rows: list[dict[str, str]]) -> None:
    """Show the reference filter's looks and the line on which each side's lie."""
    name = profile["reference_filter"]
    mine = [row for row in rows if row["filter"] == name]
    entry = next(one for one in profile["filters"] if one["name"] == name)
    slope = profile["slope_px_per_step"]["value"]
    for side, colour in COLOURS.items():
        x = np.array([float(row["position_steps"]) for row in mine if row["side"] == side])
        y = np.array([float(row["spike_error_px"]) for row in mine if row["side"] == side])
        axes.plot(x, y, "o", ms=4, color=colour, label=f"moving {side}")
        crossing = entry[f"crossing_{side}_steps"]["value"]
        engaged = np.abs(y - slope * (x - crossing)) < 0.5
        span = np.array([x[engaged].min(), x[engaged].max()])
        axes.plot(span, slope * (span - crossing), "-", lw=1, color=colour)
        axes.plot([crossing], [0.0], "|", ms=16, mew=2, color=colour)
    backlash = profile["backlash_steps"]
    axes.axhline(0.0, lw=0.6, color="grey")
    axes.set_title(f"{name}: backlash {backlash['value']:.1f} ± {backlash['u']:.1f} steps")
    axes.set_xlabel("position (steps)")
    axes.set_ylabel("spike error (px)")
    axes.legend(frameon=False)


def _offsets(axes: Axes, profile: dict[str, Any], rows: list[dict[str, str]]) -> None:
    """Show where each filter crosses zero on the final side, from the reference filter's crossing."""
    side, slope = profile["final_side"], profile["slope_px_per_step"]["value"]
    reference = next(one for one in profile["filters"] if one["name"] == profile["reference_filter"])
    origin = reference[f"crossing_{side}_steps"]["value"]
    for entry in profile["filters"]:
        if entry["offset_steps"] is None:
            continue
        offset = entry["offset_steps"]["value"]
        mine = [row for row in rows if row["filter"] == entry["name"] and row["side"] == side]
        x = np.array([float(row["position_steps"]) - origin for row in mine])
        y = np.array([float(row["spike_error_px"]) for row in mine])
        engaged = np.abs(y - slope * (x - offset)) < 0.5
        drawn = axes.plot(x[engaged], y[engaged], "o", ms=3)[0]
        span = np.array([-60.0, 90.0])
        label = f"{entry['name']}  {offset:+.1f} steps"
        axes.plot(span, slope * (span - offset), "-", lw=0.8, color=drawn.get_color(), label=label)
    axes.axhline(0.0, lw=0.6, color="grey")
    axes.set_title(f"every filter, moving {side}")
    axes.set_xlabel(f"position from focus in {profile['reference_filter']} (steps)")
    axes.legend(frameon=False, fontsize=8)


def draw_pages(target: Path) -> None:
    """Serve the simulated rig, follow one run, and take pictures of its page half-way and of its report."""
    with tempfile.TemporaryDirectory() as state:
        config = Path(__file__).parents[1] / "simulated.toml"
        words = [sys.executable, "-m", "daemon", "serve", "--config", str(config), "--state", state]
        service = subprocess.Popen([*words, "--listen", "127.0.0.1:8649", "--speed", "0"])
        try:
            _take_pictures("http://127.0.0.1:8649", target)
        finally:
            service.terminate()
            service.wait(20.0)


def _take_pictures(url: str, target: Path) -> None:
    import httpx
    from playwright.sync_api import sync_playwright

    client = httpx.Client(base_url=url, trust_env=False, timeout=30.0)
    with sync_playwright() as playwright, client:
        _until(lambda: _answers(client))
        run = client.post("/v1/runs", json={"routine": "characterise"}).json()["id"]
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1180, "height": 1150})
        page.goto(f"{url}/#night")
        # Past the dead zone and some way into the filters there is most to see.
        _until(lambda: (client.get("/v1/status").json()["run"] or {"fraction": 1.0})["fraction"] > 0.6)
        page.wait_for_timeout(2000)
        _small(page.screenshot(), target / "page.png")
        _until(lambda: client.get(f"/v1/runs/{run}").json()["report"])
        page.goto(f"{url}/v1/runs/{run}/report#paper")
        page.wait_for_timeout(3000)
        _small(page.screenshot(), target / "report.png")
        browser.close()


def _answers(client: Any) -> bool:
    import httpx

    try:
        return client.get("/healthz").status_code == 200
    except httpx.TransportError:
        return False


def _until(holds: Any, within_s: float = 600.0) -> None:
    until = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > until:
            raise SystemExit("it took too long")
        time.sleep(0.3)


def _small(png: bytes, path: Path) -> None:
    """Write a picture with a limited palette: a README is loaded over slow lines too."""
    import io

    from PIL import Image

    Image.open(io.BytesIO(png)).convert("RGB").quantize(200).save(path, optimize=True)


if __name__ == "__main__":
    here = Path(__file__).parent
    if sys.argv[1] == "--pages":
        draw_pages(here)
    else:
        draw(Path(sys.argv[1]), here / "result.png")
