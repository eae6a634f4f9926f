"""Measure masked frames as one set: what bright frames teach of mask and seeing serves the faint ones.

The meter learns the mask's orientation (folded once, then followed), its geometry and which way its
quarters tilt; it keeps one filter's templates each, and reads a cut-out by fitting the forward model, from
scratch or near a hint. It never returns a number that it cannot stand by: a rival minimum, too little light
or a star without spikes give a flag and no value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from routines.measure.capture import Hint, capture, signal_in_arms
from routines.measure.companion import has_companion, without_companion
from routines.measure.cutout import Cutout, cropped
from routines.measure.fit import StarFit
from routines.measure.geometry import (
    HELD,
    Geometry,
    Looseness,
    Refined,
    refine_geometry,
    searching_star,
    total_cost,
    with_mirrored_duty,
    with_other_profile,
    with_slits_shifted,
)
from routines.measure.model import MaskedStar
from routines.measure.orientation import find_spikes, light_by_direction
from routines.measure.period import period_from_light
from routines.measure.reading import MaskReading
from routines.measure.shared import shared_defocus_u_um
from routines.measure.templates import Window, make_templates
from routines.measure.turbulence import (
    TYPICAL_WIND_M_PER_S,
    DefocusTurbulence,
    defocus_turbulence,
    fried_parameter_mm,
)
from routines.optics import (
    Band,
    Mask,
    Optics,
    critical_focus_zone_um,
    grating_order_um,
    spike_error_px_per_um,
)

CERTAIN_REACH_ZONES = 4.0
_SEARCH_REACH_ZONES = 4.6
_CLEAR_CONTRAST = 3.0
_ENOUGH_CONTRAST = 30.0
_FAINT_ELECTRONS = 2e4
_WORST_U_ZONES = 1.0
_POOR_MISMATCH = 0.12
_HOPELESS_MISMATCH = 0.4
# What grid, wavelengths and drawing of the model itself leave open, in critical focus zones.
_MODEL_U_ZONES = 0.005
_OUTLYING_MISMATCH = 2.0
_LEAST_TURN_DEG = 0.15
# Put back by hand into the same cell, a mask sits within a few degrees of where it was (common practice).
_SAME_FITTING_DEG = 3.0
_CLEARLY_BETTER = 0.9
_FREE_PHASE = 0.5
_LEARNING_FRAMES, _LESSONS = 4, 3
_TRIALS_PER_ZONE = 2.0
_DECIDING_COST = 12.0
_ENOUGH_FRAMES = 3
_NO_MIRROR = 0.015
_SPECKLED_MISMATCH = 0.2
_SHORT_EXPOSURE_S = 2.0
_SMALLEST_CUTOUT_PX, _USUAL_CUTOUT_PX, _LARGEST_CUTOUT_PX = 192, 256, 512


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
    ``mismatch`` is how well the frames that taught it match: the median share of a star's light.
    """

    geometry: Geometry
    sign_known: bool
    tilt_decided: bool
    frames: int
    mismatch: float = 0.0
    sign_remembered: bool = False


class MaskMeter:
    """Measures the cut-outs of one fitting of the mask. Not for use from two threads.

    ``through_air`` adds what the atmosphere makes of the spikes to the stated uncertainty; False is for an
    artificial star on a bench.
    """

    def __init__(
        self,
        optics: Optics,
        hint: MaskHint,
        bands: Mapping[str, Band],
        pixel_share: float = 1.0,
        *,
        through_air: bool = True,
    ) -> None:
        self.optics = optics
        self.hint = hint
        self.bands = dict(bands)
        self.pixel_share = pixel_share
        self.through_air = through_air
        self.learnt: Learnt | None = None
        self._stars: dict[str, MaskedStar] = {}
        self._turbulence: DefocusTurbulence | None = None

    def cutout_px(self) -> int:
        """Return the side of the cut-outs to bring: past the first orders, the third if they fit."""
        if self.hint.slit_period_mm is None:
            return _USUAL_CUTOUT_PX
        mask = Mask(self.hint.slit_period_mm, 20.0)
        longest_um = max(band.centre_nm + band.width_nm / 2 for band in self.bands.values()) * 1e-3
        order_px = grating_order_um(1.0, longest_um, self.optics, mask) / self.optics.pixel_um
        wanted = float(np.clip(2.4 * 3 * order_px, _SMALLEST_CUTOUT_PX, _USUAL_CUTOUT_PX))
        needed = 2.0 * (1.25 * order_px + 16.0)
        return int(math.ceil(min(max(wanted, needed), _LARGEST_CUTOUT_PX) / 16.0) * 16)

    def learn(self, cutouts: Sequence[Cutout]) -> None:
        """Learn orientation and geometry from the clearest cut-outs; without a clear one, learn nothing.

        Frames from far out of focus match no mask, however clear their spikes; then the next clearest are
        asked.
        """
        clear = self._clearest(cutouts)
        for begin in range(0, min(len(clear), _LESSONS * _LEARNING_FRAMES), _LEARNING_FRAMES):
            if self.learnt is not None and not self.knows_mask:
                self.learnt = None
            self._learn_from(clear[begin : begin + _LEARNING_FRAMES])
            if self.knows_mask:
                return

    @property
    def knows_mask(self) -> bool:
        """Tell whether the mask was learnt from frames that are at all like a masked star near focus."""
        return self.learnt is not None and self.learnt.mismatch <= _HOPELESS_MISMATCH

    def _learn_from(self, clear: Sequence[Cutout]) -> None:
        """Take up what these cut-outs teach of the geometry."""
        start = self._start_geometry(clear)
        clear = [cropped(cutout, self._learning_px(start)) for cutout in clear]
        if self.learnt is not None and self.learnt.tilt_decided:
            first, decided = self._captured(start, clear), True
        else:
            first, decided = self._with_tilt(start, clear)
        explored = self.learnt is not None and self.learnt.frames >= _ENOUGH_FRAMES
        best = self._refined(first, clear, rounds=2) if explored else self._settled(first, clear)
        kept = _agreeing(best)
        if len(kept) < len(clear):
            clear = [clear[k] for k in kept]
            best = self._refined(replace(best, fits=tuple(best.fits[k] for k in kept)), clear, rounds=4)
        self._adopt(best, decided)

    def _settled(self, start: Refined, clear: Sequence[Cutout]) -> Refined:
        """Return the geometry refined with each kind of blur and of duty, the likeliest of them to the end.

        A wrong kind of blur pulls the other terms along, so each is refined before they are compared.
        """
        around = (clear, self.bands, self._window(clear), self._reach_um(clear))
        tried = []
        for one in (start, with_other_profile(start, *around)):
            refined = self._refined(one, clear, rounds=2)
            tried.append(refined)
            if not _hopeless(refined) and abs(refined.geometry.mask.slit_duty - 0.5) > _NO_MIRROR:
                mirrored = replace(refined, geometry=with_mirrored_duty(refined.geometry))
                tried.append(self._refined(mirrored, clear, rounds=2))
        best = min(tried, key=lambda one: one.cost)
        if _hopeless(best):
            return best
        # Where the air's speckles cover the faint light between the orders, nothing tells the slits' places.
        told = float(np.median([fit.mismatch for fit in best.fits])) < _SPECKLED_MISMATCH
        for rounds in (2, 4) if told else ():
            shifted = self._refined(with_slits_shifted(best, *around), clear, rounds=rounds, slits=True)
            best = min(best, shifted, key=lambda one: one.cost)
        return best if told else min(best, self._refined(best, clear, rounds=4), key=lambda one: one.cost)

    def _learning_px(self, start: Geometry) -> int:
        """Return the side that holds the first orders, which teach the geometry at a fraction of the cost."""
        longest_um = max(band.centre_nm + band.width_nm / 2 for band in self.bands.values()) * 1e-3
        order_px = grating_order_um(1.0, longest_um, self.optics, start.mask) / self.optics.pixel_um
        return 2 * math.ceil(1.2 * order_px + 12.0)

    def _with_tilt(self, start: Geometry, clear: Sequence[Cutout]) -> tuple[Refined, bool]:
        """Return the geometry with the likelier tilt, roughly refined, and whether it is much likelier."""
        tried = []
        for tilt in (1, -1):
            first = self._captured(replace(start, mask=replace(start.mask, tilt=tilt)), clear)
            tried.append(self._refined(first, clear, rounds=1))
        tried.sort(key=lambda one: one.cost)
        return tried[0], tried[1].cost - tried[0].cost > _DECIDING_COST

    def restore(self, learnt: Learnt) -> None:
        """Take up what an earlier part of the same set has learnt."""
        self.learnt = learnt
        self._stars.clear()
        self._turbulence = None

    def measure(self, cutout: Cutout, hint: Hint | None = None) -> MaskReading:
        """Read one cut-out; the geometry must have been learnt or the reading says why not."""
        if self.learnt is None:
            return MaskReading(cutout.filter, flags=("no_mask_pattern",))
        if cutout.usable.mean() < 0.25:
            flag = "all_saturated" if cutout.saturated_px > cutout.pixels.size // 4 else "no_signal"
            return MaskReading(cutout.filter, flags=(flag,))
        star = self.star(cutout.filter, cutout.size_px)
        captured = capture(star, cutout, hint, self._spacing_um(cutout.filter))
        arms, arms_u = signal_in_arms(star, cutout, captured.fit, self._first_order_px(cutout.filter))
        if arms + 4.0 * arms_u < 0.5 and arms_u < 0.15:
            return MaskReading(cutout.filter, flags=("no_mask_pattern",))
        fit, turned_deg = self._followed(cutout, captured.fit)
        blended = turned_deg == 0.0 and has_companion(star, cutout, fit)
        if blended:
            fit = without_companion(star, cutout, fit, star.templates.reach_um)
        told = tuple(code for code, so in (("blended", blended), ("mask_slipped", turned_deg != 0.0)) if so)
        return self._reading(cutout, fit, rival=captured.rival, told=told, turned_deg=turned_deg)

    def _followed(self, cutout: Cutout, fit: StarFit) -> tuple[StarFit, float]:
        """Return a fit with the mask turned to where this frame shows it, and by how much (deg).

        Tried only where a frame matches much worse than those that the geometry was learnt from.
        """
        assert self.learnt is not None
        if fit.mismatch < max(_POOR_MISMATCH, _OUTLYING_MISMATCH * self.learnt.mismatch):
            return fit, 0.0
        only_turn = Looseness(3.0, *(HELD,) * 5)
        geometry, reach = self.learnt.geometry, _SEARCH_REACH_ZONES * self._zone_um(cutout.filter)
        window = Window.around(cutout.size_px)
        turned = refine_geometry(geometry, [cutout], [fit], self.bands, window, reach, only_turn, rounds=5)
        by_deg = turned.geometry.mask.orientation_deg - geometry.mask.orientation_deg
        better = turned.fits[0].reduced_deviance < _CLEARLY_BETTER * fit.reduced_deviance
        return (turned.fits[0], by_deg) if better and abs(by_deg) > _LEAST_TURN_DEG else (fit, 0.0)

    def star(self, filter_name: str, size_px: int) -> MaskedStar:
        """Return the model of a star through one filter, made at first use."""
        if self.learnt is None:
            raise RuntimeError("the mask's geometry has not been learnt")
        if filter_name not in self._stars:
            geometry = self.learnt.geometry
            reach = _SEARCH_REACH_ZONES * self._zone_um(filter_name)
            window = Window.around(size_px)
            templates = make_templates(geometry.optics, geometry.mask, self.bands[filter_name], window, reach)
            self._stars[filter_name] = MaskedStar(templates, geometry.profile, geometry.pixel_share)
        return self._stars[filter_name]

    def spike_error_px_per_um(self) -> float:
        """Return the spike error, in pixels, of one micrometre of defocus, for the learnt geometry."""
        if self.learnt is None:
            raise RuntimeError("the mask's geometry has not been learnt")
        return spike_error_px_per_um(self.learnt.geometry.optics, self.learnt.geometry.mask)

    def _zone_um(self, filter_name: str) -> float:
        return critical_focus_zone_um(self.bands[filter_name].centre_nm * 1e-3, self.optics)

    def _first_order_px(self, filter_name: str) -> float:
        assert self.learnt is not None
        wavelength_um = self.bands[filter_name].centre_nm * 1e-3
        return (
            grating_order_um(1.0, wavelength_um, self.optics, self.learnt.geometry.mask)
            / self.optics.pixel_um
        )

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
        """Return the geometry to refine: what was learnt before, else the directions of the light."""
        if self.learnt is not None:
            return self.learnt.geometry
        spikes = find_spikes([light_by_direction(c, *_middle(c)) for c in clear], self.hint.arm_angle_deg)
        orientation = (spikes.middle_deg - 90.0) % 180.0
        believed = self.hint.orientation_deg
        if believed is None and self._is_remembered(orientation):
            believed = self.hint.remembered_deg
        if believed is not None:
            turned = (orientation - believed + 90.0) % 360.0
            orientation = orientation if turned < 180.0 else orientation + 180.0
        period = self.hint.slit_period_mm
        if period is None:
            period = period_from_light(clear, self.bands, self.optics, spikes)
        duty = self.hint.slit_duty or 0.5
        mask = Mask(period, spikes.arm_angle_deg, duty, orientation)
        return Geometry(self.optics, mask, pixel_share=self.pixel_share)

    def _captured(self, start: Geometry, clear: Sequence[Cutout]) -> Refined:
        """Fit each clear frame from scratch with a geometry."""
        stars: dict[str, MaskedStar] = {}
        fits = []
        for cutout in clear:
            band = self.bands[cutout.filter]
            if band.name not in stars:
                stars[band.name] = searching_star(start, band, self._window(clear), self._reach_um(clear))
            fits.append(capture(stars[band.name], cutout, None, self._spacing_um(cutout.filter)).fit)
        return Refined(start, tuple(fits), total_cost(fits))

    def _refined(
        self, start: Refined, clear: Sequence[Cutout], rounds: int, *, slits: bool = False
    ) -> Refined:
        """Refine a geometry on the clear frames; ``slits`` frees the places of the slits too."""
        window, reach = self._window(clear), self._reach_um(clear)
        return refine_geometry(
            start.geometry, clear, start.fits, self.bands, window, reach, self._looseness(slits=slits), rounds
        )

    def _window(self, clear: Sequence[Cutout]) -> Window:
        return Window.around(clear[0].size_px)

    def _reach_um(self, clear: Sequence[Cutout]) -> float:
        return _SEARCH_REACH_ZONES * max(self._zone_um(c.filter) for c in clear)

    def _spacing_um(self, filter_name: str) -> float:
        return self._zone_um(filter_name) / _TRIALS_PER_ZONE

    def _looseness(self, *, slits: bool) -> Looseness:
        """Return how far the frames may move the geometry: little where the config gave it."""
        given, free = Looseness(), Looseness(slit_period_fraction=0.1, arm_angle_deg=3.0, slit_duty=0.15)
        hint = self.hint
        return replace(
            given,
            slit_period_fraction=(free if hint.slit_period_mm is None else given).slit_period_fraction,
            arm_angle_deg=(free if hint.arm_angle_deg is None else given).arm_angle_deg,
            slit_duty=(free if hint.slit_duty is None else given).slit_duty,
            slit_phase=_FREE_PHASE if slits else HELD,
        )

    def _adopt(self, taught: Refined, tilt_decided: bool) -> None:
        sign_known = self.hint.orientation_deg is not None
        mismatch = float(np.median([fit.mismatch for fit in taught.fits]))
        remembered = not sign_known and self._is_remembered(taught.geometry.mask.orientation_deg)
        self.learnt = Learnt(
            taught.geometry, sign_known, tilt_decided, len(taught.fits), mismatch, sign_remembered=remembered
        )
        self._stars.clear()
        self._turbulence = None

    def _is_remembered(self, orientation_deg: float) -> bool:
        """Tell whether the mask sits at the angle, either way round, at which an earlier set had it."""
        if self.hint.remembered_deg is None:
            return False
        return abs((orientation_deg - self.hint.remembered_deg + 90.0) % 180.0 - 90.0) < _SAME_FITTING_DEG

    def _turbulence_u_um(self, cutout: Cutout, fit: StarFit) -> float:
        """Return what the atmosphere adds to the defocus's standard uncertainty."""
        assert self.learnt is not None
        if not self.through_air:
            return 0.0
        geometry = self.learnt.geometry
        if self._turbulence is None:
            self._turbulence = defocus_turbulence(geometry.optics)
        wavelength_um = self.bands[cutout.filter].centre_nm * 1e-3
        r0_mm = fried_parameter_mm(fit.state.blur_px, wavelength_um, geometry.optics)
        exposure_s = cutout.exposure_s if cutout.exposure_s is not None else _SHORT_EXPOSURE_S
        variance = self._turbulence.variance_um2(wavelength_um, r0_mm, exposure_s, TYPICAL_WIND_M_PER_S)
        return math.sqrt(variance)

    def _reading(
        self, cutout: Cutout, fit: StarFit, *, rival: bool, told: tuple[str, ...], turned_deg: float
    ) -> MaskReading:
        """Return the reading of a fit, with its flags and those ``told`` already."""
        assert self.learnt is not None
        zone = self._zone_um(cutout.filter)
        fit_um = shared_defocus_u_um(self.star(cutout.filter, cutout.size_px), cutout, fit)
        air_um = self._turbulence_u_um(cutout, fit)
        u_um = math.sqrt(fit_um**2 + air_um**2 + (_MODEL_U_ZONES * zone) ** 2)
        flags = (*self._flags(cutout, fit, zone, air_um), *told)
        refusal = self._refusal(fit, u_um, zone, rival)
        scale = self.spike_error_px_per_um()
        known = refusal is None
        return MaskReading(
            filter=cutout.filter,
            spike_error_px=fit.state.defocus_um * scale if known else None,
            spike_error_u_px=u_um * scale if known else None,
            defocus_um=fit.state.defocus_um if known else None,
            defocus_u_um=u_um if known else None,
            star_x_px=fit.state.x_px + cutout.origin_x_px,
            star_y_px=fit.state.y_px + cutout.origin_y_px,
            arms_deg=_turned(self.learnt.geometry.mask, turned_deg).spike_directions_deg(),
            signal_electrons=fit.state.flux_electrons,
            width_px=fit.state.blur_px,
            background_electrons=fit.background[0],
            mismatch=fit.mismatch,
            flags=flags if refusal is None else (refusal, *flags),
        )

    def _flags(self, cutout: Cutout, fit: StarFit, zone_um: float, air_um: float) -> tuple[str, ...]:
        """Return the notes that a fit calls for."""
        assert self.learnt is not None
        notes = {
            "sign_unknown": not (self.learnt.sign_known or self.learnt.sign_remembered),
            "sign_unchecked": self.learnt.sign_remembered,
            "layout_undecided": not self.learnt.tilt_decided,
            "saturated": cutout.saturated_px > 0,
            "clipped": cutout.clipped,
            "faint": fit.state.flux_electrons < _FAINT_ELECTRONS,
            "far_from_focus": (
                not self.knows_mask or abs(fit.state.defocus_um) > CERTAIN_REACH_ZONES * zone_um
            ),
            "poor_match": _matches_poorly(fit, air_um),
            "exposure_short": cutout.exposure_s is not None and cutout.exposure_s < _SHORT_EXPOSURE_S,
        }
        return tuple(code for code, holds in notes.items() if holds)

    def _refusal(self, fit: StarFit, u_um: float, zone_um: float, rival: bool) -> str | None:
        """Return why a fit gives no number, or None when it does."""
        if abs(fit.state.defocus_um) >= 0.995 * _SEARCH_REACH_ZONES * zone_um:
            return "ambiguous"
        if u_um > _WORST_U_ZONES * zone_um or fit.state.flux_electrons < 300.0:
            return "too_faint"
        return "ambiguous" if rival or not self.knows_mask else None


def _matches_poorly(fit: StarFit, air_um: float) -> bool:
    """Tell whether a frame misses the model by more than turbulence explains.

    Air that moves the spikes also leaves its speckles in a frame: a mismatch that makes the defocus no less
    sure than the air itself does is the air's, up to where frame and model differ altogether.
    """
    if fit.mismatch <= _POOR_MISMATCH:
        return False
    return fit.defocus_u_um > air_um or fit.mismatch > _HOPELESS_MISMATCH


def _hopeless(refined: Refined) -> bool:
    """Tell whether the frames are altogether unlike any star that the geometry makes."""
    return float(np.median([fit.mismatch for fit in refined.fits])) > _HOPELESS_MISMATCH


def _agreeing(refined: Refined) -> list[int]:
    """Return which frames match the common geometry about as well as most do.

    A frame on which the mask had slipped, or another star or a trail shows, must not teach the rest.
    """
    mismatches = [fit.mismatch for fit in refined.fits]
    worst = _OUTLYING_MISMATCH * max(sorted(mismatches)[(len(mismatches) - 1) // 2], _POOR_MISMATCH / 2.0)
    return [k for k, mismatch in enumerate(mismatches) if mismatch <= worst]


def _turned(mask: Mask, by_deg: float) -> Mask:
    return replace(mask, orientation_deg=mask.orientation_deg + by_deg)


def _middle(cutout: Cutout) -> tuple[float, float]:
    """Return the star's rough place in a cut-out made around it."""
    return cutout.size_px / 2.0, cutout.size_px / 2.0
