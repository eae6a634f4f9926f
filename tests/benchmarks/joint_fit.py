"""How long the joint fit takes with all its intervals, beside one plain least_squares of the same model.

The yardstick is scipy's least_squares (soft_l1, numerical Jacobian) on the same rows, parameters and start:
it gives one point and no interval. The ratio is to stay under 40, and growth with the rows near linear.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "campaigns"))

from random_rigs import Night, random_night

from routines.estimate.joint import FitSetup, fit_jointly
from routines.estimate.model import BACKLASH, TRANSITION, arguments
from routines.estimate.prepare import prepare, usable
from routines.estimate.settle import fit_all
from tests.benchmarks.timing import record

ROWS = (100, 300, 1000, 3000)
NIGHTS = 5


def setup_for(night: Night) -> FitSetup:
    return FitSetup(night.filters, night.filters[0], alpha_prior_steps_per_c=night.alpha_prior)


def plain_seconds(night: Night) -> float:
    """Seconds of one least_squares from the start that the joint fit would settle from."""
    setup = setup_for(night)
    ready = prepare(usable(night.observations, setup), None, setup)
    found = fit_all(ready.problem, ready.layout, ready.runs)
    problem, layout, state = found.problem, found.layout, found.solution.state
    size, loose = problem.size, np.isfinite(state.slack)
    scale = np.sqrt(state.variance)

    def residual(p: np.ndarray) -> np.ndarray:
        theta = p[:size].copy()
        theta[BACKLASH] = max(theta[BACKLASH], 0.0)
        theta[TRANSITION] = max(theta[TRANSITION], 1e-6)
        slack = state.slack.copy()
        slack[loose] = p[size:]
        model = problem.slope_of(theta) * arguments(problem, layout, theta, slack)
        return (problem.value - model) / scale

    start = np.concatenate([state.theta, state.slack[loose]])
    start[BACKLASH] += 5.0
    start[TRANSITION] += 5.0
    begun = time.process_time()
    least_squares(residual, start, loss="soft_l1", x_scale=np.maximum(np.abs(start), 1e-3))
    return time.process_time() - begun


def fit_seconds(night: Night) -> float:
    """Seconds of the joint fit with every interval."""
    begun = time.process_time()
    fit_jointly(night.observations, None, setup_for(night))
    return time.process_time() - begun


def run() -> None:
    """Print rows, seconds, the yardstick and the ratio."""
    print(f"{'rows':>6s} {'joint fit s':>12s} {'least_squares s':>16s} {'ratio':>7s}   (medians of {NIGHTS})")
    for rows in ROWS:
        nights = [random_night(seed, rows_wanted=rows) for seed in range(NIGHTS)]
        nights = [replace(night, moves=None) for night in nights]
        counts = [len(night.observations) for night in nights]
        ours = np.median([fit_seconds(night) for night in nights])
        plain = np.median([plain_seconds(night) for night in nights])
        print(f"{int(np.median(counts)):6d} {ours:12.3f} {plain:16.3f} {ours / plain:7.1f}")
        what = f"joint fit with every interval, {int(np.median(counts))} looks"
        record(what, float(ours), "s")
        record(f"{what}, beside one least_squares", float(ours / plain), "")


if __name__ == "__main__":
    run()
