"""Do 95 % intervals hold 95 %? Random rigs, the joint fit, and a table: run as a script.

    python tests/campaigns/coverage_of_intervals.py [--rigs 1000] [--first-seed 0] [--wrong asymmetry]

For every kind of number: how often the interval holds the truth, mean and spread of (found - truth) / u, how
often it was null where the truth is identifiable, and the mean interval width over the noise.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from random_rigs import Night, Wrongs, random_night

from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.quantity import Quantity

WRONGS = {
    "none": Wrongs(),
    "asymmetry": Wrongs(asymmetry=8.0),
    "slope": Wrongs(slope_spread=0.02),
    "tails": Wrongs(heavy_tails=True),
    "lag": Wrongs(lag_s=240.0),
    "slip": Wrongs(slip_steps_per_pass=4.0),
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

    def add(self, seed: int, found: Quantity | None, truth: float, noise: float, *, wanted: bool) -> None:
        """Score one number; ``wanted`` tells that the truth is identifiable."""
        self.asked += wanted
        if found is None:
            self.nulls += wanted
            return
        if found.value is None or found.u is None:
            self.limits_held.append(truth <= found.high95)
            return
        score = (found.value - truth) / found.u
        self.scores.append(score)
        self.held.append(found.low95 <= truth <= found.high95)
        self.widths.append((found.high95 - found.low95) / noise)
        if abs(score) > 4.0:
            self.misses.append((seed, score))

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


# Notes that say that the model is wrong, and notes that these looks could not tell: many sound nights bear
# one of the latter, so only the former make a wrong model "doubted".
DOUBTS = ("slip", "sides_disagree", "slope_differs", "periodic_error", "extra_scatter", "thermometer_lag")
CAUTIONS = ("not_repeated", "drift_confounded", "lag_unknown")

HEADER = (
    f"{'number':22s} {'count':>6s} {'held %':>7s} {'bias/u':>7s} {'sd/u':>6s} {'null %':>6s} "
    f"{'width':>8s} {'limits':>6s} {'held %':>7s}"
)


def setup_for(night: Night) -> FitSetup:
    """Return what a config would tell: filters, the reference, and how much a tube may shrink."""
    return FitSetup(
        filters=night.filters,
        reference_filter=night.filters[0],
        alpha_prior_steps_per_c=night.alpha_prior,
        reference_temperature_c=10.0,
    )


def score(tallies: dict[str, Tally], seed: int, night: Night, fit: JointFit) -> None:
    """Add one fit to the tallies."""
    truth, noise, wanted = night.truth, night.truth.noise_steps, night.truth.identifiable

    def add(
        name: str, found: Quantity | None, true: float, unit: float = noise, *, asked: bool = True
    ) -> None:
        tallies[name].add(seed, found, true, unit, wanted=wanted and asked)

    add("backlash", fit.backlash_steps, truth.backlash)
    add("transition", fit.transition_steps, truth.transition)
    add("slope", fit.slope_px_per_step, truth.slope, abs(truth.slope))
    add("lost motion outward", fit.lost_motion_to_outward_steps, truth.backlash, asked=False)
    add("lost motion inward", fit.lost_motion_to_inward_steps, truth.backlash, asked=False)
    if truth.alpha_matters or fit.temperature_coefficient_steps_per_c is not None:
        add("temperature coeff.", fit.temperature_coefficient_steps_per_c, truth.alpha)
    first = night.filters[0]
    for name in night.filters:
        add("crossing inward", fit.crossings_inward_steps[name], truth.crossing[name])
        add("crossing outward", fit.crossings_outward_steps[name], truth.crossing[name] + truth.backlash)
        if name != first:
            add("offset", fit.offsets_steps[name], truth.crossing[name] - truth.crossing[first])


def run(
    seeds: range, wrongs: Wrongs, *, verbose: bool = False
) -> tuple[dict[str, Tally], dict[str, Tally], list[float], dict[str, int]]:
    """Fit every night; return tallies of all and of the undoubted, seconds a fit, how many were flagged."""
    tallies: dict[str, Tally] = defaultdict(Tally)
    seconds = []
    flagged = {"doubted": 0, "cautioned": 0}
    unflagged: dict[str, Tally] = defaultdict(Tally)
    for seed in seeds:
        night = random_night(seed, wrongs)
        begun = time.perf_counter()
        fit = fit_jointly(night.observations, night.moves, setup_for(night))
        seconds.append(time.perf_counter() - begun)
        doubted = any(fit.flagged(code) for code in DOUBTS)
        flagged["doubted"] += doubted
        flagged["cautioned"] += any(fit.flagged(code) for code in CAUTIONS)
        score(tallies, seed, night, fit)
        if not doubted:
            score(unflagged, seed, night, fit)
        if verbose and fit.backlash_steps is None and night.truth.identifiable:
            print(seed, "null:", [f"{f.code}: {f.message}" for f in fit.flags if f.is_refusal][:3])
    return tallies, unflagged, seconds, flagged


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--wrong", choices=sorted(WRONGS), default="none")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.rigs)
    tallies, unflagged, seconds, flagged = run(seeds, WRONGS[args.wrong], verbose=args.verbose)
    print(f"{args.rigs} rigs from seed {args.first_seed}, model wrong in: {args.wrong}")
    print(", ".join(f"{count} {name}" for name, count in flagged.items()))
    print(HEADER)
    for name, tally in tallies.items():
        print(tally.line(name))
        if args.verbose:
            print("    far off:", [(seed, round(s, 1)) for seed, s in tally.misses][:12])
    if args.wrong != "none":
        print("of the fits without any doubt flagged:")
        for name, tally in unflagged.items():
            print(tally.line(name))
    print(f"seconds a fit: median {np.median(seconds):.3f}, 95 % below {np.percentile(seconds, 95):.3f}")


if __name__ == "__main__":
    main()
