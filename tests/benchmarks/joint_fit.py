"""How long the joint fit takes with all its intervals, beside one plain least_squares of the same model.

The yardstick is scipy's least_squares (soft_l1, numerical Jacobian) on the same rows, parameters and start:
it gives one point and no interval. The ratio is to stay under 40, and growth with the rows near linear.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "campaigns"))

from random_rigs import Night, random_night

from daemon.assembly import LAG_U_S
from routines.estimate.joint import FitSetup, fit_jointly
from routines.estimate.model import BACKLASH, TRANSITION, arguments
from routines.estimate.prepare import prepare, usable
from routines.estimate.settle import fit_all
from tests.benchmarks.timing import record, show

ROWS = (10, 100, 300, 1000, 3000, 10_000)
FILTERS = (1, 3, 7)
NIGHTS = 5


def setup_for(night: Night) -> FitSetup:
    return FitSetup(
        night.filters, night.filters[0], alpha_prior_steps_per_c=night.alpha_prior, lag_u_s=LAG_U_S
    )


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
    """Print rows, seconds, the yardstick and the ratio; then how it grows with rows and with filters."""
    print(f"{'rows':>6s} {'joint fit s':>12s} {'least_squares s':>16s} {'ratio':>7s}   (medians)")
    took = {rows: by_rows(rows) for rows in ROWS}
    power = math.log(took[ROWS[-1]] / took[300]) / math.log(ROWS[-1] / 300.0)
    show(f"growth from 300 to {ROWS[-1]} looks: power of their number", power, "", "aim: about 1")
    for count in FILTERS:
        nights = drawn(300, NIGHTS, filters_wanted=count)
        ours = float(np.median([fit_seconds(night) for night in nights]))
        show(f"joint fit, 300 looks, {count} filter{'s' if count > 1 else ''}", ours, "s")


def drawn(rows: int, count: int, **wanted: int) -> list[Night]:
    """Return nights of about so many looks."""
    nights = [random_night(seed, rows_wanted=rows, **wanted) for seed in range(count)]
    return [replace(night, moves=None) for night in nights]


def by_rows(rows: int) -> float:
    """Print one line of the table; return the fit's seconds."""
    nights = drawn(rows, NIGHTS if rows < 3000 else 2)
    count = int(np.median([len(night.observations) for night in nights]))
    ours = float(np.median([fit_seconds(night) for night in nights]))
    what = f"joint fit with every interval, {count} looks"
    record(what, ours, "s", "aim: under 0.5" if rows == 300 else "")
    if not 100 <= rows <= 1000:  # too few for it to be fair, or too many to wait for it
        print(f"{count:6d} {ours:12.3f}", flush=True)
        return ours
    plain = float(np.median([plain_seconds(night) for night in nights]))
    print(f"{count:6d} {ours:12.3f} {plain:16.3f} {ours / plain:7.1f}", flush=True)
    record(f"{what}, beside one least_squares", ours / plain, "", "aim: under 40" if rows == 300 else "")
    return ours


if __name__ == "__main__":
    run()
