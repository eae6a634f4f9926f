"""The linear core against worked examples with published answers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from routines.estimate.joint import FitSetup, fit_jointly
from routines.estimate.linear import straight_line
from routines.estimate.robust import robust_line
from routines.observations import Observation

# JCGM 100:2008 (GUM), annex H.3, table H.6: thermometer readings t_k (deg C) and corrections b_k (deg C).
# The readings were written down from memory; that the published results come out is what vouches for them.
READING_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_C = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def test_gum_thermometer_calibration() -> None:
    """JCGM 100:2008, H.3.3 and H.3.4: y1, y2, their s, r, s, and the correction predicted at 30 deg C."""
    line = straight_line(READING_C, CORRECTION_C, origin=20.0)
    assert round(line.intercept, 4) == -0.1712
    assert round(line.u_intercept, 4) == 0.0029
    assert round(line.slope, 5) == 0.00218
    assert round(line.u_slope, 5) == 0.00067
    assert round(line.correlation, 3) == -0.930
    assert line.scatter is not None and round(line.scatter, 4) == 0.0035
    predicted = line.predict(30.0)
    assert round(predicted.value, 4) == -0.1494
    assert round(predicted.u, 4) == 0.0041
    assert predicted.degrees_of_freedom == 9


def norris() -> tuple[np.ndarray, np.ndarray]:
    """NIST StRD Norris, from scipy's installed test data (column y, then x, after 60 lines of header)."""
    path = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    y, x = np.loadtxt(path, skiprows=60).T
    return x, y


def test_nist_norris() -> None:
    """NIST StRD, Norris (linear, lower difficulty), certified values."""
    x, y = norris()
    line = straight_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.degrees_of_freedom == 34


@pytest.mark.parametrize("name", ["thermometer", "norris"])
def test_robust_line_stays_by_the_exact_one(name: str) -> None:
    """Robust weights on: within 0.2 u of the exact line, in slope and where it crosses zero."""
    x, y = (READING_C, CORRECTION_C) if name == "thermometer" else norris()
    exact, robust = straight_line(x, y), robust_line(x, y)
    assert abs(robust.slope - exact.slope) < 0.2 * exact.u_slope
    assert abs(robust.crossing().value - exact.crossing().value) < 0.2 * exact.crossing().u


def test_joint_fit_on_a_single_pass_is_that_line() -> None:
    """Norris as one pass of one filter through the joint fit: slope and crossing within 0.2 u."""
    x, y = (column[np.argsort(norris()[0], kind="stable")] for column in norris())
    line = straight_line(x, y)
    looks = [
        Observation(k, "L", float(a), value_px=float(b)) for k, (a, b) in enumerate(zip(x, y, strict=True))
    ]
    fit = fit_jointly(looks, None, FitSetup(filters=("L",), reference_filter="L"))
    assert fit.slope_px_per_step is not None and fit.slope_px_per_step.value is not None
    assert abs(fit.slope_px_per_step.value - line.slope) < 0.2 * line.u_slope
    crossing, exact = fit.crossings_outward_steps["L"], line.crossing()
    assert crossing is not None and crossing.value is not None
    assert abs(crossing.value - exact.value) < 0.2 * exact.u
