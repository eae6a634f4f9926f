"""Many settings evaluated at once are what each of them is alone."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "campaigns"))

from random_rigs import random_night

from routines.estimate import settle, solve
from routines.estimate.choose import choose_slacks
from routines.estimate.joint import fit_jointly
from routines.estimate.linear import Underdetermined, solve_many_weighted, solve_weighted
from routines.estimate.model import TRANSITION, State, arguments, chosen, cost_of, look, places_of, together
from routines.estimate.passes import Layout
from routines.estimate.prepare import Prepared, prepare, usable
from routines.estimate.result import FitSetup
from routines.estimate.robust import settled_scatter
from routines.estimate.settle import free_globals
from routines.estimate.solve import (
    covariance_of,
    covariances_of,
    normal_equations,
    optimise,
    optimise_all,
)
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


@pytest.mark.parametrize("history", [False, True])
def test_covariances(history: bool) -> None:
    ready = prepared(8, history=history)
    free = free_globals(ready.problem, play=True)
    solutions = optimise_all(ready.problem, ready.layout, states_of(ready)[:5], free)
    many, logs = covariances_of(solutions, free)
    for k, solution in enumerate(solutions):
        alone, log = covariance_of(solution, free)
        assert many[k] == pytest.approx(alone, rel=1e-6, abs=1e-9 * float(np.max(np.abs(alone))))
        assert logs[k] == pytest.approx(log)


@pytest.mark.parametrize("seed", range(2000, 2006))
def test_places_without_derivatives_are_those_with_them(seed: int) -> None:
    ready = prepared(seed, history=True)
    many = together(states_of(ready))
    distance = arguments(ready.problem, ready.layout, many.theta, many.slack)
    place = places_of(ready.layout, many).place
    assert distance == pytest.approx(place - ready.problem.focus_of(many.theta))


def test_places_that_are_known_change_nothing() -> None:
    ready = prepared(2002, history=True)
    many = together(states_of(ready))
    fresh = look(ready.problem, ready.layout, many)
    known = look(ready.problem, ready.layout, many, places_of(ready.layout, many))
    assert np.array_equal(fresh.jacobian, known.jacobian)
    assert np.array_equal(fresh.cost, known.cost)


@pytest.mark.parametrize("seed", [3, 2002])
def test_ends_that_agree_are_settled_once_and_come_to_the_same(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    ready = prepared(seed, history=seed > 2000)
    begun: list[int] = []
    apart = settle._apart

    def counted(ends: list[solve.Solution]) -> list[solve.Solution]:
        kept = apart(ends)
        begun.append(len(ends) - len(kept))
        return kept

    monkeypatch.setattr(settle, "_apart", counted)
    once = settle.fit_all(ready.problem, ready.layout, ready.runs)
    assert begun[0] > 0
    monkeypatch.setattr(settle, "_apart", lambda ends: ends)
    each = settle.fit_all(ready.problem, ready.layout, ready.runs)
    assert once.total_cost == pytest.approx(each.total_cost, abs=0.01)
    here, there = once.solution.state.theta, each.solution.state.theta
    u = np.sqrt(np.diag(covariance_of(once.solution, once.free)[0]))
    assert np.all(np.abs(here - there) <= 0.01 * u)


def test_looks_off_at_one_place_of_passes_one_way_are_no_play_that_ends_there() -> None:
    """A rig swept outward only, its moves known, whose first looks of one pass are off together."""
    night = random_night(300_756)
    setup = FitSetup(night.filters, night.filters[0], alpha_prior_steps_per_c=night.alpha_prior)
    fit = fit_jointly(night.observations, night.moves, setup)
    assert fit.backlash_steps is None
    assert all(crossing is None for crossing in fit.crossings_inward_steps.values())
    for name, crossing in fit.crossings_outward_steps.items():
        truth = night.truth.crossing[name] + night.truth.backlash
        assert crossing is not None and abs((crossing.value or 0.0) - truth) < 1.0


@pytest.mark.parametrize("unknown", [0.0, 0.3, 1.0])
def test_the_scatter_is_what_makes_chi_square_the_free_rows(unknown: float) -> None:
    rng = np.random.default_rng(7)
    residual, u = rng.normal(size=60), rng.uniform(0.1, 0.9, 60)
    u[rng.uniform(size=60) < unknown] = 0.0
    variance = settled_scatter(residual, np.ones(60), u, np.zeros(60, dtype=np.intp), 1, 4.0)[0]
    # With one filter the shrinkage pulls towards itself.
    assert np.sum(residual**2 / (u**2 + variance)) == pytest.approx(56.0, rel=0.02)
    tight = settled_scatter(0.01 * residual, np.ones(60), u + 1.0, np.zeros(60, dtype=np.intp), 1, 4.0)[0]
    assert tight == 0.0
