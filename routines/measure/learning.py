"""Learn how a mask sits and is cut from the clearest frames of a set: orientation, geometry, kind of blur.

What the config gives enters as a belief; the rest is found from the frames. Several starts are refined before
they are compared, since a wrong tilt, blur or duty pulls the other terms along.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.measure.capture import capture
from routines.measure.cutout import Cutout, cropped
from routines.measure.geometry import Geometry, searching_star, with_mirrored_duty
from routines.measure.model import MaskedStar, StarState
from routines.measure.orientation import find_spikes, light_by_direction
from routines.measure.period import period_from_light
from routines.measure.refining import HELD, Looseness, Refined, refine_geometry
from routines.measure.sighting import sight
from routines.measure.starts import with_other_profile, with_slits_shifted
from routines.measure.templates import Window
from routines.optics import Band, Mask, Optics, critical_focus_zone_um, grating_order_um

SEARCH_REACH_ZONES = 4.6
HOPELESS_MISMATCH = 0.4
# Far out of focus, a wrong mask can match a frame to 0.35; near it, the worst air makes it miss by 0.25.
_TEACHING_MISMATCH = 0.3
POOR_MISMATCH = 0.12
OUTLYING_MISMATCH = 2.0
_TRIALS_PER_ZONE = 2.0
_CLEAR_CONTRAST = 3.0
_ENOUGH_CONTRAST = 30.0
# Put back by hand into the same cell, a mask sits within a few degrees of where it was (common practice).
_SAME_FITTING_DEG = 3.0
_FREE_PHASE = 0.5
_LEARNING_FRAMES, _LESSONS = 4, 3
_FAINT_LEARNING_FRAMES = 6
_DECIDING_COST = 12.0
_ENOUGH_FRAMES = 3
_NO_MIRROR = 0.015
_SPECKLED_MISMATCH = 0.2
_CLEARLY_BETTER = 0.9


@dataclass(frozen=True, slots=True)
class MaskHint:
    """What the config says of the mask; None leaves it to the frames.

    ``remembered_deg`` is the orientation that an earlier set had; it holds where the frames agree with it.
    """

    slit_period_mm: float | None = None
    arm_angle_deg: float | None = None
    slit_duty: float | None = None
    orientation_deg: float | None = None
    remembered_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Learnt:
    """What a set has taught: the geometry, and whether sign and tilt of the quarters are settled.

    ``sign_remembered`` where the sign is that of an earlier set whose mask sat at the same angle.
    ``mismatch`` is how well the frames that taught it match: the median share of a star's light. What was
    learnt in ``brief`` goes with coarse templates.
    ``aperture_u`` is the clear diameter's standard uncertainty, a fraction: that of the scale of defocus.
    ``place`` is where a brief lesson of one frame found its star, x and y in the frame's own pixels; None
    where another place explains it about as well.
    """

    geometry: Geometry
    sign_known: bool
    tilt_decided: bool
    frames: int
    mismatch: float = 0.0
    sign_remembered: bool = False
    brief: bool = False
    aperture_u: float = 0.0
    place: StarState | None = None

    @property
    def settled(self) -> bool:
        """Tell whether it was learnt from frames that are at all like a masked star near focus."""
        return self.mismatch <= _TEACHING_MISMATCH

    def like(self, other: Learnt) -> bool:
        """Tell whether both see a frame at about the same defocus: quarters and turn alike, both settled."""
        ours, theirs = self.geometry.mask, other.geometry.mask
        turned_deg = (ours.orientation_deg - theirs.orientation_deg + 180.0) % 360.0 - 180.0
        settled = self.settled and other.settled
        return settled and ours.tilt == theirs.tilt and abs(turned_deg) < _SAME_FITTING_DEG


def zone_um(band: Band, optics: Optics) -> float:
    """Return the critical focus zone of a band's middle (um, the whole depth)."""
    return critical_focus_zone_um(band.centre_nm * 1e-3, optics)


def trial_spacing_um(band: Band, optics: Optics) -> float:
    """Return how far apart (um) the defoci are that a search from scratch tries."""
    return zone_um(band, optics) / _TRIALS_PER_ZONE


Each = Callable[[Callable[[int], Refined], Sequence[int]], list[Refined]]
"""Calls a function with each of several values and returns what came, in their order."""


def one_by_one(function: Callable[[int], Refined], values: Sequence[int]) -> list[Refined]:
    """Call a function with one value after the other."""
    return [function(value) for value in values]


class MaskLearner:
    """Learns the mask of one fitting; what is known before is handed in, what is known after comes back.

    ``each`` is how starts that do not hang on each other are tried: one by one, or beside each other.
    """

    def __init__(
        self,
        optics: Optics,
        hint: MaskHint,
        bands: Mapping[str, Band],
        pixel_share: float = 1.0,
        each: Each = one_by_one,
    ) -> None:
        self._each = each
        self.optics = optics
        self.hint = hint
        self.bands = dict(bands)
        self.pixel_share = pixel_share
        # Of how many frames all periods were tried in vain: it takes seconds, and so few tell no more again.
        self._searched = 0

    def learn(self, cutouts: Sequence[Cutout], known: Learnt | None, *, brief: bool = False) -> Learnt | None:
        """Return what the clearest cut-outs teach of the mask; without a clear one, what is known already.

        Frames from far out of focus match no mask, however clear their spikes; then the next clearest are
        asked. Where no frame shows spikes by itself, all are searched together for the mask's pattern. A
        ``brief`` lesson leaves the kind of blur and the slits' widths and places as they are believed, where
        the frames match them well enough to be measured.
        """
        clear = self._clearest(cutouts)
        if not clear and known is None:
            return self._learnt_from_faint(cutouts, brief=brief)
        for begin in range(0, min(len(clear), _LESSONS * _LEARNING_FRAMES), _LEARNING_FRAMES):
            if known is not None and not known.settled:
                known = None
            known = self._learnt_from(clear[begin : begin + _LEARNING_FRAMES], known, brief=brief)
            if known.settled:
                break
        return known

    def _learnt_from_faint(self, cutouts: Sequence[Cutout], *, brief: bool) -> Learnt | None:
        """Return what frames teach together of which none is clear; None where they show no mask."""
        whole = [cutout for cutout in cutouts if cutout.usable.mean() >= 0.5]
        if not whole:
            return None
        hint = self.hint
        if hint.slit_period_mm is None and len(whole) <= self._searched:
            return None
        self._searched = len(whole)
        seen = sight(whole, self.optics, self.bands, hint.slit_period_mm, hint.arm_angle_deg)
        if seen is None:
            return None
        ranked = sorted(zip(seen.gains, whole, strict=True), key=lambda pair: -pair[0])
        mask = replace(
            seen.mask,
            slit_duty=hint.slit_duty or 0.5,
            orientation_deg=self._as_believed(seen.mask.orientation_deg),
        )
        start = Geometry(self.optics, mask, pixel_share=self.pixel_share)
        best = [cutout for _, cutout in ranked[:_FAINT_LEARNING_FRAMES]]
        return self._learnt_from(best, None, start, brief=brief)

    def _learnt_from(
        self,
        clear: Sequence[Cutout],
        known: Learnt | None,
        start: Geometry | None = None,
        *,
        brief: bool,
    ) -> Learnt:
        """Return what these cut-outs teach of the geometry; ``start`` is where nothing is known yet."""
        start = known.geometry if known is not None else start or self._start_geometry(clear)
        clear = [cropped(cutout, self._learning_px(start)) for cutout in clear]
        if known is not None and known.tilt_decided:
            first, decided = self._captured(start, clear), True
        else:
            first, decided = self._with_tilt(start, clear)
        if brief and (learnt := self._concluded(first, decided)).settled:
            loose = Looseness().aperture_fraction
            return replace(learnt, brief=True, aperture_u=loose, place=first.only_place(clear))
        explored = known is not None and known.frames >= _ENOUGH_FRAMES
        best = self._refined(first, clear, rounds=2) if explored else self._settled(first, clear)
        kept = _agreeing(best)
        if len(kept) < len(clear):
            clear = [clear[k] for k in kept]
            best = self._refined(best.of(kept), clear, rounds=4)
        return self._concluded(best, decided)

    def _settled(self, start: Refined, clear: Sequence[Cutout]) -> Refined:
        """Return the geometry refined with each kind of blur and of duty, the likeliest of them to the end.

        A wrong kind of blur pulls the other terms along, so each is refined before they are compared.
        """
        around = (clear, self.bands, self._window(clear), self._reach_um(clear))
        tried = []
        for one in (start, with_other_profile(start, *around)):
            refined = self._refined(one, clear, rounds=2, aperture=False)
            tried.append(refined)
            if not _hopeless(refined) and abs(refined.geometry.mask.slit_duty - 0.5) > _NO_MIRROR:
                mirrored = replace(refined, geometry=with_mirrored_duty(refined.geometry))
                tried.append(self._refined(mirrored, clear, rounds=2, aperture=False))
        best = min(tried, key=lambda one: one.cost)
        return best if _hopeless(best) else self._with_slits_placed(best, clear)

    def _with_slits_placed(self, best: Refined, clear: Sequence[Cutout]) -> Refined:
        """Return the geometry refined to the end, with the slits where they are and where they may be.

        The clear diameter is held while their places are searched: slits drawn in the wrong place pull it.
        """
        around = (clear, self.bands, self._window(clear), self._reach_um(clear))
        shifted = with_slits_shifted(best, *around)
        placed = self._refined(shifted, clear, rounds=2, slits=True, aperture=False)
        # The faint light between the orders tells the places, but speckles of the air may cover it.
        speckled = _typical_mismatch(best) > _SPECKLED_MISMATCH
        if speckled and _misfit(placed) > _CLEARLY_BETTER * _misfit(best):
            return self._refined(best, clear, rounds=4)
        placed = with_slits_shifted(min(best, placed, key=lambda one: one.cost), *around)
        return self._refined(placed, clear, rounds=4, slits=True)

    def _learning_px(self, start: Geometry) -> int:
        """Return the side that holds the first orders, which teach the geometry at a fraction of the cost."""
        longest_um = max(band.centre_nm + band.width_nm / 2 for band in self.bands.values()) * 1e-3
        order_px = grating_order_um(1.0, longest_um, self.optics, start.mask) / self.optics.pixel_um
        return 2 * math.ceil(1.2 * order_px + 12.0)

    def _with_tilt(self, start: Geometry, clear: Sequence[Cutout]) -> tuple[Refined, bool]:
        """Return the geometry with the likelier tilt, roughly refined, and whether it is much likelier."""

        def with_tilt(tilt: int) -> Refined:
            first = self._captured(replace(start, mask=replace(start.mask, tilt=tilt)), clear)
            return replace(self._refined(first, clear, rounds=1, aperture=False), rival=first.rival)

        tried = sorted(self._each(with_tilt, (1, -1)), key=lambda one: one.cost)
        return tried[0], tried[1].cost - tried[0].cost > _DECIDING_COST

    def _clearest(self, cutouts: Sequence[Cutout]) -> list[Cutout]:
        """Return the cut-outs whose spikes stand out most, narrow bands before broad ones."""
        scored = []
        for cutout in cutouts:
            if cutout.usable.mean() < 0.5:
                continue
            profile = light_by_direction(cutout, *_middle(cutout))
            contrast = find_spikes([profile], self.hint.arm_angle_deg).contrast
            scored.append((contrast, cutout))
        clear = [(contrast, cutout) for contrast, cutout in scored if contrast > _CLEAR_CONTRAST]
        # A broad band blurs what the geometry shows, and costs more: it teaches only where nothing else can.
        clear.sort(key=lambda pair: -min(pair[0], _ENOUGH_CONTRAST) / self._relative_width(pair[1].filter))
        return [cutout for _, cutout in clear]

    def _relative_width(self, filter_name: str) -> float:
        band = self.bands[filter_name]
        return max(band.width_nm / band.centre_nm, 0.15)

    def _start_geometry(self, clear: Sequence[Cutout]) -> Geometry:
        """Return the geometry to refine, from the directions of the light and what the config gives."""
        spikes = find_spikes([light_by_direction(c, *_middle(c)) for c in clear], self.hint.arm_angle_deg)
        orientation = self._as_believed((spikes.middle_deg - 90.0) % 180.0)
        period = self.hint.slit_period_mm
        if period is None:
            period = period_from_light(clear, self.bands, self.optics, spikes)
        duty = self.hint.slit_duty or 0.5
        mask = Mask(period, spikes.arm_angle_deg, duty, orientation)
        return Geometry(self.optics, mask, pixel_share=self.pixel_share)

    def _as_believed(self, orientation_deg: float) -> float:
        """Return an orientation, or its opposite: the one nearer to what config or memory say."""
        believed = self.hint.orientation_deg
        if believed is None and self._is_remembered(orientation_deg):
            believed = self.hint.remembered_deg
        if believed is None:
            return orientation_deg
        turned = (orientation_deg - believed + 90.0) % 360.0
        return orientation_deg if turned < 180.0 else orientation_deg + 180.0

    def _captured(self, start: Geometry, clear: Sequence[Cutout]) -> Refined:
        """Fit each clear frame from scratch with a geometry."""
        stars: dict[str, MaskedStar] = {}
        found = []
        for cutout in clear:
            band = self.bands[cutout.filter]
            if band.name not in stars:
                stars[band.name] = searching_star(start, band, self._window(clear), self._reach_um(clear))
            found.append(capture(stars[band.name], cutout, None, trial_spacing_um(band, self.optics)))
        return Refined(start, tuple(one.fit for one in found), rival=any(one.rival for one in found))

    def _refined(
        self,
        start: Refined,
        clear: Sequence[Cutout],
        rounds: int,
        *,
        slits: bool = False,
        aperture: bool = True,
    ) -> Refined:
        """Refine a geometry on the clear frames; ``slits`` frees their places too, ``aperture`` holds it."""
        window, reach = self._window(clear), self._reach_um(clear)
        looseness = self._looseness(slits=slits, aperture=aperture)
        believed = self._believed(start.geometry)
        return refine_geometry(start, clear, self.bands, window, reach, looseness, rounds, believed=believed)

    def _believed(self, geometry: Geometry) -> Geometry:
        """Return a geometry with what the config says put in its place."""
        mask, hint = geometry.mask, self.hint
        mask = replace(
            mask,
            slit_period_mm=hint.slit_period_mm or mask.slit_period_mm,
            arm_angle_deg=hint.arm_angle_deg or mask.arm_angle_deg,
            slit_duty=hint.slit_duty or 0.5,
        )
        return replace(geometry, optics=self.optics, mask=mask)

    def _window(self, clear: Sequence[Cutout]) -> Window:
        return Window.around(clear[0].size_px)

    def _reach_um(self, clear: Sequence[Cutout]) -> float:
        return SEARCH_REACH_ZONES * max(zone_um(self.bands[c.filter], self.optics) for c in clear)

    def _looseness(self, *, slits: bool, aperture: bool) -> Looseness:
        """Return how far the frames may move the geometry: little where the config gave it."""
        given, free = Looseness(), Looseness(slit_period_fraction=0.1, arm_angle_deg=3.0, slit_duty=0.15)
        hint = self.hint
        return replace(
            given,
            slit_period_fraction=(free if hint.slit_period_mm is None else given).slit_period_fraction,
            arm_angle_deg=(free if hint.arm_angle_deg is None else given).arm_angle_deg,
            slit_duty=(free if hint.slit_duty is None else given).slit_duty,
            slit_phase=_FREE_PHASE if slits else HELD,
            aperture_fraction=given.aperture_fraction if aperture else HELD,
        )

    def _concluded(self, taught: Refined, tilt_decided: bool) -> Learnt:
        sign_known = self.hint.orientation_deg is not None
        remembered = not sign_known and self._is_remembered(taught.geometry.mask.orientation_deg)
        return Learnt(
            taught.geometry,
            sign_known,
            tilt_decided,
            len(taught.fits),
            _typical_mismatch(taught),
            sign_remembered=remembered,
            aperture_u=taught.aperture_u,
        )

    def _is_remembered(self, orientation_deg: float) -> bool:
        """Tell whether the mask sits at the angle, either way round, at which an earlier set had it."""
        if self.hint.remembered_deg is None:
            return False
        return abs((orientation_deg - self.hint.remembered_deg + 90.0) % 180.0 - 90.0) < _SAME_FITTING_DEG


def _hopeless(refined: Refined) -> bool:
    """Tell whether the frames are altogether unlike any star that the geometry makes."""
    return _typical_mismatch(refined) > HOPELESS_MISMATCH


def _typical_mismatch(refined: Refined) -> float:
    return float(np.median([fit.mismatch for fit in refined.fits]))


def _misfit(refined: Refined) -> float:
    """Return by how much more the residuals scatter than noise does, over all frames."""
    return float(np.mean([fit.reduced_deviance for fit in refined.fits]))


def _agreeing(refined: Refined) -> list[int]:
    """Return which frames match the common geometry about as well as most do.

    A frame on which the mask had slipped, or another star or a trail shows, must not teach the rest.
    """
    mismatches = [fit.mismatch for fit in refined.fits]
    worst = OUTLYING_MISMATCH * max(sorted(mismatches)[(len(mismatches) - 1) // 2], POOR_MISMATCH / 2.0)
    return [k for k, mismatch in enumerate(mismatches) if mismatch <= worst]


def _middle(cutout: Cutout) -> tuple[float, float]:
    """Return the star's rough place in a cut-out made around it."""
    return cutout.size_px / 2.0, cutout.size_px / 2.0
