"""A frame with its star cut out, and which of such frames teach a set what its mask is like."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.frame_result import FrameResult, words_for
from drivers.frames import RawFrame
from routines.measure.cutout import Cutout
from routines.measure.reading import MaskReading

_POOL = 12
_POOL_PER_FILTER = 4
_LEAST_PATTERN_SHARE = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A frame after reading: its line so far, and the star's cut-out when there is one."""

    result: FrameResult
    cutout: Cutout | None = None
    snr: float = 0.0
    pitch_px: int = 1
    size_px: int = 1
    corner_px: tuple[float, float] = (0.0, 0.0)


def with_reading(prepared: Prepared, reading: MaskReading) -> FrameResult:
    """Return a frame's line with a reading, in unbinned pixels of the sensor."""
    pitch, (x0, y0) = prepared.pitch_px, prepared.corner_px

    def in_sensor_px(value: float | None) -> float | None:
        return None if value is None else value * pitch

    return replace(
        prepared.result,
        method=None if "no_mask_pattern" in reading.flags else "mask",
        spike_error_px=in_sensor_px(reading.spike_error_px),
        spike_error_u_px=in_sensor_px(reading.spike_error_u_px),
        defocus_um=reading.defocus_um,
        defocus_u_um=reading.defocus_u_um,
        star_x_px=None if reading.star_x_px is None else x0 + pitch * reading.star_x_px,
        star_y_px=None if reading.star_y_px is None else y0 + pitch * reading.star_y_px,
        arms_deg=reading.arms_deg,
        signal_electrons=reading.signal_electrons,
        width_px=in_sensor_px(reading.width_px),
        flags=reading.flags,
        message=words_for(reading),
    )


def unusable(raw: RawFrame, saturation_adu: float) -> tuple[str, str] | None:
    """Return the flag and the reason why a frame holds nothing to measure, or None."""
    import numpy as np

    sample = raw.pixels[::5, ::5]
    finite = np.isfinite(sample)
    if not finite.any():
        return "no_signal", "every pixel is NaN"
    if float((sample[finite] >= saturation_adu).mean()) > 0.5:
        return "all_saturated", f"most pixels are at or above saturation_adu = {saturation_adu:g}"
    if float(np.ptp(sample[finite])) == 0.0 and float(np.ptp(raw.pixels[np.isfinite(raw.pixels)])) == 0.0:
        return "no_signal", "every pixel has the same value"
    return None


def explains_little(cutout: Cutout, reading: MaskReading) -> bool:
    """Tell whether a mask's pattern, as far as one was fitted, holds but a little of the star's light."""
    import numpy as np

    if reading.signal_electrons is None:
        return False
    pixels = cutout.pixels[cutout.usable]
    light = float(np.sum(pixels - np.median(pixels)))
    return reading.signal_electrons < _LEAST_PATTERN_SHARE * light


def kept_to_teach(pool: list[Prepared]) -> list[Prepared]:
    """Return the pool with no more than a few frames of any filter, the clearest of each."""
    kept: Counter[str | None] = Counter()
    chosen = []
    for one in sorted(pool, key=lambda one: -one.snr):
        kept[one.result.filter] += 1
        if kept[one.result.filter] <= _POOL_PER_FILTER:
            chosen.append(one)
    return chosen


def spread_out(prepared: Sequence[Prepared]) -> list[Cutout]:
    """Return cut-outs to learn from: the clearest of each filter first, at positions apart."""
    clear = sorted((one for one in prepared if one.cutout is not None), key=lambda one: -one.snr)
    by_filter: Counter[str | None] = Counter()
    by_place: Counter[float | None] = Counter()
    ranked = []
    for order, one in enumerate(clear):
        place, name = one.result.position_steps, one.result.filter
        ranked.append((by_filter[name] + by_place[place], order, one.cutout))
        by_filter[name] += 1
        by_place[place] += 1
    ranked.sort(key=lambda entry: entry[:2])
    return [cutout for _, _, cutout in ranked[:_POOL] if cutout is not None]


def in_time_order(prepared: Sequence[Prepared]) -> list[int]:
    """Return the frames' places in the order they were taken; as given where one does not tell its time."""
    places = range(len(prepared))
    times = [one.result.time for one in prepared]
    if None in times:
        return list(places)
    return sorted(places, key=lambda place: str(times[place]))
