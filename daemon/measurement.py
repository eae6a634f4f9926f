"""Frames on disk in, measurements out: what connects the FITS reader with the science of measuring.

The frames of one call are one set: what its best frames teach of mask and seeing serves the rest. A live run
is a set that grows; frames measured before enough was known can be asked for again.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Sequence
from contextlib import suppress
from copy import copy
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from daemon.config import Config
from daemon.fitting import Fitting
from daemon.frame_result import FrameResult, facts_of, mirrored
from daemon.frame_source import read_for, unbinned_pixel_um
from daemon.frame_star import (
    Prepared,
    explains_little,
    in_time_order,
    kept_to_teach,
    spread_out,
    unusable,
    with_reading,
)
from daemon.lessons import FRAMES_UNTIL_TAKEN, Lesson, Taught, side_by_side
from daemon.tracking import LOOSENESS_UM, Tracker
from drivers.frames import FrameUnreadable, RawFrame
from routines.measure.capture import Hint
from routines.measure.cutout import Cutout, Detector, cut
from routines.measure.explain import Explained, explain
from routines.measure.find import FoundStar, find_star
from routines.measure.learning import Learnt, MaskHint, one_by_one
from routines.measure.meter import MaskMeter
from routines.measure.peak import peak_share
from routines.measure.preparation import Shelf
from routines.measure.reading import MaskReading
from routines.observations import Method

_LEARN_AT_COUNTS = (1, 5)
_LEARN_AT_FILTERS = (3, 6)
_REMEMBERED = 400
_USUAL_BLUR_PX = 3.0
# Notes with which a frame's place is not sure enough to be looked for only there the next time.
_UNSURE = frozenset(
    {"far_from_focus", "poor_match", "layout_undecided", "mask_slipped", "ambiguous", "faint"}
)
# Of the time that a set of some dozen frames takes, about so much is gone when they are read, and learnt.
_SHARE_TO_PREPARE, _SHARE_LEARNT = 0.1, 0.35
Told = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, eq=False)
class _Taken:
    """A frame of a growing set, its result, and after how many lessons that was measured.

    ``first`` is the result that it had at first, with what was ``learnt`` then: what a frame is measured with
    again must not hang on how often that was done. ``mirrored`` where the mask sat turned by half a turn
    against the set's first frames.
    """

    prepared: Prepared
    result: FrameResult
    lessons: int
    first: FrameResult
    learnt: Learnt | None
    method: Method | None
    mirrored: bool = False


class FrameMeter:
    """Measures frames of one fitting of the mask, as one set or one by one. Not for use from two threads.

    ``fitting`` is how the mask last sat; where the frames agree with it, it gives the sign. With
    ``learns_beside`` a growing set learns in a child process while its frames go on being measured; whoever
    asks for that calls ``finish_lesson`` before the set is revised for the last time, and ``close``. What
    frames are compared with is taken from the ``shelf`` where it has it, and kept there.
    """

    def __init__(
        self,
        config: Config,
        fitting: Fitting | None = None,
        *,
        learns_beside: bool = False,
        shelf: Shelf | None = None,
    ) -> None:
        self._config = config
        self._shelf = shelf
        self._learns_beside = learns_beside
        self._pending: tuple[int, Lesson[Taught]] | None = None
        self._fitting = fitting
        self._meter: MaskMeter | None = None
        self._star: FoundStar | None = None
        self._tracker = Tracker()
        self._pool: list[Prepared] = []
        self._clear_frames = 0
        self._lessons = 0
        self._taken: list[_Taken] = []
        self._shown: tuple[Cutout, MaskReading] | None = None
        self._mirrored = False
        self._pixel_um = config.optics.pixel_um
        self._latest: Prepared | None = None

    def measure_all(
        self, paths: Sequence[Path], method: Method | None = None, told: Told = lambda words, share: None
    ) -> list[FrameResult]:
        """Measure the frames of one set; results come in the order given, one for each path.

        ``told`` hears what is being done, and how far the whole is (0 to 1).
        """
        prepared, count = [], len(paths)
        for number, path in enumerate(paths):
            told(f"finding the star in {Path(path).name}", _SHARE_TO_PREPARE * number / count)
            prepared.append(self._prepare(Path(path)))
        cutouts = [one.cutout for one in prepared if one.cutout is not None]
        if cutouts and self._meter is not None:
            told("learning the mask from the clearest frames", _SHARE_TO_PREPARE)
            self._meter.learn(spread_out(prepared))
        done: dict[int, FrameResult] = {}
        for number, place in enumerate(in_time_order(prepared)):
            one = prepared[place]
            told(
                f"measuring {Path(one.result.path).name}",
                _SHARE_LEARNT + (1.0 - _SHARE_LEARNT) * number / count,
            )
            result = self._finished(one, method)
            if "mask_turned" in result.flags:
                first = next(k for k in reversed(done) if done[k].defocus_um is not None)
                done[first] = _turned_back(done[first])
            done[place] = result
        return [done[place] for place in range(count)]

    def measure_next(self, path: Path, method: Method | None = None) -> FrameResult:
        """Measure one more frame of a growing set, with what the frames before it taught."""
        prepared = self._latest = self._prepare(Path(path))
        self._shown = None
        if prepared.cutout is None or self._meter is None:
            return prepared.result
        if method != "width" or self._meter.learnt is None:
            # Stars without a mask teach nothing of one.
            self._consider(prepared)
        result = self._finished(prepared, method)
        if "mask_turned" in result.flags:
            self._turn_back_last()
        taken = _Taken(prepared, result, self._lessons, result, self.learnt, method, self._mirrored)
        self._taken.append(taken)
        del self._taken[:-_REMEMBERED]
        return result

    def measure_aside(self, path: Path, method: Method | None = None) -> FrameResult:
        """Measure a frame with what the set has taught, without making it part of the set.

        Where it and its star are leaves no trace in what later frames are looked for by.
        """
        star, tracker, turned = self._star, copy(self._tracker), self._mirrored
        try:
            prepared = self._latest = self._prepare(path)
            if prepared.cutout is None or self._meter is None or self._meter.learnt is None:
                return prepared.result
            return self._finished(prepared, method)
        finally:
            self._star, self._tracker, self._mirrored = star, tracker, turned

    def peak_share(self, method: Method = "mask") -> float | None:
        """Return how near to saturation the latest frame came where it matters (see `peak.peak_share`).

        For a width that is the star itself; behind a mask its first orders, where their place is known: from
        what was learnt, or before that from the config.
        """
        prepared = self._latest
        if prepared is None or prepared.cutout is None or self._meter is None:
            return None
        camera, optics = self._config.camera, self._meter.optics
        level = (camera.saturation_adu - camera.pedestal_adu) * camera.electrons_per_adu
        if method == "width":
            return peak_share(prepared.cutout, level, None)
        band, period_mm = self._config.bands().get(prepared.cutout.filter), self._slit_period_mm()
        if period_mm is None or band is None:
            return None
        away_px = band.centre_nm * 1e-6 * optics.focal_length_mm / period_mm / (optics.pixel_um * 1e-3)
        return peak_share(prepared.cutout, level, away_px)

    def _slit_period_mm(self) -> float | None:
        if self.learnt is not None:
            return self.learnt.geometry.mask.slit_period_mm
        return None if self._config.mask is None else self._config.mask.slit_period_mm

    def revised(self) -> list[FrameResult]:
        """Return every frame of the growing set with what is known now: one set has one geometry."""
        self._take_what_is_due()
        self._taken = [
            one if one.lessons == self._lessons or one.method == "width" else self._again(one)
            for one in self._taken
        ]
        return [one.result for one in self._taken]

    def revise_one(self) -> bool:
        """Measure one frame again that has not been since the latest lesson; False when there is none."""
        self._take_what_is_due()
        shown = self._shown
        for place, one in enumerate(self._taken):
            if one.lessons != self._lessons and one.method != "width":
                self._taken[place] = replace(self._again(one), lessons=self._lessons)
                self._shown = shown
                return True
        return False

    def prepare(self, filter_name: str) -> None:
        """Make what a frame through this filter will be compared with, before one comes."""
        if self._meter is not None and self._meter.knows_mask and filter_name in self._config.filter_names:
            self._meter.star(filter_name, self._meter.cutout_px())

    def make_ready(self) -> bool:
        """Make what further frames like the latest will be compared with; False where that is at hand.

        The first frame of all is compared only with what its lesson has drawn.
        """
        meter, latest = self._meter, self._latest
        if meter is None or not meter.knows_mask or latest is None or latest.cutout is None:
            return False
        name = latest.cutout.filter
        if meter.has_star(name):
            return False
        meter.star(name, latest.cutout.size_px)
        return True

    def finish_lesson(self) -> None:
        """Take up the lesson that is still being learnt, if any."""
        if self._pending is not None:
            _, lesson = self._pending
            self._pending = None
            if self._meter is not None and self._meter.learnt is not None:
                self._meter.restore(self._meter.learnt)  # lets go of what the lesson's own stars replace
            self._take_up(lesson.result())

    def close(self) -> None:
        """Give up the lesson that is being learnt, if any."""
        if self._pending is not None:
            self._pending[1].drop()
            self._pending = None

    def _turn_back_last(self) -> None:
        """Mirror the latest frame that was measured: it was the first of the turned mask."""
        for place in reversed(range(len(self._taken))):
            last = self._taken[place]
            if last.result.defocus_um is not None:
                turned, first = _turned_back(last.result), _turned_back(last.first)
                self._taken[place] = replace(last, result=turned, first=first, mirrored=self._mirrored)
                return

    def _again(self, taken: _Taken) -> _Taken:
        """Return a frame measured again with what is known now, on its own side of focus."""
        if taken.prepared.cutout is None or self._meter is None:
            return taken
        hint = _hint_from(taken, self.learnt)
        result = self._line(taken.prepared, taken.method, hint)
        result = mirrored(result) if taken.mirrored else result
        if "mask_turned" in taken.result.flags:
            result = replace(result, flags=(*result.flags, "mask_turned"))
        return replace(taken, result=result, lessons=self._lessons)

    @property
    def learnt(self) -> Learnt | None:
        """Return what the set has taught of the mask so far."""
        return None if self._meter is None else self._meter.learnt

    def explained(self) -> Explained | None:
        """Return the latest frame's cut-out beside what the fit expects; None where no star was cut out."""
        return None if self._shown is None else explain(*self._shown)

    def look_again(self, path: Path) -> tuple[FrameResult, Explained | None]:
        """Measure a frame once more, with all that the set has taught, and return it with its pictures."""
        prepared = self._prepare(path)
        self._shown = None
        if prepared.cutout is None or self._meter is None:
            return prepared.result, None
        before = next((one for one in self._taken if one.result.path == str(path)), None)
        hint = self._tracker.hint(prepared.result.filter, prepared.result.position_steps)
        sits_mirrored = self._mirrored if before is None else before.mirrored
        result = self._line(prepared, None, _mirrored_hint(hint) if sits_mirrored else hint)
        return mirrored(result) if sits_mirrored else result, self.explained()

    def orientation_deg(self) -> float | None:
        """Return the mask's orientation, in [0, 360), which the frames' signs go by; None when unlearnt."""
        learnt = self.learnt
        return None if learnt is None else learnt.geometry.mask.orientation_deg % 360.0

    @property
    def half_turned(self) -> bool:
        """Tell whether the mask sits half a turn round from where the set began."""
        return self._mirrored

    def scale_px_per_um(self) -> float | None:
        """Return the spike error (unbinned px) of a micrometre of defocus; None before it is learnt."""
        if self._meter is None or self._meter.learnt is None:
            return None
        return self._meter.spike_error_px_per_um() * self._meter.optics.pixel_um / self._pixel_um

    def _consider(self, prepared: Prepared) -> None:
        """Learn again when a few more frames, or frames of other filters, have come."""
        assert self._meter is not None
        if not self._meter.knows_mask:
            # Those before it were too far out of focus to teach anything, and would spoil its lesson.
            self._pool = []
        before = len({one.result.filter for one in self._pool})
        self._pool = kept_to_teach([*self._pool, prepared])
        filters = len({one.result.filter for one in self._pool})
        self._take_what_is_due()
        self._clear_frames += 1
        due = self._clear_frames in _LEARN_AT_COUNTS or (filters != before and filters in _LEARN_AT_FILTERS)
        if not self._meter.knows_mask or (due and not self._learns_beside):
            # The first look waits for its lesson: a brief one; the rest is learnt beside the next looks.
            self._meter.learn(spread_out(self._pool), brief=self._learns_beside)
            self._lessons += 1
            due = True
        if self._meter.knows_mask and due and self._learns_beside:
            self.finish_lesson()
            self._pending = (self._clear_frames, Lesson(partial(_learnt_by, self._meter, self._pool)))

    def _take_what_is_due(self) -> None:
        """Take up a lesson once so many frames have come since, whoever asks next: never as it is ready."""
        if self._pending is not None and self._clear_frames >= self._pending[0] + FRAMES_UNTIL_TAKEN:
            self.finish_lesson()

    def _take_up(self, taught: Taught) -> None:
        if self._meter is not None and taught.learnt is not None:
            self._meter.restore(taught.learnt, taught.stars)
            self._lessons += 1

    def _prepare(self, path: Path) -> Prepared:
        """Read a frame, find its star and cut it out; what went wrong is in the result."""
        try:
            raw = read_for(self._config, path)
        except FrameUnreadable as error:
            return Prepared(FrameResult(str(path), flags=("unreadable",), message=error.reason))
        result = facts_of(path, raw)
        if raw.facts.filter is None or raw.facts.filter not in self._config.filter_names:
            known = ", ".join(self._config.filter_names)
            said = "no filter" if raw.facts.filter is None else f"filter {raw.facts.filter!r}"
            message = f"the header names {said}; the config knows {known}"
            return Prepared(replace(result, flags=("unknown_filter",), message=message))
        return self._with_star(raw, result)

    def _with_star(self, raw: RawFrame, result: FrameResult) -> Prepared:
        """Return the frame with its star cut out."""
        assert raw.facts.filter is not None
        problem = unusable(raw, self._config.camera.saturation_adu)
        if problem is not None:
            return Prepared(replace(result, flags=problem[:1], message=problem[1]))
        near = None if self._star is None else (self._star.x_px, self._star.y_px)
        found = find_star(raw.pixels, near)
        if found is None:
            message = "no star stands out of the background; is the shutter open and the star in the field?"
            return Prepared(replace(result, flags=("no_star",), message=message))
        self._star = found
        meter = self._meter_for(raw)
        cutout = cut(
            raw.pixels,
            found.x_px,
            found.y_px,
            meter.cutout_px(),
            self._detector(raw),
            raw.facts.filter,
            raw.facts.exposure_s,
        )
        sampling = raw.sampling
        corner = (sampling.x0_px, sampling.y0_px)
        return Prepared(result, cutout, found.snr, sampling.pitch_px, sampling.size_px, corner)

    def _meter_for(self, raw: RawFrame) -> MaskMeter:
        """Return the set's meter, made for the sampling of its first frame."""
        if self._meter is None:
            optics = self._config.science_optics()
            sampling = raw.sampling
            self._pixel_um = unbinned_pixel_um(self._config, raw.facts)
            optics = replace(optics, pixel_um=self._pixel_um * sampling.pitch_px)
            mask = self._config.mask
            hint = MaskHint()
            if mask is not None:
                hint = MaskHint(mask.slit_period_mm, mask.arm_angle_deg, mask.slit_duty, mask.orientation_deg)
            if self._fitting is not None:
                hint = replace(hint, remembered_deg=self._fitting.orientation_deg)
            share = sampling.size_px / sampling.pitch_px
            each = side_by_side if self._learns_beside else one_by_one
            self._meter = MaskMeter(optics, hint, self._config.bands(), share, each=each, shelf=self._shelf)
        return self._meter

    def _detector(self, raw: RawFrame) -> Detector:
        camera = self._config.camera
        gain = raw.facts.electrons_per_adu or camera.electrons_per_adu
        return Detector(gain, camera.read_noise_electrons, camera.saturation_adu, camera.pedestal_adu)

    def _finished(self, prepared: Prepared, method: Method | None) -> FrameResult:
        """Return a prepared frame's line, by what the frame shows; ``method`` refuses the other kind."""
        if prepared.cutout is None or self._meter is None:
            return prepared.result
        result = prepared.result
        hint = self._tracker.hint(result.filter, result.position_steps)
        line = self._line(prepared, method, _mirrored_hint(hint) if self._mirrored else hint)
        line = mirrored(line) if self._mirrored else line
        if line.defocus_um is None or line.defocus_u_um is None:
            return line
        if self._tracker.sees_half_a_turn(
            line.filter, line.position_steps, line.defocus_um, line.defocus_u_um
        ):
            self._mirrored = not self._mirrored
            self._tracker.turn_back_last()
            line = replace(mirrored(line), flags=(*line.flags, "mask_turned"))
        assert line.defocus_um is not None
        blur_px = _USUAL_BLUR_PX if line.width_px is None else line.width_px / prepared.pitch_px
        self._tracker.take(line.filter, line.position_steps, line.defocus_um, blur_px)
        return line

    def _line(self, prepared: Prepared, method: Method | None, hint: Hint | None) -> FrameResult:
        """Return a prepared frame's line as the mask's model, or a width, reads it."""
        assert prepared.cutout is not None and self._meter is not None
        reading = self._meter.measure(prepared.cutout, hint)
        self._shown = (prepared.cutout, reading)
        if "no_mask_pattern" in reading.flags and method != "mask":
            return self._by_width(prepared)
        if method == "width" and explains_little(prepared.cutout, reading):
            return self._by_width(prepared)
        if method == "width" and reading.defocus_um is not None:
            message = "the frame shows a mask's pattern; take the mask off for a width"
            return replace(prepared.result, flags=("mask_present",), message=message)
        return with_reading(prepared, reading)

    def _by_width(self, prepared: Prepared) -> FrameResult:
        """Return the line of a frame without a mask: the width of its stars."""
        from routines.measure.width import measure_width

        _give_memory_back()
        try:
            raw = read_for(self._config, Path(prepared.result.path))
        except FrameUnreadable as error:
            return replace(prepared.result, flags=("unreadable",), message=error.reason)
        reading = measure_width(raw.pixels, self._detector(raw), self._config.measure.stars)
        pitch, (x0, y0) = prepared.pitch_px, prepared.corner_px
        place = (reading.star_x_px, reading.star_y_px)
        message = None if reading.width_px is not None else "no star that is whole, single and unsaturated"
        return replace(
            prepared.result,
            method="width",
            width_px=None if reading.width_px is None else reading.width_px * pitch,
            width_u_px=None if reading.width_u_px is None else reading.width_u_px * pitch,
            star_x_px=None if place[0] is None else x0 + pitch * place[0],
            star_y_px=None if place[1] is None else y0 + pitch * place[1],
            signal_electrons=reading.signal_electrons,
            flags=reading.flags,
            message=message,
        )


def _give_memory_back() -> None:
    """Give the system what was freed: a large frame takes hundreds of megabytes beside what glibc keeps."""
    with suppress(AttributeError, OSError):  # another C library has no malloc_trim(3)
        ctypes.CDLL(None).malloc_trim(0)


def _turned_back(result: FrameResult) -> FrameResult:
    """Return a line that was taken for the wrong side of focus: the mask had been turned before it."""
    return replace(mirrored(result), flags=(*result.flags, "mask_turned"))


def _learnt_by(meter: MaskMeter, pool: list[Prepared]) -> Taught:
    """Have a meter learn from a pool of frames; return what it knows, and its stars for their filters."""
    cutouts = spread_out(pool)
    meter.learn(cutouts)
    if not meter.knows_mask or not cutouts:
        return Taught(meter.learnt)
    return Taught(meter.learnt, meter.stars({one.filter for one in cutouts}, cutouts[0].size_px))


def _hint_from(taken: _Taken, learnt: Learnt | None) -> Hint | None:
    """Return where a frame was found at first, or None where what has been learnt since may put it elsewhere.

    The quarters' other tilt shows a frame at another defocus, the other way round on the other side of focus.
    """
    line, before = taken.first, taken.learnt
    if before is None or learnt is None or line.defocus_um is None or line.width_px is None:
        return None
    if _UNSURE & set(line.flags) or not before.like(learnt):
        return None
    hint = Hint(line.defocus_um, LOOSENESS_UM, line.width_px / taken.prepared.pitch_px)
    return _mirrored_hint(hint) if taken.mirrored else hint


def _mirrored_hint(hint: Hint | None) -> Hint | None:
    return None if hint is None else replace(hint, defocus_um=-hint.defocus_um)
