"""The rate of the temperature, told apart from noise and from the steps that a sensor counts in."""

import math

import numpy as np
import pytest
from scipy.stats import theilslopes

from routines.temperature_rate import resolution_c, seconds_until_slow, temperature_rate


def readings(rate_c_per_h, seconds=900.0, every_s=10.0, noise_c=0.04, step_c=0.0, seed=1):
    rng = np.random.default_rng(seed)
    times = np.arange(0.0, seconds, every_s)
    values = 7.3 + rate_c_per_h * times / 3600.0 + noise_c * rng.standard_normal(len(times))
    if step_c:
        values = np.round(values / step_c) * step_c
    return list(zip(times.tolist(), values.tolist(), strict=True))


def test_the_slope_is_that_of_scipy_for_the_same_means():
    """scipy.stats.theilslopes is an independent implementation of Theil (1950) and Sen (1968)."""
    taken = readings(-1.7)
    times, values = np.array(taken).T
    means = [
        (times[times // 30 == one].mean(), values[times // 30 == one].mean()) for one in set(times // 30)
    ]
    means.sort()
    theirs = theilslopes([one[1] for one in means], [one[0] for one in means])
    assert temperature_rate(taken).c_per_h == pytest.approx(3600.0 * theirs.slope, rel=1e-9)


@pytest.mark.parametrize(("noise_c", "step_c"), [(0.04, 0.0), (0.04, 0.1), (0.02, 0.0625), (0.01, 0.5)])
@pytest.mark.parametrize("rate", [0.0, -0.8, 4.0])
def test_the_uncertainty_covers_noise_and_steps(noise_c, step_c, rate):
    """0.0625 and 0.5 C are the steps of common 1-wire sensors at 12 and 9 bits (common practice)."""
    misses = [
        abs(found.c_per_h - rate) / found.u_c_per_h
        for found in (
            temperature_rate(readings(rate, noise_c=noise_c, step_c=step_c, seed=seed)) for seed in range(60)
        )
        if found.u_c_per_h > 0.0
    ]
    assert sum(miss < 2.0 for miss in misses) >= 0.9 * len(misses)


def test_a_still_tube_read_coarsely_never_looks_fast():
    """Eight hours of a sensor that flips between two steps: no stretch is surely faster than 0.5 C/h."""
    taken = readings(0.0, seconds=8 * 3600.0, noise_c=0.03, step_c=0.1)
    for end in range(90, len(taken), 40):
        found = temperature_rate(taken[end - 90 : end])
        assert abs(found.c_per_h) - 2.0 * found.u_c_per_h < 0.5


def test_a_wild_reading_does_not_count():
    taken = readings(-1.0, noise_c=0.01)
    spoilt = [(at, value + (40.0 if index == 50 else 0.0)) for index, (at, value) in enumerate(taken)]
    assert temperature_rate(spoilt).c_per_h == pytest.approx(temperature_rate(taken).c_per_h, abs=0.1)


def test_too_few_readings_give_no_rate():
    assert temperature_rate([]) is None
    assert temperature_rate(readings(0.0, seconds=80.0)) is None


def test_steps_are_seen_where_there_are_steps():
    assert resolution_c([1.0, 1.1, 1.1, 1.0, 1.2, 1.1, 1.0, 1.2]) == pytest.approx(0.1)
    assert resolution_c([value for _, value in readings(0.0)]) == 0.0
    assert resolution_c([3.0] * 9) == 0.0


def test_how_long_a_cooling_tube_needs_follows_newtons_law():
    """T = T_air + excess * exp(-t / tau): the rate sinks with tau, so rate and level tell the time left."""
    tau_s, excess_c = 1800.0, 8.0
    times = np.arange(0.0, 1200.0, 10.0)
    taken = [(float(at), excess_c * math.exp(-at / tau_s)) for at in times]
    left_s = seconds_until_slow(taken, 1.5, settle_s=0.0)
    rate_now = 3600.0 * excess_c / tau_s * math.exp(-900.0 / tau_s)
    assert left_s == pytest.approx(tau_s * math.log(rate_now / 1.5), rel=0.1)


def test_a_rate_that_does_not_sink_takes_for_ever():
    assert seconds_until_slow(readings(-4.0, noise_c=0.0)[::2], 1.0, 0.0) > 3 * 3600.0
    assert seconds_until_slow(readings(-4.0, seconds=150.0), 1.0, 0.0) is None


def test_noise_leaves_open_that_it_sinks_sooner():
    """At least so long: what the readings leave open is taken at its best."""
    clear = seconds_until_slow(readings(-4.0, noise_c=0.002), 1.0, 0.0)
    assert 0.0 < seconds_until_slow(readings(-4.0, noise_c=0.05), 1.0, 0.0) < clear
