"""Sky seconds and exposures until the targets hold: a fixed grid, the grid with our fit, and our own looks.

    python -m tests.benchmarks sky          (30 nights; the same nights for all three)

(a) The fixed grid of common practice: 20-step moves from beyond the dead zone through focus, every filter at
each place, then two luminance passes each way; a plain line fit of the spikes reads each frame, and straight
lines through the linear part give the numbers. Grids are repeated whole, at most four times, until every
95 % interval is inside its target; then it counts as ">4".
(b) The same grid with our measurement and the joint fit.
(c) `characterise` up to its targets, finding focus included.

Looks are drawn by the surrogate camera on the simulated refractor: nothing of the estimator is in it. Seconds
count exposure, readout, wheel, moves and settling alike for all. The line fit's accuracy is calibrated on
the line-fit column of `python -m tests.benchmarks bound` (frames of an independent optics library).
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice, pairwise, product

import numpy as np
from scipy.stats import t as student

from daemon.assembly import fit_setup, train_facts
from daemon.config import Config
from daemon.desk import estimated_from
from daemon.rehearse import default_config
from drivers.simulated.parameters import Rig, load_rig
from drivers.simulated.surrogate import surrogate_look
from drivers.simulated.truth import TrueNumbers, truth_of
from drivers.simulated.world import Shot, World
from routines.estimate.errands import answered
from routines.estimate.joint import JointFit, fit_jointly
from routines.observations import INWARD, OUTWARD, Move, Observation
from routines.scripts.characterise import characterise
from routines.steps import (
    Answer,
    Approach,
    Arrived,
    Estimate,
    Estimated,
    Noted,
    Observe,
    Released,
    Seen,
    Selected,
    SelectFilter,
    Step,
    Travel,
    answered_in_parts,
    legs_of,
)
from tests.benchmarks.spread import over_cores
from tests.benchmarks.timing import record

NIGHTS = 30
MOST_GRIDS = 4
GRID_STEPS = 20.0
READOUT_S, SETTLE_S, WHEEL_S, STEPS_PER_S = 2.0, 0.5, 2.0, 400.0
SHARE_AIMED_AT = 0.25


@dataclass
class Bench:
    """One night in progress: the rig, its clock, and what it has cost so far."""

    rig: Rig
    world: World = field(init=False)
    rng: np.random.Generator = field(init=False)
    read_by_lines: bool = False
    filter: str = "L"
    seconds: float = 0.0
    looks: list[Observation] = field(default_factory=list)
    moves: list[Move] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.world = World(self.rig)
        self.rng = np.random.default_rng([77, self.rig.seed, int(self.read_by_lines)])

    def pass_time(self, seconds: float) -> None:
        self.seconds += seconds
        self.world.advance(seconds)

    def go(self, place: float) -> None:
        distance = abs(place - self.world.focuser.count)
        self.moves.append(Move(len(self.looks), place))
        self.world.focuser.go(round(place))
        self.pass_time(distance / STEPS_PER_S + SETTLE_S)

    def turn(self, name: str) -> None:
        if name != self.filter:
            self.filter = name
            self.pass_time(WHEEL_S)

    def look(self, exposure_s: float) -> Observation:
        """Expose, read out and measure; the drive and the weather are the simulated rig's own."""
        weather, now = self.rig.weather, self.world.time_s + exposure_s / 2.0
        number = len(self.looks)
        shot = Shot(
            number=number,
            exposure_s=exposure_s,
            began_s=self.world.time_s,
            filter_name=self.filter,
            asked_filter=self.filter,
            places_steps=(self.world.train.place_steps,) * 12,
            tube_c=weather.tube_c(now),
            fried_mm=weather.fried_mm(now),
            mask_on=True,
            mask_turned_deg=0.0,
            transparency=1.0,
            count=round(self.world.focuser.count),
            probe_c=self.world.probe_c(),
        )
        seen = surrogate_look(self.rig, shot, self.rng)
        value, u = seen["value_px"], seen["u_px"]
        if self.read_by_lines and value is not None:
            value, u = self._by_lines(value, seen["signal_electrons"]), None
        self.pass_time(exposure_s + READOUT_S)
        self.looks.append(
            Observation(
                number=number,
                filter=self.filter,
                position_steps=float(round(self.world.focuser.count)),
                value_px=value,
                u_px=u,
                temperature_c=shot.probe_c,
                time_s=now,
                exposure_s=exposure_s,
                flags=tuple(seen["flags"]),
            )
        )
        return self.looks[-1]

    def _by_lines(self, value_px: float, electrons: float) -> float:
        """Return what a plain line fit reads: 1.8 um near focus, growing to 5 um at 130 um (bright stars).

        Below a few times 1e4 electrons it picks a wrong line now and then, at 5e3 mostly.
        """
        per_um = abs(truth_of(self.rig).slope_px_per_step) / self.rig.tube.step_um
        away_um = value_px / per_um
        scatter_um = math.hypot(1.8, 0.035 * away_um)
        value = value_px + per_um * scatter_um * float(self.rng.standard_normal())
        if self.rng.random() < min(0.9, (2.0e4 / electrons) ** 1.3):
            value += per_um * 300.0 * float(self.rng.standard_normal())
        return value


@dataclass(frozen=True, slots=True)
class Targets:
    """Half-widths (steps) that the 95 % intervals of offsets and backlash shall have."""

    offset: float
    backlash: float


def targets_of(truth: TrueNumbers) -> Targets:
    offset = max(1.0, min(truth.critical_focus_zone_steps.values()) / 16.0)
    return Targets(offset, 2.0 * offset)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one way took on one night; ``grids`` is 5 where four were not enough."""

    seconds: float
    exposures: int
    reached: bool
    grids: int
    worst_offset_error: float


def grid(bench: Bench, config: Config, focus: float, play: float, reach: float) -> None:
    """Make one grid: every filter at each place of an inward pass, then luminance in, out, in, out.

    ``focus`` is the inward crossing as an eye would find it; a pass starts beyond the dead zone.
    """
    inward = np.arange(focus + reach, focus - reach - 1.0, -GRID_STEPS)
    outward = np.arange(focus - reach, focus + play + reach + 1.0, GRID_STEPS)
    bench.go(inward[0] + 300.0)
    for place in inward:
        bench.go(place)
        for item in config.filters:
            bench.turn(item.name)
            bench.look(item.exposure_s)
    bench.turn(config.reference_filter)
    reference = next(item for item in config.filters if item.name == config.reference_filter)
    for places in (outward, outward[::-1], outward, outward[::-1]):
        for place in places:
            bench.go(place)
            bench.look(reference.exposure_s)


@dataclass(frozen=True, slots=True)
class LineCrossing:
    """Where a straight line through a pass is zero, with its standard uncertainty and degrees of freedom."""

    steps: float
    u: float
    freedom: int


def straight_crossing(looks: Sequence[Observation]) -> LineCrossing | None:
    """Return the crossing of a plain line through measured looks; None for fewer than four."""
    seen = [look for look in looks if look.value_px is not None]
    x = np.array([look.position_steps for look in seen])
    y = np.array([look.value_px for look in seen], dtype=float)
    # By eye: what lies far from the line of the others is left out of the spreadsheet.
    for _ in range(2):
        if len(x) < 4:
            return None
        slope, level = np.polyfit(x, y, 1)
        off = y - (slope * x + level)
        kept = np.abs(off) < 4.0 * max(1.4826 * float(np.median(np.abs(off))), 1e-9)
        x, y = x[kept], y[kept]
    if len(x) < 4:
        return None
    (slope, level), covariance = np.polyfit(x, y, 1, cov=True)
    crossing = -level / slope
    gradient = np.array([-crossing / slope, -1.0 / slope])
    return LineCrossing(crossing, float(np.sqrt(gradient @ covariance @ gradient)), len(x) - 2)


def passes_of(looks: Sequence[Observation], reference: str) -> Iterator[tuple[int, list[Observation]]]:
    """Yield the luminance looks of each one-way run, with its side."""
    own = [look for look in looks if look.filter == reference]
    run: list[Observation] = own[:1]
    side = 0
    for before, after in pairwise(own):
        step = np.sign(after.position_steps - before.position_steps)
        if step != 0 and side not in (0, step):
            yield side, run
            run, side = [before], int(step)
        elif step != 0:
            side = int(step)
        run.append(after)
    yield side, run


def linear_part(look: Observation, side: int, focus: float, play: float, reach: float) -> bool:
    """Tell whether a look lies in the part of its pass that an eye calls linear: past the dead zone."""
    middle = focus + (play if side > 0 else 0.0)
    return abs(look.position_steps - middle) <= reach


def by_straight_lines(
    looks: Sequence[Observation], config: Config, focus: float, play: float, reach: float
) -> tuple[dict[str, tuple[float, float]], float]:
    """Return each offset with its 95 % half-width, and the backlash's half-width, as a spreadsheet does."""
    reference = config.reference_filter
    linear = [look for look in looks if linear_part(look, INWARD, focus, play, reach)]
    first_pass = {name: [look for look in linear if look.filter == name] for name in config.filter_names}
    luminance = [(side, run) for side, run in passes_of(looks, reference)]
    first_pass[reference] = [look for side, run in luminance if side < 0 for look in run]
    first_pass[reference] = [
        look for look in first_pass[reference] if linear_part(look, INWARD, focus, play, reach)
    ]
    lines = {name: straight_crossing(own) for name, own in first_pass.items()}
    offsets: dict[str, tuple[float, float]] = {}
    for name in config.filter_names:
        if name == reference:
            continue
        one, other = lines[name], lines[reference]
        if one is None or other is None:
            offsets[name] = (math.nan, math.inf)
            continue
        freedom = min(one.freedom, other.freedom)
        half = float(student.ppf(0.975, freedom)) * math.hypot(one.u, other.u)
        offsets[name] = (one.steps - other.steps, half)
    sides = {
        side: straight_crossing(
            [
                look
                for own, run in luminance
                if own == side
                for look in run
                if linear_part(look, side, focus, play, reach)
            ]
        )
        for side in (INWARD, OUTWARD)
    }
    if sides[INWARD] is None or sides[OUTWARD] is None:
        return offsets, math.inf
    freedom = min(sides[INWARD].freedom, sides[OUTWARD].freedom)
    return offsets, float(student.ppf(0.975, freedom)) * math.hypot(sides[INWARD].u, sides[OUTWARD].u)


def worst_error(offsets: dict[str, float], truth: TrueNumbers) -> float:
    return max((abs(value - truth.offsets_steps[name]) for name, value in offsets.items()), default=math.nan)


def _starting_point(rig: Rig) -> tuple[float, float, float]:
    """Return focus and play as someone knows them by eye, and how far a mask can be read, in steps."""
    truth = truth_of(rig)
    reach = 4.0 * min(truth.critical_focus_zone_steps.values())
    return truth.crossing_steps("L", INWARD, 0.0), truth.backlash_steps, reach


def run_grids(config: Config, rig: Rig, *, ours: bool) -> Outcome:
    """Repeat whole grids until the targets hold: with the joint fit, or with straight lines."""
    truth, bench = truth_of(rig), Bench(rig, read_by_lines=not ours)
    wanted, (focus, play, reach) = targets_of(truth), _starting_point(rig)
    offsets: dict[str, float] = {}
    for grids in range(1, MOST_GRIDS + 1):
        grid(bench, config, focus, play, reach)
        if ours:
            halves, backlash, offsets = _joint(bench, config)
        else:
            lines, backlash = by_straight_lines(bench.looks, config, focus, play, reach)
            halves = [half for _, half in lines.values()]
            offsets = {name: value for name, (value, _) in lines.items()}
        if max(halves) <= wanted.offset and backlash <= wanted.backlash:
            return Outcome(bench.seconds, len(bench.looks), True, grids, worst_error(offsets, truth))
    return Outcome(bench.seconds, len(bench.looks), False, MOST_GRIDS + 1, worst_error(offsets, truth))


def _joint(bench: Bench, config: Config) -> tuple[list[float], float, dict[str, float]]:
    fit = fit_jointly(bench.looks, bench.moves, fit_setup(config))
    return *half_widths(fit, config), offsets_of(fit)


def half_widths(fit: JointFit, config: Config) -> tuple[list[float], float]:
    """Return the half-widths (steps) of the offsets and of the backlash; infinite where not known."""
    halves = []
    for name in config.filter_names:
        offset = fit.offsets_steps.get(name)
        if name != config.reference_filter:
            halves.append(math.inf if offset is None else 0.5 * (offset.high95 - offset.low95))
    play = fit.backlash_steps
    return halves, math.inf if play is None else 0.5 * (play.high95 - play.low95)


def offsets_of(fit: JointFit) -> dict[str, float]:
    return {
        name: found.value
        for name, found in fit.offsets_steps.items()
        if found is not None and found.value is not None and name != fit.reference_filter
    }


class OurLooks:
    """Answers our script's steps on the bench, and notes when the targets held."""

    def __init__(self, config: Config, rig: Rig) -> None:
        self.config, self.bench = config, Bench(rig)
        self.exposures_s = {item.name: item.exposure_s for item in config.filters}

    def __call__(self, step: Step) -> Answer:
        return answered_in_parts(step, self._answer)

    def _answer(self, step: Step) -> Answer:
        bench = self.bench
        if isinstance(step, (Travel, Approach)):
            for place in legs_of(step):
                bench.go(place)
            return Arrived(float(bench.world.focuser.count), 0, 0.0)
        if isinstance(step, SelectFilter):
            bench.turn(step.filter)
            return Selected(step.filter)
        if isinstance(step, Observe):
            return Seen(bench.look(self.exposures_s[step.filter]))
        if isinstance(step, Estimate):
            fit = fit_jointly(bench.looks, bench.moves, fit_setup(self.config))
            known = estimated_from(fit)
            if step.ask is None:
                return known
            return replace(
                known, numbers=known.numbers | {"next_looks": answered(step.ask, fit, bench.looks)}
            )
        return Noted() if not hasattr(step, "condition") else Released(0.0)


def run_ours(config: Config, rig: Rig) -> Outcome:
    """Run `characterise` until its targets hold; the proof after it is not counted."""
    truth, eye = truth_of(rig), OurLooks(config, rig)
    facts = train_facts(config, float(rig.motor.start_count))
    pace = replace(
        facts.pace, readout_s=READOUT_S, wheel_s=WHEEL_S, settle_s=SETTLE_S, steps_per_s=STEPS_PER_S
    )
    script = characterise(replace(facts, pace=pace))
    step, reached = next(script), False
    try:
        while True:
            answer = eye(step)
            if isinstance(answer, Estimated) and (looks := answer.numbers.get("next_looks")) is not None:
                reached = bool(looks["reached"])
            if reached:
                break
            step = script.send(answer)
    except StopIteration:
        pass
    script.close()
    fit = fit_jointly(eye.bench.looks, eye.bench.moves, fit_setup(config))
    return Outcome(eye.bench.seconds, len(eye.bench.looks), reached, 1, worst_error(offsets_of(fit), truth))


WAYS: dict[str, Callable[[Config, Rig], Outcome]] = {
    "(a) grid, line fit, straight lines": lambda config, rig: run_grids(config, rig, ours=False),
    "(b) grid, our measurement and fit": lambda config, rig: run_grids(config, rig, ours=True),
    "(c) our looks": run_ours,
}


def compare(nights: Sequence[int]) -> dict[str, list[Outcome]]:
    """Return every way's outcome of each night."""
    each = over_cores(outcome_of, list(product(WAYS, nights)))
    return {name: list(islice(each, len(nights))) for name in WAYS}


def outcome_of(way_and_night: tuple[str, int]) -> Outcome:
    """Return one way's outcome of one night."""
    way, seed = way_and_night
    return WAYS[way](default_config(), load_rig("refractor-112", seed))


def told(results: dict[str, list[Outcome]]) -> float:
    """Print the table and return (c)'s share of (a)'s sky seconds."""
    print(
        f"  {'':36s}{'sky s':>8s}{'exposures':>11s}{'grids':>7s}{'reached':>9s}{'worst offset (steps)':>22s}"
    )
    medians = {}
    for name, outcomes in results.items():
        medians[name] = float(np.median([one.seconds for one in outcomes]))
        grids = float(np.median([one.grids for one in outcomes]))
        print(
            f"  {name:36s}{medians[name]:8.0f}{np.median([one.exposures for one in outcomes]):11.0f}"
            f"{'>4' if grids > MOST_GRIDS else f'{grids:.0f}':>7s}"
            f"{sum(one.reached for one in outcomes):5d}/{len(outcomes):<3d}"
            f"{np.median([one.worst_offset_error for one in outcomes]):22.2f}"
        )
    a, _, c = medians.values()
    for name, seconds in medians.items():
        record(f"sky seconds to target, {name}", seconds, "s")
    record("sky seconds beside the fixed grid", c / a, "", f"aim: {SHARE_AIMED_AT:.2f}")
    print(f"  (c) takes {100.0 * c / a:.0f} % of (a)'s sky seconds (aim: {100.0 * SHARE_AIMED_AT:.0f} %).")
    return c / a


def run(nights: int = NIGHTS) -> None:
    """Print the table for so many nights."""
    told(compare(range(1, nights + 1)))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=NIGHTS)
    run(parser.parse_args().nights)
