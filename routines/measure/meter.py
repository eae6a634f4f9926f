"""Measure masked frames as one set: what bright frames teach of mask and seeing serves the faint ones.

The meter learns the mask's orientation (folded once, then followed), its geometry and which way its
quarters tilt; it keeps one filter's templates each, and reads a cut-out by fitting the forward model, from
scratch or near a hint. It never returns a number that it cannot stand by: a rival minimum, too little light
or a star without spikes give a flag and no value.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from routines.measure.capture import Captured, Hint, capture, share_of_light, signal_in_arms
from routines.measure.climb import FitLimits
from routines.measure.companion import has_companion, without_companion
from routines.measure.cutout import Cutout
from routines.measure.drawing import draw
from routines.measure.fit import fit_star
from routines.measure.fitted import StarFit, light_left_out
from routines.measure.geometry import Geometry
from routines.measure.learning import (
    HOPELESS_MISMATCH,
    OUTLYING_MISMATCH,
    POOR_MISMATCH,
    SEARCH_REACH_ZONES,
    Each,
    Learnt,
    MaskHint,
    MaskLearner,
    one_by_one,
    trial_spacing_um,
    zone_um,
)
from routines.measure.model import MaskedStar, StarState
from routines.measure.preparation import Shelf, prepared
from routines.measure.reading import MaskReading
from routines.measure.refining import HELD, Looseness, Refined, refine_geometry
from routines.measure.shared import shared_defocus_u_um
from routines.measure.templates import Templates, Window, make_templates
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
    grating_order_um,
    spike_error_px_per_um,
)

CERTAIN_REACH_ZONES = 4.0
_FAINT_ELECTRONS = 2e4
_WORST_U_ZONES = 1.0
_LEAST_SHARE = 0.25
# A bright trail may hold as much light as the star; of a smeared pattern a chance match takes a hundredth.
_MOST_LEFT_OUT = 4.0
# What grid, wavelengths and drawing of the model itself leave open, in critical focus zones.
_MODEL_U_ZONES = 0.005
_LEAST_TURN_DEG = 0.15
_CLEARLY_BETTER = 0.9
_SHORT_EXPOSURE_S = 2.0
# So near the middle of what was drawn around a defocus its slopes are true to a hundredth.
_NEAR_STEPS, _TIMES_DRAWN = 0.4, 2
_SMALLEST_CUTOUT_PX, _USUAL_CUTOUT_PX, _LARGEST_CUTOUT_PX = 192, 256, 512


class MaskMeter:
    """Measures the cut-outs of one fitting of the mask. Not for use from two threads.

    ``through_air`` adds what the atmosphere makes of the spikes to the stated uncertainty; False is for an
    artificial star on a bench. ``each`` is how the starts of a lesson are tried (see `MaskLearner`).
    Stars of a whole lesson are taken from the ``shelf`` where it has them, and kept there.
    """

    def __init__(
        self,
        optics: Optics,
        hint: MaskHint,
        bands: Mapping[str, Band],
        pixel_share: float = 1.0,
        *,
        through_air: bool = True,
        each: Each = one_by_one,
        shelf: Shelf | None = None,
    ) -> None:
        self.optics = optics
        self.hint = hint
        self.bands = dict(bands)
        self.pixel_share = pixel_share
        self.through_air = through_air
        self.learnt: Learnt | None = None
        self._shelf = shelf
        self._learner = MaskLearner(optics, hint, bands, pixel_share, each)
        self._stars: dict[str, MaskedStar] = {}
        self._taught_by: Cutout | None = None
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

    def learn(self, cutouts: Sequence[Cutout], *, brief: bool = False) -> None:
        """Learn orientation and geometry from the clearest cut-outs (see `learning`)."""
        learnt = self._learner.learn(cutouts, self.learnt, brief=brief)
        if learnt is not None and learnt is not self.learnt:
            self.restore(learnt)
            self._taught_by = cutouts[0] if len(cutouts) == 1 else None

    @property
    def knows_mask(self) -> bool:
        """Tell whether the mask was learnt from frames that are at all like a masked star near focus."""
        return self.learnt is not None and self.learnt.settled

    def restore(self, learnt: Learnt, stars: Mapping[str, MaskedStar] | None = None) -> None:
        """Take up what has been learnt, by this set or an earlier part, with stars made of it already."""
        self.learnt = learnt
        self._stars = dict(stars or {})
        self._taught_by = None
        self._turbulence = None

    def stars(self, filter_names: Iterable[str], size_px: int) -> dict[str, MaskedStar]:
        """Return the models of a star through several filters, by name."""
        return {name: self.star(name, size_px) for name in filter_names}

    def measure(self, cutout: Cutout, hint: Hint | None = None) -> MaskReading:
        """Read one cut-out; the geometry must have been learnt or the reading says why not."""
        if self.learnt is None:
            return MaskReading(cutout.filter, flags=("no_mask_pattern",))
        if cutout.usable.mean() < 0.25:
            flag = "all_saturated" if cutout.saturated_px > cutout.pixels.size // 4 else "no_signal"
            return MaskReading(cutout.filter, flags=(flag,))
        star, captured = self._captured(cutout, hint)
        arms, arms_u = signal_in_arms(cutout, captured.fit, self._first_order_px(cutout.filter))
        if (arms + 4.0 * arms_u < 0.5 and arms_u < 0.15) or _is_another_pattern(cutout, captured.fit):
            return MaskReading(cutout.filter, flags=("no_mask_pattern",))
        fit, turned_deg = self._followed(cutout, captured.fit)
        blended = turned_deg == 0.0 and has_companion(cutout, fit)
        if blended:
            fit = without_companion(star, cutout, fit, star.templates.reach_um)
        told = tuple(code for code, so in (("blended", blended), ("mask_slipped", turned_deg != 0.0)) if so)
        return self._reading(cutout, fit, rival=captured.rival, told=told, turned_deg=turned_deg)

    def _captured(self, cutout: Cutout, hint: Hint | None) -> tuple[MaskedStar, Captured]:
        """Return a cut-out's fit, and the star that it was fitted with."""
        assert self.learnt is not None
        place = self.learnt.place
        if hint is None and cutout is self._taught_by and place is not None:
            found = self._found_again(cutout, place)
            if found is not None:
                return found
        star = self.star(cutout.filter, cutout.size_px)
        spacing_um = trial_spacing_um(self.bands[cutout.filter], self.optics)
        return star, capture(star, cutout, hint, spacing_um, self.learnt.mismatch)

    def _found_again(self, cutout: Cutout, place: StarState) -> tuple[MaskedStar, Captured] | None:
        """Return the fit of the frame that has just been learnt from, where it was found; None if not there.

        The lesson has tried all other defoci: what is drawn around this one serves, at a fifth of the cost.
        """
        assert self.learnt is not None
        start = replace(place, x_px=place.x_px - cutout.origin_x_px, y_px=place.y_px - cutout.origin_y_px)
        band, window = self.bands[cutout.filter], Window.around(cutout.size_px)
        for _ in range(_TIMES_DRAWN):
            drawn = draw(self.learnt.geometry, band, window, start)
            reach = drawn.templates.reach_um
            limits = FitLimits(reach_um=reach, own_light_only=True, mismatch=self.learnt.mismatch)
            fit = fit_star(drawn.star, cutout, start, limits)
            moved_um = abs(fit.state.defocus_um - start.defocus_um)
            if fit.converged and moved_um < _NEAR_STEPS * drawn.templates.step_um:
                return drawn.star, Captured(fit, rival=False)
            start = fit.state
        return None

    def _followed(self, cutout: Cutout, fit: StarFit) -> tuple[StarFit, float]:
        """Return a fit with the mask turned to where this frame shows it, and by how much (deg).

        Tried only where a frame matches much worse than those that the geometry was learnt from.
        """
        assert self.learnt is not None
        if fit.mismatch < max(POOR_MISMATCH, OUTLYING_MISMATCH * self.learnt.mismatch):
            return fit, 0.0
        only_turn = Looseness(3.0, *(HELD,) * 5)
        geometry, reach = self.learnt.geometry, SEARCH_REACH_ZONES * self._zone_um(cutout.filter)
        window = Window.around(cutout.size_px)
        start = Refined(geometry, (fit,))
        turned = refine_geometry(start, [cutout], self.bands, window, reach, only_turn, rounds=5)
        by_deg = turned.geometry.mask.orientation_deg - geometry.mask.orientation_deg
        better = turned.fits[0].reduced_deviance < _CLEARLY_BETTER * fit.reduced_deviance
        return (turned.fits[0], by_deg) if better and abs(by_deg) > _LEAST_TURN_DEG else (fit, 0.0)

    def has_star(self, filter_name: str) -> bool:
        """Tell whether the model of a star through a filter is at hand."""
        return filter_name in self._stars

    def star(self, filter_name: str, size_px: int) -> MaskedStar:
        """Return the model of a star through one filter, made at first use."""
        if self.learnt is None:
            raise RuntimeError("the mask's geometry has not been learnt")
        if filter_name not in self._stars:
            geometry = self.learnt.geometry
            templates = self._templates(geometry, self.bands[filter_name], Window.around(size_px))
            self._stars[filter_name] = MaskedStar(templates, geometry.profile, geometry.pixel_share)
        return self._stars[filter_name]

    def _templates(self, geometry: Geometry, band: Band, window: Window) -> Templates:
        """Return what frames through a filter are compared with; after a brief lesson not worth keeping."""
        assert self.learnt is not None
        optics, mask, reach = geometry.optics, geometry.mask, SEARCH_REACH_ZONES * self._zone_um(band.name)
        if self.learnt.brief:
            return make_templates(optics, mask, band, window, reach, coarse=True)
        return prepared(optics, mask, band, window, reach, self._shelf)

    def spike_error_px_per_um(self) -> float:
        """Return the spike error, in pixels, of one micrometre of defocus, for the learnt geometry."""
        if self.learnt is None:
            raise RuntimeError("the mask's geometry has not been learnt")
        return spike_error_px_per_um(self.learnt.geometry.optics, self.learnt.geometry.mask)

    def _zone_um(self, filter_name: str) -> float:
        return zone_um(self.bands[filter_name], self.optics)

    def _first_order_px(self, filter_name: str) -> float:
        assert self.learnt is not None
        wavelength_um = self.bands[filter_name].centre_nm * 1e-3
        return (
            grating_order_um(1.0, wavelength_um, self.optics, self.learnt.geometry.mask)
            / self.optics.pixel_um
        )

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
        fit_um = shared_defocus_u_um(cutout, fit)
        air_um = self._turbulence_u_um(cutout, fit)
        u_um = math.sqrt(fit_um**2 + air_um**2 + (_MODEL_U_ZONES * zone) ** 2)
        flags = (*self._flags(cutout, fit, zone, air_um), *told)
        refusal = self._refusal(fit, u_um, zone, rival or _is_a_part_only(cutout, fit))
        scale = self.spike_error_px_per_um()
        known = refusal is None
        return MaskReading(
            filter=cutout.filter,
            spike_error_px=fit.state.defocus_um * scale if known else None,
            spike_error_u_px=u_um * scale if known else None,
            defocus_um=fit.state.defocus_um if known else None,
            # The clear diameter scales defocus, and not the spike error, which is seen.
            defocus_u_um=math.hypot(u_um, self.learnt.aperture_u * fit.state.defocus_um) if known else None,
            star_x_px=fit.state.x_px + cutout.origin_x_px,
            star_y_px=fit.state.y_px + cutout.origin_y_px,
            arms_deg=_turned(self.learnt.geometry.mask, turned_deg).spike_directions_deg(),
            signal_electrons=fit.state.flux_electrons,
            width_px=fit.state.blur_px,
            background_electrons=fit.background[0],
            mismatch=fit.mismatch,
            flags=flags if refusal is None else (refusal, *flags),
            fit=fit,
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
        if abs(fit.state.defocus_um) >= 0.995 * SEARCH_REACH_ZONES * zone_um:
            return "ambiguous"
        if u_um > _WORST_U_ZONES * zone_um or fit.state.flux_electrons < 300.0:
            return "too_faint"
        unlike = fit.mismatch > HOPELESS_MISMATCH  # from far out of focus, or of another pattern
        return "ambiguous" if rival or unlike or not self.knows_mask else None


def _matches_poorly(fit: StarFit, air_um: float) -> bool:
    """Tell whether a frame misses the model by more than turbulence explains.

    Air that moves the spikes also leaves its speckles in a frame: a mismatch that makes the defocus no less
    sure than the air itself does is the air's, up to where frame and model differ altogether.
    """
    if fit.mismatch <= POOR_MISMATCH:
        return False
    return fit.defocus_u_um > air_um or fit.mismatch > HOPELESS_MISMATCH


def _is_another_pattern(cutout: Cutout, fit: StarFit) -> bool:
    """Tell whether a fit that matches nothing took up but a little of the light.

    So ends a star without a mask whose core is saturated and left out: what remains are faint rings.
    """
    return fit.mismatch > HOPELESS_MISMATCH and share_of_light(cutout, fit) < _LEAST_SHARE


def _is_a_part_only(cutout: Cutout, fit: StarFit) -> bool:
    """Tell whether a fit left out several times the light that it took for the star's."""
    return light_left_out(cutout, fit) > _MOST_LEFT_OUT * fit.state.flux_electrons


def _turned(mask: Mask, by_deg: float) -> Mask:
    return replace(mask, orientation_deg=mask.orientation_deg + by_deg)
