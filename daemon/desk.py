"""What the worker process does: measure frames and fit. It alone loads the heavy libraries.

Jobs take and return plain data. The frame meter learns from the frames it has seen; a desk that replaces a
lost one is told which those were.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import import_module
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog

from daemon.assembly import fit_for_profile, joint_fit, play_bound_steps
from daemon.eyes import EarlierFrame, frames_of, sight_from
from daemon.fitting import Fitting, FittingDamaged, keep_fitting, read_fitting
from daemon.outputs import RunFacts, write_outputs
from daemon.portraits import Gallery, portrayer
from routines.observations import Method, Move, Observation
from routines.sense import checked, sense_of
from routines.steps import Estimated

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.frame_result import FrameResult
    from daemon.measurement import FrameMeter
    from routines.estimate.result import JointFit
    from routines.profile import Profile
    from routines.quantity import Quantity
    from routines.scripts.common import TrainFacts

# What a focuser's probe tells of the air about it, one reading (common practice: sensors of a sixteenth of a
# degree, a few times their step off on a windy night).
_READING_U_C = 0.1
_FOR_FITS = ("routines.estimate.joint", "routines.estimate.width_join")
_KEPT_PX = 512
_SURE_SLOPE_U = 5.0
_FOR_FRAMES = ("daemon.measurement", "astropy.io.fits", "routines.measure.width")


class Desk:
    """The worker's desk for one config; without ``measures`` it only fits.

    What people look at while a run is on (`portraits`), how the mask was last put on, and what frames are
    compared with (`preparations`) is kept in the ``state`` folder, where one is given.
    """

    def __init__(self, config: Config, measures: bool = True, state: Path | None = None) -> None:
        self._config = config
        self._state = state
        self._gallery = None if state is None else Gallery(config, state)
        self._meter: FrameMeter | None = None
        self._measured: list[EarlierFrame] = []
        self._sense = 1
        _load_what_is_heavy(_FOR_FITS + _FOR_FRAMES * measures)
        if measures:
            _know_the_air(config)

    def measure(self, path: str, before: Sequence[EarlierFrame], method: Method = "mask") -> dict[str, Any]:
        """Return the fields of a frame's measurement; ``before`` are the run's earlier frames, in order."""
        meter = self._meter_after(before)
        self._measured.append((path, method))
        result = meter.measure_next(Path(path), method)
        if self._gallery is not None:
            self._gallery.keep(result, meter.explained())
        return _told(result, meter, method)

    def spare(self) -> bool:
        """Do a little while no job waits: make ready for the next frame, or measure one of the run's again.

        That is where a lesson has come since. Returns False when there is nothing left to do.
        """
        return self._meter is not None and (self._meter.make_ready() or self._meter.revise_one())

    def prepare(self, filter_name: str) -> None:
        """Make ready for frames through a filter while its wheel turns."""
        if self._meter is not None:
            self._meter.prepare(filter_name)

    def measure_aside(
        self, path: str, before: Sequence[EarlierFrame], method: Method = "mask"
    ) -> dict[str, Any]:
        """Measure a frame that is none of the set: further ones of a look, and glimpses while holding."""
        meter = self._meter_with(before)
        return _told(meter.measure_aside(Path(path), method), meter, method)

    def estimate(
        self, observations: Sequence[Observation], moves: Sequence[Move], ask: dict[str, Any] | None = None
    ) -> Estimated:
        """Return what the joint fit knows so far and, where a script asks, where to look next."""
        from routines.estimate.errands import answered

        looks = self._revised(observations)
        fit = joint_fit(self._config, looks, moves)
        known = estimated_from(fit)
        if ask is None:
            return known
        return replace(known, numbers=known.numbers | {"next_looks": answered(ask, fit, looks)})

    def nights(self, crossings: Sequence[dict[str, Any]]) -> dict[str, Any]:
        """Return the temperature coefficient that crossings of several nights tell together.

        Each holds "night", "crossing_steps", "u_steps", "temperature_c" and "time_s".
        """
        from daemon.assembly import LAG_U_S
        from routines.estimate.nights import NightCrossing, fit_nights

        told = [NightCrossing(u_temperature_c=_READING_U_C, **item) for item in crossings]
        fit = fit_nights(told, lag_u_s=LAG_U_S)
        coefficient = fit.coefficient_steps_per_c
        return {
            "coefficient": None if coefficient is None else coefficient.as_dict(),
            "valid_from_c": fit.valid_from_c,
            "valid_to_c": fit.valid_to_c,
            "lag_s": None if fit.lag_s is None else fit.lag_s.as_dict(),
            "notes": [item.message for item in fit.flags if item.code != "outlier"],
        }

    def trim(self, frames: Sequence[EarlierFrame], words: Mapping[str, Mapping[str, float | bool]]) -> int:
        """Cut measured frames down to the piece around their star; returns how many were.

        ``words`` tell, by path, what the headers are to say of how each place was reached.
        """
        from drivers.frame_crop import crop_frame

        places = {one.path: one for one in self._meter_after(frames).revised()} if frames else {}
        cut = 0
        for path, _ in frames:
            seen = places.get(path)
            if seen is not None and seen.star_x_px is not None and seen.star_y_px is not None:
                cut += crop_frame(Path(path), seen.star_x_px, seen.star_y_px, _KEPT_PX, words.get(path))
        return cut

    def label(self, words: Mapping[str, Mapping[str, float | bool]]) -> int:
        """Write into frames, by path, how each place was reached; returns how many did not tell it yet."""
        from drivers.frame_words import write_words

        return sum(write_words(Path(path), told) for path, told in words.items())

    def facts(self, position_counts: float) -> TrainFacts:
        """Return what a script starts from; here, since it takes the optics."""
        from daemon.assembly import train_facts

        return train_facts(self._config, position_counts)

    def parameters(self, routine: str, state: str) -> Any:
        """Return a routine's parameters, with what the latest profile in ``state`` tells it."""
        from daemon.rechecking import parameters_for

        return parameters_for(routine, self._config, Path(state))

    def conclude(
        self, folder: str, observations: Sequence[Observation], moves: Sequence[Move], facts: RunFacts
    ) -> Profile:
        """Fit everything, write profile, observations and report into ``folder``, and return the profile."""
        looks = self._revised(observations, last=True)
        facts = self._with_mask(facts)
        fit = fit_for_profile(self._config, looks, moves, mask=facts.mask)
        portray = None if self._meter is None else portrayer(self._config, self._meter)
        profile = write_outputs(Path(folder), self._config, fit, looks, facts, moves, portray)
        self._remember_fitting(looks, fit, facts)
        return profile

    def _remember_fitting(self, looks: Sequence[Observation], fit: JointFit, facts: RunFacts) -> None:
        """Keep the mask's orientation: the star has been seen to move with the focuser, or against it."""
        orientation = None if self._meter is None else self._meter.orientation_deg()
        sense = sense_of(looks, play_bound_steps(self._config)) or _sense_of_slope(fit)
        if self._state is None or self._meter is None or orientation is None or facts.run is None:
            return
        if sense == 0:
            return
        turned = (sense * self._sense < 0) != self._meter.half_turned
        fitting = Fitting((orientation + 180.0 * turned) % 360.0, facts.run, facts.created.isoformat())
        keep_fitting(self._state, fitting)

    def _revised(self, observations: Sequence[Observation], *, last: bool = False) -> list[Observation]:
        """Return the looks with those of the first frames measured again, once the mask's layout is known.

        The ``last`` time that is with the lesson that may still be under way.
        """
        frames = frames_of(observations)
        if not frames:
            return list(observations)
        meter = self._meter_after(frames)
        if last:
            meter.finish_lesson()
        again = {result.path: result for result in meter.revised()}
        pairs = [(look, again.get(look.path or "")) for look in observations]
        self._sense = _agreement(pairs)
        looks = [_measured_again(look, result, self._sense) for look, result in pairs]
        sense = sense_of(looks, play_bound_steps(self._config))
        return [checked(look, sense) for look in looks]

    def _with_mask(self, facts: RunFacts) -> RunFacts:
        """Return the facts with what the frames taught of the mask."""
        learnt = None if self._meter is None else self._meter.learnt
        if learnt is None or not learnt.tilt_decided:
            return facts
        return replace(facts, mask=learnt.geometry.mask)

    def _meter_with(self, before: Sequence[EarlierFrame]) -> FrameMeter:
        """Return the meter if it has seen at least these frames, else one that has seen them again."""
        if self._meter is not None and set(before) <= set(self._measured):
            return self._meter
        return self._meter_after(before)

    def _meter_after(self, before: Sequence[EarlierFrame]) -> FrameMeter:
        """Return the meter as it is after just these frames, measured again where it has seen others."""
        if self._meter is None or self._measured != list(before):
            if self._meter is not None:
                self._meter.close()
            self._meter, self._measured = self._new_meter(), []
            for earlier, method in before:
                if Path(earlier).exists():
                    self._meter.measure_next(Path(earlier), method)
            self._measured = list(before)
        return self._meter

    def _new_meter(self) -> FrameMeter:
        """Return a meter that has seen nothing, with what earlier ones have left in the state folder."""
        from daemon.measurement import FrameMeter
        from daemon.preparations import PreparationShelf

        shelf = None if self._state is None else PreparationShelf(self._state)
        return FrameMeter(self._config, self._fitting(), learns_beside=True, shelf=shelf)

    def _fitting(self) -> Fitting | None:
        """Return how the mask was last put on; what cannot be read is learnt again."""
        try:
            return None if self._state is None else read_fitting(self._state)
        except FittingDamaged as damaged:
            structlog.get_logger(__name__).warning("fitting_damaged", message=str(damaged))
            return None


def _told(result: FrameResult, meter: FrameMeter, method: Method) -> dict[str, Any]:
    """Return a frame's line with what only a run needs; ``method`` is what it was taken for."""
    return {**result.as_dict(), "width_u_px": result.width_u_px, "peak_share": meter.peak_share(method)}


def _sense_of_slope(fit: JointFit) -> int:
    """Return which way the star moves with the focuser in the fit of all looks; 0 where it does not tell."""
    slope = fit.slope_px_per_step
    if slope is None or slope.value is None or abs(slope.value) < _SURE_SLOPE_U * (slope.u or inf):
        return 0
    return 1 if slope.value > 0.0 else -1


def _agreement(pairs: Sequence[tuple[Observation, FrameResult | None]]) -> int:
    """Return 1 where frames measured again are signed as the run has signed them, -1 where the other way.

    A run keeps the sense in which it began, also when its frames are measured again after the mask's fitting
    has been learnt the other way round.
    """
    agreement = 0.0
    for look, result in pairs:
        if result is not None and look.value_px is not None and result.spike_error_px is not None:
            agreement += look.value_px * result.spike_error_px
    return -1 if agreement < 0.0 else 1


def _measured_again(look: Observation, result: FrameResult | None, sense: int) -> Observation:
    if result is None or look.method != "mask":
        return look
    sight = sight_from(result.as_dict(), look.method)
    value = None if sight.value_px is None else sense * sight.value_px
    if look.frames == 1:
        return replace(look, value_px=value, u_px=sight.u_px, flags=sight.flags)
    # Only the first of its frames is at hand: it tells the sign, which may have been taken for the wrong one.
    if look.value_px is None or value is None or value * look.value_px > 0.0:
        return look
    same_side = abs(look.value_px - value) < abs(look.value_px + value)
    return look if same_side else replace(look, value_px=-look.value_px, flags=sight.flags)


def _load_what_is_heavy(modules: Sequence[str]) -> None:
    """Import now, while the focuser still moves to the first look."""
    for name in modules:
        import_module(name)


def _know_the_air(config: Config) -> None:
    """Compute what the air does behind this aperture: the first frame of all would wait for it."""
    from routines.measure.turbulence import defocus_turbulence

    defocus_turbulence(config.science_optics())


def _width_families(fit: JointFit) -> dict[str, dict[str, Quantity | None]]:
    if fit.width is None:
        return {}
    return {
        "width_minimum_inward_steps": fit.width.minima_inward_steps,
        "width_minimum_outward_steps": fit.width.minima_outward_steps,
        "least_width_px": fit.width.least_width_px,
        "mask_minus_width_steps": fit.width.mask_minus_width_steps,
    }


def estimated_from(fit: JointFit) -> Estimated:
    """Return a fit as an answer: numbers by dotted name, each a quantity's dictionary or None."""
    numbers: dict[str, Quantity | None] = {
        "backlash_steps": fit.backlash_steps,
        "transition_steps": fit.transition_steps,
        "slope_px_per_step": fit.slope_px_per_step,
        "temperature_coefficient_steps_per_c": fit.temperature_coefficient_steps_per_c,
    }
    if fit.width is not None:
        numbers["arm_px_per_step"] = fit.width.arm_px_per_step
    families = {
        **_width_families(fit),
        "offset_steps": fit.offsets_steps,
        "crossing_inward_steps": fit.crossings_inward_steps,
        "crossing_outward_steps": fit.crossings_outward_steps,
    }
    for family, values in families.items():
        numbers |= {f"{family}.{name}": value for name, value in values.items()}
    answer: dict[str, Any] = {
        name: None if value is None else value.as_dict() for name, value in numbers.items()
    }
    answer["reference_temperature_c"] = fit.reference_temperature_c
    answer |= {f"scatter_px.{name}": value for name, value in fit.scatter_px.items()}
    return Estimated(answer, tuple(dict.fromkeys(flag.code for flag in fit.flags)))
