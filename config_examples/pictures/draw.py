"""Draw the README's picture from a rehearsal's own output.

    .venv/bin/drawtube rehearse --out rehearsal
    .venv/bin/python config_examples/pictures/draw.py rehearsal

Needs the test extra (matplotlib comes with it) and writes `result.png` beside this file.
"""

from __future__ import annotations

import csv
import json
import sys
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


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(__file__).with_name("result.png"))
