"""From the mixture of a fit to the numbers of the profile: crossings, offsets, slopes, the coefficient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routines.estimate import refusals, slip
from routines.estimate.fitted import Values
from routines.estimate.intervals import Mixture, of_play
from routines.estimate.model import ALPHA, BACKLASH, FIRST_SLOPE, TRANSITION
from routines.estimate.own_slopes import Moved, common_slope, own_slopes
from routines.estimate.play import Array
from routines.estimate.prepare import Prepared
from routines.estimate.result import FitSetup, Knowledge, TemperatureRange
from routines.estimate.settle import Settled
from routines.estimate.systematic import widened
from routines.flags import MEANINGS, Flag, flag
from routines.observations import INWARD, OUTWARD
from routines.quantity import Quantity

COEFFICIENT = "temperature_coefficient_steps_per_c"
# The coefficient is a ratio to the temperature's movement, which must stand clear of the thermometer's noise.
LEAST_TEMPERATURE_SIGNAL = 10.0
# Nor does a small move tell it, however exactly it was read: the air's wiggles reach the thermometer and not
# the tube, which follows over minutes.
LEAST_TEMPERATURE_MOVE_C = 0.5
# Nor do looks that are over before a tube has followed its thermometer: they must take so many times as long
# as one standard deviation of what is believed of a lag.
LEAST_LAGS = 3.0
# Where a steady slip would make its u so many times larger, it is given for no slip, with a caution.
MOST_WIDENED_COEFFICIENT = 1.5


@dataclass(frozen=True, slots=True)
class Found:
    """A fit with its mixture, what slopes by filter would move, the supported sides, and the flags so far."""

    prepared: Prepared
    settled: Settled
    mixture: Mixture
    moved: Moved
    sides: set[int]
    flags: tuple[Flag, ...]

    def with_own_slopes(self, gradient: Array) -> Quantity:
        """Return the quantity ``gradient @ globals`` where each filter may have a slope of its own."""
        return self.moved.applied(self.mixture.quantity(gradient), gradient)


def _unit(size: int, place: int) -> Array:
    """Return the gradient that picks one of the globals."""
    gradient = np.zeros(size)
    gradient[place] = 1.0
    return gradient


def _crossing_gradient(found: Found, index: int, side: int) -> Array:
    problem = found.settled.problem
    gradient = np.zeros(problem.size)
    gradient[FIRST_SLOPE + problem.slopes + index] = 1.0
    gradient[BACKLASH] = 1.0 if side == OUTWARD else 0.0
    return gradient


def crossings(found: Found, side: int) -> Values:
    """Return each observed filter's crossing on a side; None where the side was not seen past the play."""
    seen, unsure = _sides_told(found), 0.5 * _slipping_play_u(found)
    gradients = [_crossing_gradient(found, index, side) for index in range(len(seen))]
    return {
        name: widened(found.with_own_slopes(row), unsure) if side in told else None
        for name, row, told in zip(found.prepared.filters, gradients, seen, strict=True)
    }


def _sides_told(found: Found) -> list[set[int]]:
    """Return on which sides each filter's crossing is told: with the backlash known, on both."""
    if found.settled.free[BACKLASH]:
        return [set(found.sides) for _ in found.prepared.filters]
    return [own & found.sides for own in refusals.sides_of_filters(found.settled)]


def offsets(found: Found, setup: FitSetup) -> tuple[Values, tuple[str, ...], tuple[tuple[float, ...], ...]]:
    """Return the offsets from the reference filter, the order of the others, and their covariance."""
    filters = found.prepared.filters
    if setup.reference_filter not in filters:
        return {}, (), ()
    at = filters.index(setup.reference_filter)
    seen = _sides_told(found)
    reference = _crossing_gradient(found, at, INWARD)
    others = tuple(n for k, n in enumerate(filters) if k != at and seen[k] & seen[at])
    transform = np.array([_crossing_gradient(found, filters.index(n), INWARD) - reference for n in others])
    values: Values = {setup.reference_filter: Quantity(0.0, 0.0, 0.0, 0.0)}
    values.update({name: found.with_own_slopes(row) for name, row in zip(others, transform, strict=True)})
    if not others:
        return values, (), ()
    _, covariance = found.mixture.moments(transform)
    covariance = covariance + transform @ found.moved.covariance @ transform.T
    return values, others, tuple(tuple(float(x) for x in row) for row in covariance)


def lonely_flags(found: Found, setup: FitSetup) -> list[Flag]:
    """Return why an observed filter has no offset: never seen past the play on the reference's side."""
    filters, seen = found.prepared.filters, _sides_told(found)
    if setup.reference_filter not in filters:
        return []
    at = filters.index(setup.reference_filter)
    words = "never seen past the play on the same side as the reference filter, and the backlash is not known"
    return [
        flag("not_identifiable", f"offsets_steps.{name}", f"{name} was {words}")
        for k, name in enumerate(filters)
        if k != at and not seen[k] & seen[at]
    ]


def knowledge(found: Found) -> Knowledge:
    """Return mean and covariance of what a further look depends on."""
    settled, filters = found.settled, found.prepared.filters
    problem = settled.problem
    places = [BACKLASH, FIRST_SLOPE, ALPHA, *range(FIRST_SLOPE + problem.slopes, problem.first_bend)]
    mean, covariance = found.mixture.moments(np.eye(problem.size)[places])
    if not settled.free[BACKLASH]:
        covariance[0, 0] = float(np.ptp(problem.position)) ** 2
    own = np.bincount(problem.filter_index, settled.solution.state.variance) / np.bincount(
        problem.filter_index
    )
    return Knowledge(
        names=("backlash", "slope", "alpha", *(f"crossing.{name}" for name in filters)),
        values=tuple(float(x) for x in mean),
        covariance=tuple(tuple(float(x) for x in row) for row in covariance),
        noise_px={name: float(v) ** 0.5 for name, v in zip(filters, own, strict=True)},
    )


def slopes(found: Found) -> Values:
    """Return each observed filter's slope, as its own looks tell it."""
    problem = found.settled.problem
    if problem.slopes == 1 and problem.filters > 1:
        own = own_slopes(found.settled, _slip_beside(found))
    else:
        own = [found.mixture.quantity(_unit(problem.size, FIRST_SLOPE + k)) for k in range(problem.slopes)]
    return dict(zip(found.prepared.filters, own, strict=True))


def slope(found: Found) -> Quantity:
    """Return the common slope, or the mean over filters where each has its own."""
    problem, beside = found.settled.problem, _slip_beside(found)
    if beside.shape[1]:
        return common_slope(found.settled, beside)
    gradient = np.zeros(problem.size)
    gradient[FIRST_SLOPE : FIRST_SLOPE + problem.slopes] = 1.0 / problem.slopes
    return found.mixture.quantity(gradient)


def _slip_beside(found: Found) -> Array:
    """Return the shapes (n, k; steps) of a slip that some number could not bear, but a common slope can."""
    settled = found.settled
    if settled.problem.slopes > 1:
        return np.zeros((len(settled.problem.value), 0))
    return slip.untold_shapes(settled, found.prepared, FIRST_SLOPE)


def backlash(found: Found) -> Quantity | None:
    """Return the play; None where it is not known."""
    if not found.settled.free[BACKLASH]:
        return None
    return widened(of_play(found.mixture, BACKLASH), _slipping_play_u(found))


def _slipping_play_u(found: Found) -> float:
    """Return what two sound ways to read the play (steps) of a drive that slips differ by.

    The motor's steps inside the play and those between the crossings differ by the share that slips: half of
    it lies at each crossing.
    """
    if not found.settled.free[BACKLASH]:
        return 0.0
    play = float(found.settled.solution.state.theta[BACKLASH])
    return play * slip.share_of_travel(found.settled, found.prepared)


def transition(found: Found) -> Quantity | None:
    """Return the width over which the play is taken up, or its limit; None where the play is not known."""
    return of_play(found.mixture, TRANSITION) if found.settled.free[BACKLASH] else None


def temperature(found: Found) -> tuple[Quantity | None, list[Flag]]:
    """Return the coefficient where the observations tell it, and what to say where they do not."""
    prepared, settled = found.prepared, found.settled
    if prepared.temperatures is None:
        unknown = "no temperature was recorded"
        return None, [flag("temperature_unknown", "all"), flag("temperature_constant", COEFFICIENT, unknown)]
    if not settled.free[ALPHA]:
        return None, [flag("temperature_constant", COEFFICIENT)]
    alpha, untold = coefficient(found), _untold(prepared)
    vague = alpha.u is None or alpha.u > 0.3 * settled.problem.alpha_prior
    if untold is not None or vague:
        return None, [flag("temperature_constant", COEFFICIENT, untold), flag("temperature_drift", "all")]
    return alpha, []


def _untold(prepared: Prepared) -> str | None:
    """Return why these temperatures tell no coefficient, whatever the looks say; None where they do."""
    moved_c = 0.0 if prepared.temperatures is None else float(np.ptp(prepared.temperatures))
    if moved_c < LEAST_TEMPERATURE_MOVE_C:
        return (
            f"the temperature moved by {moved_c:.2f} C during the looks; below {LEAST_TEMPERATURE_MOVE_C} C "
            "what the thermometer reads and what the tube does may differ too much. Looks on other nights "
            "tell it"
        )
    if prepared.lags_seen < LEAST_LAGS:
        return (
            "the looks were over too soon: a tube may be ten minutes behind its thermometer or before it. "
            "Looks over a longer time, or on other nights, tell the coefficient"
        )
    if prepared.temperature_signal < LEAST_TEMPERATURE_SIGNAL:
        return MEANINGS["temperature_constant"][1]
    return None


def coefficient(found: Found) -> Quantity:
    """Return the coefficient; for no slip where a steady one would pass for it and none shows."""
    problem, mixture = found.settled.problem, found.mixture
    if problem.slips and slip_would_pass(found) and not slip.shows(found.settled):
        mixture = mixture.given_none(problem.slip_places)
    return mixture.quantity(_unit(problem.size, ALPHA))


def slip_would_pass(found: Found) -> bool:
    """Tell whether a steady slip would pass for the coefficient: only other nights tell them apart."""
    widened = slip.widened_by_slip(found.settled, found.prepared)
    return bool(widened[ALPHA] > MOST_WIDENED_COEFFICIENT)


def temperature_range(prepared: Prepared) -> TemperatureRange | None:
    """Return the temperatures between which looks were made."""
    if prepared.temperatures is None:
        return None
    return TemperatureRange(float(np.min(prepared.temperatures)), float(np.max(prepared.temperatures)))
