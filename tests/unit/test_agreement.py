import numpy as np
import pytest
from scipy import stats

from daemon.agreement import Comparison, judge_agreement
from routines.quantity import Quantity


def comparison(name, value, u, truth):
    return Comparison(name, "steps", Quantity.gaussian(value, u), truth)


def test_independent_numbers_add_their_squares():
    found = [comparison("a", 3.0, 1.0, 1.0), comparison("b", 0.0, 2.0, 2.0)]
    verdict = judge_agreement(found, required=("a", "b"))
    assert verdict.chi_square == pytest.approx(4.0 + 1.0)
    assert verdict.count == 2
    # 9.210 is the 99 % point for 2 degrees of freedom (any printed table of chi-square).
    assert verdict.limit == pytest.approx(9.210, abs=1e-3)
    assert verdict.holds


def test_a_shared_error_is_not_counted_twice():
    found = [comparison("a", 2.5, 1.0, 0.0), comparison("b", 2.5, 1.0, 0.0)]
    alone = judge_agreement(found, required=()).chi_square
    shared = judge_agreement(found, required=(), covariances={("b", "a"): 0.9}).chi_square
    matrix = np.array([[1.0, 0.9], [0.9, 1.0]])
    assert alone == pytest.approx(12.5)
    assert shared == pytest.approx(
        stats.chi2.isf(stats.chi2.sf(np.array([2.5, 2.5]) @ np.linalg.inv(matrix) @ [2.5, 2.5], 2), 2)
    )


def test_a_wrong_number_fails_and_a_missing_one_too():
    assert not judge_agreement([comparison("a", 9.0, 1.0, 0.0)], required=("a",)).holds
    missing = judge_agreement(
        [comparison("a", 0.0, 1.0, 0.0), Comparison("b", "steps", None, 1.0)], required=("a", "b")
    )
    assert missing.missing == ("b",)
    assert not missing.holds


def test_a_limit_is_no_missing_number_and_does_not_count():
    limit = Comparison("w", "steps", Quantity.upper_limit(20.0), 12.0)
    verdict = judge_agreement([comparison("a", 0.0, 1.0, 0.0), limit], required=("a", "w"))
    assert (verdict.holds, verdict.count) == (True, 1)


def test_nothing_found_is_no_agreement():
    assert not judge_agreement([], required=()).holds
