"""The coefficient over nights against scipy's orthogonal distance regression and statsmodels."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from routines.estimate.nights import NightCrossing, fit_nights

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import statsmodels.api as sm
    from scipy import odr


def gathered(seed: int, v: float) -> list[NightCrossing]:
    rng = np.random.default_rng(seed)
    found = []
    for night, level in enumerate((300.0, 340.0, 290.0)):
        true = rng.uniform(2.0, 14.0, 9)
        u = rng.uniform(0.8, 2.5, 9)
        for x, own in zip(true, u, strict=True):
            value = level + 6.2 * (x - 8.0) + own * rng.normal()
            found.append(NightCrossing(str(night), value, float(own), x + v * rng.normal(), v))
    return found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_scipy_odr(seed: int) -> None:
    """Same model, both errors known, a level for each night: within 0.05 u, and u within 15 %."""
    looks = gathered(seed, 0.3)
    x = np.array([item.temperature_c for item in looks])
    y = np.array([item.crossing_steps for item in looks])
    night = np.array([int(item.night) for item in looks])

    def model(beta: np.ndarray, temperature: np.ndarray) -> np.ndarray:
        return beta[1 + night] + beta[0] * (temperature - 8.0)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = odr.RealData(x, y, sx=np.full(len(x), 0.3), sy=np.array([item.u_steps for item in looks]))
        other = odr.ODR(data, odr.Model(model), beta0=[5.0, 300.0, 300.0, 300.0]).run()
    found = fit_nights(looks, reference_c=8.0)
    ours = found.coefficient_steps_per_c
    assert ours is not None and ours.value is not None and ours.u is not None
    if found.scatter_steps == 0.0:
        assert abs(ours.value - other.beta[0]) < 0.05 * ours.u
        assert ours.u == pytest.approx(np.sqrt(other.cov_beta[0, 0]), rel=0.15)
    else:
        # Scatter beyond the stated errors is added here, where odr scales both: still the same line.
        assert abs(ours.value - other.beta[0]) < 0.2 * ours.u


def test_statsmodels_with_a_perfect_thermometer() -> None:
    """Without error in the temperature it is weighted least squares with a level for each night."""
    looks = gathered(7, 0.0)
    x = np.array([item.temperature_c for item in looks]) - 8.0
    night = np.array([int(item.night) for item in looks])
    design = np.column_stack([x, *(night == k for k in range(3))]).astype(float)
    weights = np.array([item.u_steps for item in looks]) ** -2
    other = sm.WLS(np.array([item.crossing_steps for item in looks]), design, weights=weights)
    other = other.fit(cov_type="fixed scale")
    ours = fit_nights(looks, reference_c=8.0).coefficient_steps_per_c
    assert ours is not None and ours.value is not None
    assert abs(ours.value - other.params[0]) < 0.2 * float(other.bse[0])
