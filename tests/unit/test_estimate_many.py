"""Many settings evaluated at once are what each of them is alone."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "campaigns"))

from random_rigs import random_night

from routines.estimate import solve
from routines.estimate.choose import choose_slacks
from routines.estimate.linear import Underdetermined, solve_many_weighted, solve_weighted
from routines.estimate.model import TRANSITION, State, chosen, cost_of, look, together
from routines.estimate.passes import Layout
from routines.estimate.prepare import Prepared, prepare, usable
from routines.estimate.result import FitSetup
from routines.estimate.settle import free_globals
from routines.estimate.solve import normal_equations, optimise, optimise_all
from routines.estimate.start import candidate_plays, starts_from

SEEDS = (3, 8)


def prepared(seed: int, *, history: bool) -> Prepared:
    night = random_night(seed)
    setup = FitSetup(night.filters, night.filters[0], alpha_prior_steps_per_c=night.alpha_prior)
    return prepare(usable(night.observations, setup), night.moves if history else None, setup)


def states_of(ready: Prepared) -> list[State]:
    states = starts_from(ready.problem, ready.layout, candidate_plays(ready.problem), 0.0)
    assert len(states) > 5
    return states


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("history", [False, True])
def test_model_and_normal_equations(seed: int, history: bool) -> None:
    ready = prepared(seed, history=history)
    problem, layout, states = ready.problem, ready.layout, states_of(ready)
    many = together(states)
    at = look(problem, layout, many)
    arrow = normal_equations(problem, layout, many, at)
    assert cost_of(problem, layout, many) == pytest.approx(at.cost)
    for k, state in enumerate(states):
        alone = look(problem, layout, state)
        pull = normal_equations(problem, layout, state, alone)
        for both, one in ((chosen(at, k), alone), (chosen(arrow, k), pull)):
            for name in one.__dataclass_fields__:
                expected = getattr(one, name)
                size = float(np.max(np.abs(expected), initial=0.0))
                assert getattr(both, name) == pytest.approx(expected, rel=1e-9, abs=1e-9 * size)


@pytest.mark.parametrize("rows_at_once", [20_000, 1])
def test_minima(monkeypatch: pytest.MonkeyPatch, rows_at_once: int) -> None:
    monkeypatch.setattr(solve, "ROWS_AT_ONCE", rows_at_once)
    ready = prepared(8, history=False)
    problem, layout, states = ready.problem, ready.layout, states_of(ready)
    free = free_globals(problem, play=True)
    free[TRANSITION] = False
    together_found = optimise_all(problem, layout, states, free)
    assert len(together_found) == len(states)
    for state, found in zip(states, together_found, strict=True):
        alone = optimise(problem, layout, state, free)
        assert found.cost == pytest.approx(alone.cost, abs=1e-3)
        assert found.cost == pytest.approx(float(cost_of(problem, layout, found.state)))
        assert found.cost <= float(cost_of(problem, layout, state))


def test_what_is_held_stays() -> None:
    ready = prepared(3, history=False)
    free = free_globals(ready.problem, play=False)
    for state, found in _pairs(ready, free):
        assert found.theta[0] == state.theta[0]


def _pairs(ready: Prepared, free: np.ndarray) -> list[tuple[State, State]]:
    states = states_of(ready)
    found = optimise_all(ready.problem, ready.layout, states, free, iterations=4)
    return [(state, item.state) for state, item in zip(states, found, strict=True)]


@pytest.mark.parametrize("seed", SEEDS)
def test_stories_of_the_slacks(seed: int) -> None:
    ready = prepared(seed, history=False)
    layout: Layout = ready.layout
    states = states_of(ready)
    many = choose_slacks(ready.problem, layout, together(states), redescend=True)
    for k, state in enumerate(states):
        alone = choose_slacks(ready.problem, layout, state, redescend=True)
        assert many.slack[k] == pytest.approx(alone.slack)
        assert (many.free_slack[k] == alone.free_slack).all()


def test_straight_lines_and_which_of_them_are_determined() -> None:
    rng = np.random.default_rng(1)
    design = rng.normal(size=(3, 9, 2))
    design[1, :, 1] = 2.0 * design[1, :, 0]
    values, weights = rng.normal(size=9), rng.uniform(0.5, 2.0, (3, 9))
    coefficients, residuals, told = solve_many_weighted(design, values, weights)
    assert told.tolist() == [True, False, True]
    with pytest.raises(Underdetermined):
        solve_weighted(design[1], values, weights[1])
    for k in (0, 2):
        alone = solve_weighted(design[k], values, weights[k])
        assert coefficients[k] == pytest.approx(alone.coefficients)
        assert residuals[k] == pytest.approx(alone.residuals)


def test_fewer_rows_than_coefficients_determine_nothing() -> None:
    *_, told = solve_many_weighted(np.ones((2, 1, 3)), np.ones(1), np.ones((2, 1)))
    assert not told.any()
