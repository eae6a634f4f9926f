"""Do 95 % intervals hold 95 %? Random rigs, the joint fit, and a table: run as a script.

    python tests/campaigns/coverage_of_intervals.py [--rigs 1000] [--first-seed 0] [--wrong asymmetry]

For every kind of number: how often the interval holds the truth, mean and spread of (found - truth) / u, how
often it was null where the truth is identifiable, and the mean interval width over the noise.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from random_rigs import Night, Wrongs, random_night

from daemon.assembly import LAG_U_S
from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.flags import CAUTIONS, DOUBTS
from routines.quantity import Quantity

WRONGS = {
    "none": Wrongs(),
    "asymmetry": Wrongs(asymmetry=8.0),
    "slope": Wrongs(slope_spread=0.02),
    "tails": Wrongs(heavy_tails=True),
    "lag": Wrongs(lag_s=900.0),
    "slip": Wrongs(slip_share=0.01),
    "starts": Wrongs(slip_steps_per_pass=4.0),
}


@dataclass
class Tally:
    """What was found of one kind of number."""

    scores: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    limits_held: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    nulls: int = 0
    asked: int = 0
    misses: list[tuple[int, float]] = field(default_factory=list)

    def add(self, seed: int, item: Scored) -> None:
        """Score one number of the rig drawn with ``seed``."""
        found, truth = item.found, item.truth
        self.asked += item.wanted
        if found is None:
            self.nulls += item.wanted
            return
        if found.value is None or found.u is None:
            self.limits_held.append(truth <= found.high95)
            return
        score = (found.value - truth) / found.u
        self.scores.append(score)
        self.held.append(found.low95 <= truth <= found.high95)
        self.widths.append((found.high95 - found.low95) / item.unit)
        if abs(score) > 4.0:
            self.misses.append((seed, score))

    @property
    def count(self) -> int:
        """Return how many intervals and limits there are."""
        return len(self.held) + len(self.limits_held)

    def share_held(self) -> float:
        """Return how many % of intervals and limits hold the truth."""
        return 100.0 * float(np.mean(self.held + self.limits_held)) if self.count else float("nan")

    def line(self, name: str) -> str:
        """Return one line of the table."""
        scores = np.array(self.scores) if self.scores else np.array([np.nan])
        held = 100.0 * float(np.mean(self.held)) if self.held else float("nan")
        limits = 100.0 * float(np.mean(self.limits_held)) if self.limits_held else float("nan")
        nulls = 100.0 * self.nulls / max(self.asked, 1)
        width = float(np.median(self.widths)) if self.widths else float("nan")
        return (
            f"{name:22s} {len(self.held):6d} {held:7.1f} {np.mean(scores):+7.3f} {np.std(scores):6.2f}"
            f" {nulls:6.1f} {width:8.2f} {len(self.limits_held):6d} {limits:7.1f}"
        )


HEADER = (
    f"{'number':22s} {'count':>6s} {'held %':>7s} {'bias/u':>7s} {'sd/u':>6s} {'null %':>6s} "
    f"{'width':>8s} {'limits':>6s} {'held %':>7s}"
)


def setup_for(night: Night, lag_u_s: float = 0.0) -> FitSetup:
    """Return what a config would tell: filters, the reference, and how much a tube may shrink."""
    return FitSetup(
        filters=night.filters,
        reference_filter=night.filters[0],
        alpha_prior_steps_per_c=night.alpha_prior,
        lag_u_s=lag_u_s,
    )


@dataclass(frozen=True)
class Scored:
    """One number of a fit: its kind, its field, what was found, and the truth in which unit of width."""

    kind: str
    path: str
    found: Quantity | None
    truth: float
    unit: float
    wanted: bool


def scored(night: Night, fit: JointFit) -> Iterator[Scored]:
    """Yield every number of one fit with its truth."""
    truth, noise, wanted = night.truth, night.truth.noise_steps, night.truth.identifiable
    steepness = abs(truth.slope)
    yield Scored("backlash", "backlash_steps", fit.backlash_steps, truth.backlash, noise, wanted)
    yield Scored("transition", "transition_steps", fit.transition_steps, truth.transition, noise, wanted)
    yield Scored("slope", "slope_px_per_step", fit.slope_px_per_step, truth.slope, steepness, wanted)
    for name, own in fit.slopes_px_per_step.items():
        path = f"slope_px_per_step.{name}"
        yield Scored("slope of a filter", path, own, truth.slope_of[name], steepness, wanted)
    for way in ("outward", "inward"):
        path = f"lost_motion_to_{way}_steps"
        yield Scored(f"lost motion {way}", path, getattr(fit, path), truth.backlash, noise, False)
    coefficient = fit.temperature_coefficient_steps_per_c
    if truth.alpha_matters or coefficient is not None:
        path = "temperature_coefficient_steps_per_c"
        yield Scored("temperature coeff.", path, coefficient, truth.alpha, noise, wanted)
    first = night.filters[0]
    # Crossings hold at the mean of the readings, as in the program; the truth is told at 10 deg C.
    warmer_c = 0.0 if fit.reference_temperature_c is None else fit.reference_temperature_c - 10.0
    for name in night.filters:
        focus, path = truth.crossing[name] + truth.alpha * warmer_c, f"crossings_steps.{name}"
        outward = focus + truth.backlash
        yield Scored("crossing inward", path, fit.crossings_inward_steps[name], focus, noise, wanted)
        yield Scored("crossing outward", path, fit.crossings_outward_steps[name], outward, noise, wanted)
        if name != first:
            offset, path = truth.crossing[name] - truth.crossing[first], f"offsets_steps.{name}"
            yield Scored("offset", path, fit.offsets_steps[name], offset, noise, wanted)


@dataclass
class Outcome:
    """What a run of rigs gave: tallies of every number, seconds a fit, and how many fits bore each note.

    A fit that bears one of the DOUBTS is doubted, all its numbers. CAUTIONS say that these looks could not
    tell, whatever the rig: each is about the number that its field names. ``undoubted`` leaves out the fits
    that bear a doubt; ``clean`` the numbers, too, that bear a caution.
    """

    every: dict[str, Tally] = field(default_factory=lambda: defaultdict(Tally))
    undoubted: dict[str, Tally] = field(default_factory=lambda: defaultdict(Tally))
    clean: dict[str, Tally] = field(default_factory=lambda: defaultdict(Tally))
    seconds: list[float] = field(default_factory=list)
    notes: Counter[str] = field(default_factory=Counter)
    doubted: int = 0

    def add(self, seed: int, night: Night, fit: JointFit, seconds: float) -> None:
        """Score one night's fit."""
        codes = {flag.code for flag in fit.flags}
        doubted = not codes.isdisjoint(DOUBTS)
        cautioned = {flag.field for flag in fit.flags if flag.code in CAUTIONS}
        for item in scored(night, fit):
            clear = not doubted and item.path not in cautioned and item.path.split(".")[0] not in cautioned
            for tallies, counts in ((self.every, True), (self.undoubted, not doubted), (self.clean, clear)):
                if counts:
                    tallies[item.kind].add(seed, item)
        self.seconds.append(seconds)
        self.notes.update(codes & {*DOUBTS, *CAUTIONS})
        self.doubted += doubted


def run(seeds: range, wrongs: Wrongs, *, lag_u_s: float = 0.0, verbose: bool = False) -> Outcome:
    """Fit every night and score it."""
    outcome = Outcome()
    for seed in seeds:
        night = random_night(seed, wrongs)
        begun = time.perf_counter()
        fit = fit_jointly(night.observations, night.moves, setup_for(night, lag_u_s))
        outcome.add(seed, night, fit, time.perf_counter() - begun)
        if verbose and fit.backlash_steps is None and night.truth.identifiable:
            print(seed, "null:", [f"{f.code}: {f.message}" for f in fit.flags if f.is_refusal][:3])
    return outcome


def print_notes(outcome: Outcome, rigs: int) -> None:
    """Print how many fits bore each note: under the right model, the doubts' false alarms."""
    print(f"doubted: {100.0 * outcome.doubted / rigs:.1f} % of the fits")
    for kind, codes in (("doubts", sorted(DOUBTS)), ("cautions", sorted(CAUTIONS))):
        shares = [f"{code} {100.0 * outcome.notes[code] / rigs:.1f}" for code in codes]
        print(f"  {kind}, % of fits: " + ", ".join(shares))


def print_unflagged(outcome: Outcome) -> None:
    """Print, for every number, how often it holds where nothing is flagged, and how often something is."""
    print("without any doubt, and without doubt or caution: share flagged %, intervals left, held %")
    for name, tally in outcome.every.items():
        cells = []
        for left in (outcome.undoubted[name], outcome.clean[name]):
            flagged = 100.0 * (1.0 - left.count / max(tally.count, 1))
            cells.append(f"{flagged:9.1f} {left.count:6d} {left.share_held():7.1f}")
        print(f"{name:22s} " + "   ".join(cells))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--wrong", choices=sorted(WRONGS), default="none")
    parser.add_argument("--lag-u", type=float, default=LAG_U_S, help="believed of a lag beforehand, s")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.rigs)
    outcome = run(seeds, WRONGS[args.wrong], lag_u_s=args.lag_u, verbose=args.verbose)
    print(f"{args.rigs} rigs from {args.first_seed}, model wrong in: {args.wrong}; lag u {args.lag_u:g} s")
    print_notes(outcome, args.rigs)
    print(HEADER)
    for name, tally in outcome.every.items():
        print(tally.line(name))
        if args.verbose:
            print("    far off:", [(seed, round(s, 1)) for seed, s in tally.misses][:12])
    print_unflagged(outcome)
    seconds = outcome.seconds
    print(f"seconds a fit: median {np.median(seconds):.3f}, 95 % below {np.percentile(seconds, 95):.3f}")


if __name__ == "__main__":
    main()
