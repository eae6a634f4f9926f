"""The temperature coefficient over nights: what is found, and what is refused or told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from routines.estimate.nights import NightCrossing, NightsFit, fit_nights

ALPHA = -7.5


def nights(
    count: int = 4,
    each: int = 8,
    *,
    seed: int = 0,
    u: float = 1.0,
    v: float = 0.05,
    alphas: list[float] | None = None,
    lag_s: float = 0.0,
) -> list[NightCrossing]:
    """Nights that cool by a few degrees, each with a level of its own."""
    rng = np.random.default_rng(seed)
    found = []
    for night in range(count):
        level, start = 4000.0 + 60.0 * rng.normal(), 12.0 + 4.0 * rng.normal()
        alpha = ALPHA if alphas is None else alphas[night]
        when = np.sort(rng.uniform(0.0, 6.0 * 3600.0, each))

        def air(time: np.ndarray, start: float = start) -> np.ndarray:
            return start - 2.5 * (1.0 - np.cos(time / 6000.0)) - time / 9000.0

        tube = air(when - lag_s)
        read = air(when) + v * rng.normal(size=each)
        value = level + alpha * (tube - 10.0) + u * rng.normal(size=each)
        found += [
            NightCrossing(f"night {night}", float(y), u, float(x), v, float(t))
            for y, x, t in zip(value, read, when, strict=True)
        ]
    return found


def codes(fit: NightsFit) -> set[str]:
    return {item.code for item in fit.flags}


def test_coefficient_and_levels() -> None:
    fit = fit_nights(nights(), reference_c=10.0)
    found = fit.coefficient_steps_per_c
    assert found is not None and found.value is not None and found.u is not None
    assert abs(found.value - ALPHA) < 3.0 * found.u
    assert found.low95 < ALPHA < found.high95
    assert fit.levels_steps is not None and len(fit.levels_steps) == 4
    assert fit.valid_from_c is not None and fit.valid_to_c is not None and fit.valid_from_c < fit.valid_to_c
    assert fit.flags == ()


@pytest.mark.parametrize("v", [0.02, 0.6])
def test_coverage_and_no_attenuation(v: float) -> None:
    """Also with a poor thermometer the coefficient is not drawn towards zero."""
    fits = [fit_nights(nights(seed=seed, v=v, u=2.0)).coefficient_steps_per_c for seed in range(120)]
    given = [q for q in fits if q is not None and q.value is not None]
    assert len(given) >= 117
    held = np.mean([q.low95 <= ALPHA <= q.high95 for q in given])
    assert 0.90 <= held <= 0.99
    found = np.array([[q.value, q.u] for q in given], dtype=float)
    assert abs(np.mean(found[:, 0]) - ALPHA) < 0.3 * np.mean(found[:, 1])


def test_outlier_is_named_and_harmless() -> None:
    good = nights()
    spoilt = [replace(item, crossing_steps=item.crossing_steps + 150.0) if k == 5 else item
              for k, item in enumerate(good)]  # fmt: skip
    plain, fit = fit_nights(good), fit_nights(spoilt)
    assert fit.outliers == (5,)
    one, other = plain.coefficient_steps_per_c, fit.coefficient_steps_per_c
    assert one is not None and other is not None
    assert other.value == pytest.approx(one.value, abs=0.6 * (one.u or 0.0))


def test_nights_that_disagree_are_not_merged_blindly() -> None:
    fit = fit_nights(nights(each=12, alphas=[-4.0, -7.0, -10.0, -7.5]))
    assert "nights_disagree" in codes(fit)
    found = fit.coefficient_steps_per_c
    assert found is not None and found.u is not None
    assert found.u > 0.7
    assert "nights_disagree" not in codes(fit_nights(nights(each=12)))


def test_lag_is_found_where_there_is_one() -> None:
    fit = fit_nights(nights(each=14, u=0.5, v=0.01, lag_s=1200.0))
    assert "thermometer_lag" in codes(fit)
    assert fit.lag_s is not None and fit.lag_s.value is not None
    assert fit.lag_s.value == pytest.approx(1200.0, rel=0.35)
    assert fit_nights(nights(each=14, u=0.5, v=0.01)).lag_s is None


def test_constant_temperature_and_too_few() -> None:
    still = [replace(item, temperature_c=10.0) for item in nights()]
    assert "temperature_constant" in codes(fit_nights(still))
    assert fit_nights(still).coefficient_steps_per_c is None
    assert fit_nights(nights()[:2]).coefficient_steps_per_c is None
    assert fit_nights([]).flags[0].code == "not_identifiable"


def test_one_crossing_each_night_tells_nothing() -> None:
    """Different nights have different levels, so a slope across them is no temperature effect."""
    alone = [replace(nights()[8 * k], night=str(k)) for k in range(4)]
    assert fit_nights(alone).coefficient_steps_per_c is None


def test_a_believed_lag_keeps_the_coefficient_honest_where_none_can_be_shown() -> None:
    """A few crossings a night, cooling unevenly: too few to show a lag of eight minutes every time."""
    held: dict[float, list[bool]] = {0.0: [], 350.0: []}
    for seed in range(60):
        looks = nights(seed=seed, count=1, each=7, u=0.4, v=0.01, lag_s=600.0)
        for lag_u_s, hits in held.items():
            found = fit_nights(looks, lag_u_s=lag_u_s).coefficient_steps_per_c
            if found is not None:
                hits.append(found.low95 <= ALPHA <= found.high95)
    assert np.mean(held[0.0]) < 0.93 <= np.mean(held[350.0])


def test_as_many_crossings_as_unknowns_show_no_lag() -> None:
    exact = [
        NightCrossing("one", 5000.0 - 6.0 * c, 0.0, 10.0 - c, 0.0, time_s)
        for c, time_s in ((0.0, 0.0), (0.5, 600.0), (1.2, 1200.0), (1.5, 1800.0), (2.5, 2400.0))
    ]
    for u in (0.01, 0.5):
        fit = fit_nights([replace(item, u_steps=u) for item in exact], lag_u_s=350.0)
        assert fit.lag_s is None
