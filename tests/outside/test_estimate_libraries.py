"""The estimation against independent libraries on the same data: statsmodels, lmfit, scipy."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.optimize import least_squares

from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.estimate.linear import straight_line
from routines.observations import Observation

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import lmfit
    import statsmodels.api as sm

SLOPE, BACKLASH, NOISE_PX = 0.11, 75.0, 0.12
CROSSING = {"L": 400.0, "R": 431.0, "G": 372.0}


def engaged_sweeps(seed: int, outliers: int = 0) -> list[Observation]:
    """An inward and an outward pass with the play taken up before each: two straight lines a filter."""
    rng = np.random.default_rng(seed)
    looks: list[Observation] = []
    for side in (-1, 1):
        for position in np.arange(250.0, 601.0, 14.0)[::side]:
            for name, crossing in CROSSING.items():
                place = position - (BACKLASH if side > 0 else 0.0)
                value = SLOPE * (place - crossing) + NOISE_PX * rng.normal()
                looks.append(Observation(len(looks), name, float(position), value_px=value, u_px=NOISE_PX))
    spoilt = rng.choice(len(looks), outliers, replace=False)
    return [
        Observation(o.number, o.filter, o.position_steps, value_px=(o.value_px or 0.0) + 4.0, u_px=o.u_px)
        if o.number in spoilt
        else o
        for o in looks
    ]


def linear_design(looks: list[Observation]) -> tuple[np.ndarray, np.ndarray]:
    """Columns position, outward, and one for each filter: the linear model of engaged passes."""
    half = len(looks) // 2
    rows = [
        [o.position_steps, float(o.number >= half), *(float(o.filter == name) for name in CROSSING)]
        for o in looks
    ]
    return np.array(rows), np.array([o.value_px for o in looks], dtype=float)


def fitted(looks: list[Observation]) -> JointFit:
    return fit_jointly(looks, None, FitSetup(filters=tuple(CROSSING), reference_filter="L"))


def test_statsmodels_wls_line() -> None:
    rng = np.random.default_rng(4)
    x = np.linspace(0.0, 90.0, 15)
    u = rng.uniform(0.1, 0.5, 15)
    y = 0.3 * x - 12.0 + u * rng.normal(size=15)
    line = straight_line(x, y, u)
    other = sm.WLS(y, sm.add_constant(x), weights=u**-2).fit(cov_type="fixed scale")
    assert [line.intercept, line.slope] == pytest.approx(other.params, rel=1e-9)
    assert line.covariance == pytest.approx(other.cov_params(), rel=1e-9)


def test_statsmodels_wls_joint_model() -> None:
    """Engaged passes are a linear model: the joint fit must agree within 0.2 u, and its u within 10 %.

    Backlash is that of one slope for all filters, crossings those of a slope for each.
    """
    looks = engaged_sweeps(11)
    design, value = linear_design(looks)
    other = sm.WLS(value, design, weights=np.full(len(value), NOISE_PX**-2)).fit(cov_type="fixed scale")
    slope, outward = other.params[:2]
    fit = fitted(looks)
    gradient = np.array([outward / slope**2, -1.0 / slope, 0.0, 0.0, 0.0])
    u = float(np.sqrt(gradient @ other.cov_params() @ gradient))
    assert fit.backlash_steps is not None and fit.backlash_steps.value is not None
    assert abs(fit.backlash_steps.value + outward / slope) < 0.2 * u
    assert fit.backlash_steps.u == pytest.approx(u, rel=0.1)
    by_filter = other.params[0] * np.ones(3)
    for _ in range(4):
        # One play for slopes that differ: linear once the slopes before it are known.
        lost = design[:, 1] * (design[:, 2:] @ by_filter)
        own = np.column_stack([design[:, :1] * design[:, 2:], lost, design[:, 2:]])
        freer = sm.WLS(value, own, weights=np.full(len(value), NOISE_PX**-2)).fit(cov_type="fixed scale")
        by_filter = freer.params[:3]
    for k, name in enumerate(CROSSING):
        level = freer.params[4 + k]
        crossing = fit.crossings_inward_steps[name]
        assert crossing is not None and crossing.value is not None and crossing.u is not None
        assert abs(crossing.value + level / by_filter[k]) < 0.2 * crossing.u


def test_statsmodels_rlm_with_outliers() -> None:
    """Tukey's biweight (RLM) on the linear part, with 5 % outliers: within 0.5 u of the joint fit."""
    looks = engaged_sweeps(12, outliers=8)
    design, value = linear_design(looks)
    centred = design - np.array([400.0, 0.0, 0.0, 0.0, 0.0])
    other = sm.RLM(value, centred, M=sm.robust.norms.TukeyBiweight()).fit()
    slope, outward, *levels = other.params
    fit = fitted(looks)
    assert fit.backlash_steps is not None and fit.backlash_steps.value is not None
    assert abs(fit.backlash_steps.value + outward / slope) < 0.5 * (fit.backlash_steps.u or 0.0)
    crossing = fit.crossings_inward_steps["L"]
    assert crossing is not None and crossing.value is not None and crossing.u is not None
    assert abs(crossing.value - (400.0 - levels[0] / slope)) < 0.5 * crossing.u
    assert len(fit.outliers) >= 8


def dead_zone_sweeps(seed: int) -> tuple[list[Observation], np.ndarray, np.ndarray]:
    """Inward engaged, then straight back outward through the dead zone, one filter, known turn."""
    rng = np.random.default_rng(seed)
    inward, outward = np.arange(600.0, 249.0, -10.0), np.arange(260.0, 601.0, 10.0)
    place = np.concatenate([inward, np.maximum(250.0, outward - BACKLASH)])
    position = np.concatenate([inward, outward])
    value = SLOPE * (place - 400.0) + NOISE_PX * rng.normal(size=len(place))
    looks = [
        Observation(k, "L", float(p), value_px=float(v), u_px=NOISE_PX)
        for k, (p, v) in enumerate(zip(position, value, strict=True))
    ]
    return looks, position, value


def test_lmfit_with_a_dead_zone() -> None:
    """lmfit's profile-likelihood interval of the backlash in the rigid model, turn known."""
    looks, position, value = dead_zone_sweeps(3)
    first_outward = 36

    def residual(parameters: lmfit.Parameters) -> np.ndarray:
        place = position.copy()
        place[first_outward:] = np.maximum(250.0, position[first_outward:] - parameters["backlash"].value)
        return (value - parameters["slope"].value * (place - parameters["crossing"].value)) / NOISE_PX

    parameters = lmfit.Parameters()
    parameters.add("backlash", value=70.0, min=0.0)
    parameters.add("slope", value=0.1)
    parameters.add("crossing", value=390.0)
    minimizer = lmfit.Minimizer(residual, parameters, scale_covar=False)
    found = minimizer.minimize(method="least_squares")
    interval = dict(lmfit.conf_interval(minimizer, found, p_names=["backlash"], sigmas=[0.95])["backlash"])
    fit = fit_jointly(looks, None, FitSetup(filters=("L",), reference_filter="L"))
    ours = fit.backlash_steps
    assert ours is not None and ours.value is not None and ours.u is not None
    best = found.params["backlash"]
    # lmfit knows that the play is rigid; ours allows a transition, which widens the interval a little.
    assert abs(ours.value - best.value) < 0.4 * ours.u
    assert best.stderr is not None and 0.9 < ours.u / best.stderr < 1.6
    assert interval


def test_scipy_soft_l1_joint_model() -> None:
    """scipy's least_squares (soft_l1, numerical Jacobian) on the same dead-zone data, same model."""
    looks, position, value = dead_zone_sweeps(9)

    def residual(p: np.ndarray) -> np.ndarray:
        place = position.copy()
        place[36:] = np.maximum(p[3], position[36:] - p[0])
        return (value - p[1] * (place - p[2])) / NOISE_PX

    other = least_squares(
        residual, [70.0, 0.1, 390.0, 255.0], loss="soft_l1", x_scale=[10.0, 0.01, 10.0, 10.0]
    )
    fit = fit_jointly(looks, None, FitSetup(filters=("L",), reference_filter="L"))
    assert fit.backlash_steps is not None and fit.backlash_steps.value is not None
    # soft_l1 is about 90 % efficient on normal noise, so the two scatter by a third of u; three times that.
    assert abs(fit.backlash_steps.value - other.x[0]) < 1.0 * (fit.backlash_steps.u or 0.0)
    crossing = fit.crossings_inward_steps["L"]
    assert crossing is not None and crossing.value is not None and crossing.u is not None
    assert abs(crossing.value - other.x[2]) < 1.0 * crossing.u


class TestCommonPractice:
    """A case of common practice (no source): a geared focuser of about 90 steps of play, 20-step sweeps.

    On that one refractor reddish filters lie near +30 steps, bluish near -30 and green about -13 from
    luminance. The sweep begins with a flat dead zone. Nothing in the estimation knows such a grouping.
    """

    OFFSETS = {"L": 0.0, "R": 30.0, "G": -13.0, "B": -30.0, "H": 31.0, "S": 29.0, "O": -28.0}  # noqa: RUF012  # read only

    def table(self, seed: int, *, with_u: bool) -> list[Observation]:
        """20-step moves outward through focus with every filter, then luminance back, out and back."""
        rng = np.random.default_rng(seed)
        slope, noise = 0.16, 0.16 * 1.5
        tube, looks = 5000.0, []
        outward = np.arange(4820.0, 5241.0, 20.0)
        for positions, filters in (
            (outward, "LRGBHSO"),
            (outward[::-1], "L"),
            (outward, "L"),
            (outward[::-1], "L"),
        ):
            for position in positions:
                tube = min(position, max(tube, position - 90.0))
                for name in filters:
                    value = slope * (tube - 5000.0 - self.OFFSETS[name]) + noise * rng.normal()
                    looks.append(
                        Observation(
                            len(looks), name, float(position), value_px=value, u_px=noise if with_u else None
                        )
                    )
        return looks

    @pytest.mark.parametrize("seed", range(4))
    @pytest.mark.parametrize("with_u", [True, False])
    def test_found_within_two_steps(self, seed: int, with_u: bool) -> None:
        setup = FitSetup(filters=tuple(self.OFFSETS), reference_filter="L")
        fit = fit_jointly(self.table(seed, with_u=with_u), None, setup)
        assert fit.backlash_steps is not None and fit.backlash_steps.value is not None
        assert abs(fit.backlash_steps.value - 90.0) < 2.0
        for name, offset in self.OFFSETS.items():
            found = fit.offsets_steps[name]
            assert found is not None and found.value is not None
            assert abs(found.value - offset) < 2.0
