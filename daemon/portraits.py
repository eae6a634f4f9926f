"""Small pictures of each frame for the page and the report: as seen, as expected, and what is left over.

Made in the worker beside the measurement and kept in the state folder under a name made of the frame's path,
so that the service can hand them on without touching a pixel.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.files import write_text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daemon.config import Config
    from daemon.frame_result import FrameResult
    from daemon.measurement import FrameMeter
    from routines.measure.explain import Explained

FOLDER = "portraits"
ZONES = "focus-zones.json"
Portrait = dict[str, Any]
MOST_KEPT = 1200
_SIDE_PX = 160
_LEFT_OVER_SHOWN = 5.0
_DROPPED_AT_ONCE = 100


class Gallery:
    """What the worker leaves for people to look at: a portrait of each frame, and the size of the zones."""

    def __init__(self, config: Config, state: Path) -> None:
        self._folder = state / FOLDER
        self._zones_um = zones_um(config)
        self._write_zones(config, state / ZONES)

    def keep(self, result: FrameResult, explained: Explained | None) -> None:
        """Keep a frame's portrait; a full disk or an odd frame costs the picture, not the measurement."""
        if explained is None:
            return
        with contextlib.suppress(OSError, ValueError, ArithmeticError):
            keep_portrait(
                self._folder, portrait_of(result, explained, self._zones_um.get(result.filter or ""))
            )

    def _write_zones(self, config: Config, path: Path) -> None:
        from routines.optics import Mask, spike_error_px_per_um

        # A usual mask where none is configured: 20 degrees between the two kinds of slits (common practice).
        mask = config.science_mask() or Mask(slit_period_mm=1.0, arm_angle_deg=20.0)
        facts = {
            "config_sha256": config.fingerprint(),
            "zones_um": self._zones_um,
            "px_per_um": abs(spike_error_px_per_um(config.science_optics(), mask)),
        }
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            write_text(path, json.dumps(facts))


def zones_um(config: Config) -> dict[str, float]:
    """Return each filter's critical focus zone, the whole depth."""
    from routines.optics import critical_focus_zone_um

    optics = config.science_optics()
    return {
        name: critical_focus_zone_um(band.centre_nm * 1e-3, optics) for name, band in config.bands().items()
    }


def portrayer(config: Config, meter: FrameMeter) -> Callable[[str], Portrait | None]:
    """Return how to portray a frame by its path with what a meter has learnt; None where that fails."""
    zones = zones_um(config)

    def portray(path: str) -> Portrait | None:
        result, explained = meter.look_again(Path(path))
        return None if explained is None else portrait_of(result, explained, zones.get(result.filter or ""))

    return portray


def portrait_path(folder: Path, frame: str) -> Path:
    """Return where the portrait of a frame is, or would be."""
    return folder / f"{hashlib.sha256(frame.encode()).hexdigest()[:32]}.json"


def read_portrait(folder: Path, frame: str) -> Portrait | None:
    """Return a frame's portrait, or None when there is none (any more)."""
    try:
        found: Portrait = json.loads(portrait_path(folder, frame).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found


def keep_portrait(folder: Path, portrait: Portrait) -> None:
    """Write a portrait; when there are very many, the oldest go."""
    write_text(portrait_path(folder, portrait["path"]), json.dumps(portrait))
    kept = list(folder.glob("*.json"))
    if len(kept) > MOST_KEPT:
        kept.sort(key=lambda path: path.stat().st_mtime_ns)
        for path in kept[:_DROPPED_AT_ONCE]:
            path.unlink(missing_ok=True)


def portrait_of(result: FrameResult, explained: Explained, zone_um: float | None) -> Portrait:
    """Return a portrait as plain data; its pictures are PNG in base64, brightness 0 to 255.

    ``seen`` and ``expected`` share one scale, the root of the light; in ``left_over`` middle grey is nothing,
    black and white are five standard deviations. Row 0 is the frame's lowest y, drawn at the bottom.
    """
    import numpy as np

    seen = _middle(explained.seen, explained)
    top = float(np.percentile(seen, 99.95)) if seen.size else 1.0
    pictures: dict[str, str | None] = {"seen": _png(_root(seen, top)), "expected": None, "left_over": None}
    if explained.expected is not None and explained.left_over is not None:
        pictures["expected"] = _png(_root(_middle(explained.expected, explained), top))
        left = _middle(explained.left_over, explained)
        pictures["left_over"] = _png(
            np.clip(127.5 + left * 127.5 / _LEFT_OVER_SHOWN, 0, 255).astype(np.uint8)
        )
    allowed = None if zone_um is None else zone_um / 2.0
    share = None if result.defocus_um is None or allowed is None else result.defocus_um / allowed
    return {
        "path": result.path,
        "filter": result.filter,
        "method": result.method,
        "side_px": int(seen.shape[0]),
        "arms_deg": None if result.arms_deg is None else list(result.arms_deg),
        "spike_error_px": result.spike_error_px,
        "defocus_um": result.defocus_um,
        "defocus_u_um": result.defocus_u_um,
        "allowed_um": allowed,
        "share_of_allowed": share,
        "width_px": result.width_px,
        "signal_electrons": result.signal_electrons,
        "flags": list(result.flags),
        "message": result.message,
        **pictures,
    }


def _middle(image: NDArray[np.float32], explained: Explained) -> NDArray[np.float32]:
    """Return the part around the star, of the side that is shown, as far as the image reaches."""
    side = min(_SIDE_PX, image.shape[0])
    corner_y = int(min(max(round(explained.y_px) - side // 2, 0), image.shape[0] - side))
    corner_x = int(min(max(round(explained.x_px) - side // 2, 0), image.shape[1] - side))
    return image[corner_y : corner_y + side, corner_x : corner_x + side]


def _root(image: NDArray[np.float32], top: float) -> NDArray[np.uint8]:
    """Return brightness as the root of the light, which shows core and spikes at once."""
    import numpy as np

    share = np.clip(np.nan_to_num(image) / max(top, 1e-9), 0.0, 1.0)
    brightness: NDArray[np.uint8] = (255.0 * np.sqrt(share)).astype(np.uint8)
    return brightness


def _png(grey: NDArray[np.uint8]) -> str:
    """Return an 8-bit greyscale PNG (ISO/IEC 15948) in base64, the image's last row at the top."""
    height, width = grey.shape
    lines = b"".join(b"\x00" + row.tobytes() for row in grey[::-1])
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(lines, 6)), (b"IEND", b""))
    body = b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )
    return base64.b64encode(b"\x89PNG\r\n\x1a\n" + body).decode()
