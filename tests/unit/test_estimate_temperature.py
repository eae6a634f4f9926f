"""The temperature of each look: what is open of it, and what a lag of tube or thermometer leaves open."""

from __future__ import annotations

import numpy as np
import pytest

from routines.estimate.temperature import smooth_temperature

LAG_S = 300.0
NOISE_C = 0.04


def evening(count: int = 200, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Times (s) over an hour and what a thermometer shows of a cooling that slows down."""
    when = np.linspace(0.0, 3600.0, count)
    cooling = 10.0 - 3.0 * (1.0 - np.exp(-when / 2400.0))
    return when, cooling + np.random.default_rng(seed).normal(0.0, NOISE_C, count)


def test_bends_vary_as_curves_with_errors_behind_a_thermometer_do() -> None:
    """Against 20,000 draws of a curve's errors and of a lag, by Newton's law: tube = reading + lag * rate."""
    when, reading = evening()
    plain = smooth_temperature(when, reading)
    wide = smooth_temperature(when, reading, lag_u=LAG_S)
    assert wide.celsius == pytest.approx(plain.celsius)
    rng = np.random.default_rng(5)
    errors = rng.normal(size=(20_000, plain.bends_c.shape[1])) @ plain.bends_c.T
    curves = plain.celsius + errors
    # Central differences of curves that are polynomials of low degree, on a fine grid.
    rates = np.gradient(curves, when, axis=1, edge_order=2)
    rates -= rates.mean(axis=1, keepdims=True)
    tubes = curves + rng.normal(0.0, LAG_S, (len(curves), 1)) * rates
    drawn = tubes.std(axis=0)
    assert np.sqrt(np.sum(wide.bends_c**2, axis=1)) == pytest.approx(drawn, rel=0.06)
    assert np.sqrt(np.sum(plain.bends_c**2, axis=1)).max() < 0.5 * drawn.max()


def test_a_lag_costs_no_further_shapes() -> None:
    when, reading = evening()
    assert (
        smooth_temperature(when, reading, lag_u=LAG_S).bends_c.shape
        == smooth_temperature(when, reading).bends_c.shape
    )


def test_behind_a_steady_cooling_a_lag_matters_only_by_what_is_open_of_it() -> None:
    when = np.linspace(0.0, 36_000.0, 200)
    reading = 10.0 - 1e-4 * when
    bends = smooth_temperature(when, reading, lag_u=LAG_S).bends_c
    assert np.max(np.abs(bends)) < 0.01 * LAG_S * 1e-4 + 1e-3
