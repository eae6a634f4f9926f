"""A 26-megapixel frame: find and measure the masked star, beside sep's background and extraction on it."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits

from tests.benchmarks.timing import least_time_s, show

SHAPE = (4168, 6240)
STAR = (4100, 1900)
OPTICS_AND_CAMERA = """\
schema = 1
[optics]
focal_length_mm = 588
aperture_mm = 112
obstruction_ratio = 0.0
pixel_um = 3.9
[mask]
slit_period_mm = 3.6
arm_angle_deg = 20
[fits]
position = "TRAVEL"
[camera]
electrons_per_adu = 1.0
read_noise_electrons = 1.6
saturation_adu = 65535
pedestal_adu = 500
[[filter]]
name = "G"
centre_nm = 530
width_nm = 20
exposure_s = 4
reference = true
"""


def frame_adu(defocus_um: float, seed: int, *, masked: bool = True) -> np.ndarray:
    """Return a large frame: one bright star, 2000 faint ones without the mask, sloping sky, hot pixels."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "outside"))
    import poppy_frames
    from masked_star import Bahtinov, Light, Telescope, placed

    rng = np.random.default_rng(seed)
    star = poppy_frames.masked_star(
        Telescope(), Bahtinov(orientation_deg=40.0) if masked else None, Light(530.0, 20.0, 6e5), defocus_um,
        size_px=208, blur_fwhm_px=2.2, seed=seed,
    )  # fmt: skip
    electrons = placed(star, SHAPE, (STAR[1] - 104, STAR[0] - 104)).astype(np.float32)
    electrons += np.linspace(20.0, 60.0, SHAPE[1], dtype=np.float32)[None, :]
    rows, columns = np.mgrid[-6:7, -6:7]
    spot = np.exp(-(rows**2 + columns**2) / 4.0)
    for y, x, light in zip(
        rng.integers(10, SHAPE[0] - 10, 2000), rng.integers(10, SHAPE[1] - 10, 2000),
        rng.pareto(1.2, 2000) * 20.0, strict=True,
    ):  # fmt: skip
        electrons[y - 6 : y + 7, x - 6 : x + 7] += min(light, 2000.0) * spot
    counted = rng.poisson(electrons) + np.round(rng.normal(500.0, 1.6, SHAPE))
    counted[rng.integers(0, SHAPE[0], 3000), rng.integers(0, SHAPE[1], 3000)] = 40000
    return np.clip(counted, 0, 65535).astype(np.uint16)


def sep_background_and_extract(frame: np.ndarray) -> int:
    """Do what a general star finder would: background, then sources at five times its noise."""
    import sep

    pixels = frame.astype(np.float32)
    background = sep.Background(pixels)
    return len(sep.extract(pixels - background.back(), 5.0, err=background.globalrms))


def run() -> None:
    """Print the times and their ratios, and the memory of a process that measures one such frame."""
    from routines.measure.find import find_star

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = _written(folder)
        frame = fits.getdata(paths[0])
        yardstick = least_time_s(lambda: sep_background_and_extract(frame), 3)
        found = least_time_s(lambda: find_star(frame))
        again = least_time_s(lambda: find_star(frame, STAR))
        first, further = _measured(folder, paths[:-1])
        show("sep: background and extract", yardstick, "s")
        show("find the star, place unknown", found, "s")
        show("  as a fraction of sep", found / yardstick, "", "aim: under 0.6")
        show("find it again near its place, as a fraction of sep", again / yardstick, "", "aim: under 0.25")
        show("measure the first frame (read, find, learn the mask, fit)", first, "s")
        show("measure each further frame (read, find, fit)", further, "s")
        show("  as a fraction of sep", further / yardstick, "", "aim: under 0.25")
        largest = "largest memory of a fresh process, one frame"
        show(largest, _peak_mb(folder, paths[0]), "MB", "aim: under 300")
        show(f"{largest}'s star widths", _peak_mb(folder, paths[-1], "width"), "MB", "aim: under 300")


def _written(folder: Path) -> list[Path]:
    (folder / "rig.toml").write_text(OPTICS_AND_CAMERA)
    paths = []
    for number, defocus_um in enumerate((-60.0, 45.0, 90.0, -20.0)):
        header = fits.Header()
        header["DATE-OBS"] = f"2026-03-14T21:{number:02d}:00"
        header["EXPTIME"], header["FILTER"], header["TRAVEL"] = 4.0, "G", round(defocus_um)
        paths.append(folder / f"frame-{number}.fits")
        fits.PrimaryHDU(frame_adu(defocus_um, number), header).writeto(paths[-1])
    fits.PrimaryHDU(frame_adu(60.0, 9, masked=False), header).writeto(folder / "unmasked.fits")
    return [*paths, folder / "unmasked.fits"]


def _measured(folder: Path, paths: list[Path]) -> tuple[float, float]:
    """Return the time of the first frame of a set, and the least of the further ones."""
    from daemon.config import load_config
    from daemon.measurement import FrameMeter

    meter = FrameMeter(load_config(folder / "rig.toml"))
    times = [least_time_s(lambda path=path: meter.measure_next(path), 1) for path in paths]
    return times[0], min(times[1:])


def _peak_mb(folder: Path, path: Path, method: str = "mask") -> float:
    """Return the most memory that a process of its own held, interpreter included (proc(5), VmHWM).

    Not getrusage's: what the parent held at the fork counts there as the child's.
    """
    code = (
        "import re, sys; from pathlib import Path; from daemon.config import load_config;"
        "from daemon.measurement import FrameMeter;"
        "meter = FrameMeter(load_config(Path(sys.argv[1])));"
        "assert meter.measure_next(Path(sys.argv[2]), sys.argv[3]).measured;"
        "print(int(re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1]) / 1024)"
    )
    command = [sys.executable, "-c", code, folder / "rig.toml", path, method]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
