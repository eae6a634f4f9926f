"""Where to look next: the predicted uncertainty is the one that comes true, and seconds count."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from routines.estimate.joint import FitSetup, fit_jointly
from routines.estimate.next_look import (
    Block,
    Costs,
    PlannedLook,
    Want,
    after,
    before_the_first_look,
    best_block,
    blocks_around,
    gradient_of,
    half_widths,
    plan,
    satisfied,
)
from routines.estimate.result import Knowledge
from routines.observations import INWARD, OUTWARD, Move, Observation

NOISE = {"L": 0.1, "R": 0.1, "H": 0.3}
COSTS = Costs({"L": 2.0, "R": 2.0, "H": 20.0}, 2.0, 3.0, 1.0, 0.01, 150.0)
WANTS = (
    Want("backlash", 2.0),
    Want("offset.R.L", 1.0),
    Want("offset.H.L", 2.0),
)


def fresh() -> Knowledge:
    return before_the_first_look(
        ("L", "R", "H"),
        slope_px_per_step=0.12,
        noise_px=NOISE,
        largest_play_steps=200.0,
        crossing_steps=1000.0,
        crossing_u_steps=200.0,
    )


def test_update_is_that_of_the_normal_equations() -> None:
    known = fresh()
    looks = [
        PlannedLook(name, 1000.0 + away + (100.0 if side > 0 else 0.0), side)
        for side in (INWARD, OUTWARD)
        for away in (-60.0, 0.0, 60.0)
        for name in NOISE
    ]
    rows = np.array([gradient_of(known, look) for look in looks])
    weights = np.array([NOISE[look.filter] ** -2 for look in looks])
    keep = [0, 1, 3, 4, 5]  # alpha is known to be nothing here
    prior = np.linalg.inv(np.array(known.covariance)[np.ix_(keep, keep)])
    exact = np.linalg.inv(prior + (rows[:, keep].T * weights) @ rows[:, keep])
    found = np.array(after(known, looks).covariance)[np.ix_(keep, keep)]
    assert found == pytest.approx(exact, rel=1e-6, abs=1e-9)


def test_prediction_matches_the_fit_that_follows() -> None:
    """The half-widths predicted for a plan are those of the joint fit of such looks, within a quarter."""
    known = replace(fresh(), values=(100.0, 0.12, 0.0, 1000.0, 1030.0, 1020.0))
    looks = [
        PlannedLook(name, centre + away, side)
        for side, centre in ((INWARD, 1015.0), (OUTWARD, 1115.0), (INWARD, 1015.0))
        for away in ((80.0, 30.0, -30.0, -80.0) if side < 0 else (-80.0, -30.0, 30.0, 80.0))
        for name in NOISE
    ]
    predicted = half_widths(after(known, looks), WANTS)
    rng = np.random.default_rng(3)
    value = dict(zip(known.names, known.values, strict=True))
    observed, moves, last = [], [], 0
    for number, look in enumerate(looks):
        if look.side != last:
            moves.append(Move(number, look.position_steps - look.side * 300.0))
            last = look.side
        place = look.position_steps - (100.0 if look.side > 0 else 0.0)
        error = 0.12 * (place - value[f"crossing.{look.filter}"]) + NOISE[look.filter] * rng.normal()
        observed.append(
            Observation(number, look.filter, look.position_steps, value_px=error, u_px=NOISE[look.filter])
        )
    fit = fit_jointly(observed, moves, FitSetup(filters=tuple(NOISE), reference_filter="L"))
    assert fit.backlash_steps is not None and fit.backlash_steps.u is not None
    assert 1.96 * fit.backlash_steps.u == pytest.approx(predicted["backlash"], rel=0.25)
    for name in ("R", "H"):
        offset = fit.offsets_steps[name]
        assert offset is not None and offset.u is not None
        assert 1.96 * offset.u == pytest.approx(predicted[f"offset.{name}.L"], rel=0.25)
    assert fit.knowledge is not None
    assert half_widths(fit.knowledge, WANTS)["backlash"] == pytest.approx(
        1.96 * fit.backlash_steps.u, rel=0.02
    )


def test_the_less_known_filter_is_looked_through() -> None:
    known = after(fresh(), [PlannedLook(n, 1000.0 + d, INWARD) for n in "LR" for d in (-50.0, 50.0)] * 3)
    blocks = [Block((PlannedLook(name, 1000.0, INWARD),), 10.0) for name in NOISE]
    choice = best_block(known, blocks, (Want("offset.R.L", 1.0), Want("offset.H.L", 1.0)))
    assert choice is not None and choice.block.looks[0].filter == "H"


def test_seconds_count() -> None:
    known = fresh()
    look = PlannedLook("L", 1000.0, INWARD)
    dear, cheap = Block((look,), 100.0), Block((look,), 5.0)
    choice = best_block(known, [dear, cheap], (Want("crossing.L", 1.0),))
    assert choice is not None and choice.block is cheap


def test_backlash_needs_the_other_side() -> None:
    known = after(fresh(), [PlannedLook("L", 1000.0 + d, INWARD) for d in (-60.0, 60.0)] * 4)
    blocks = blocks_around(
        known,
        COSTS,
        PlannedLook("L", 1000.0, INWARD),
        reach_px=8.0,
        low_limit_steps=0.0,
        high_limit_steps=3000.0,
    )
    choice = best_block(known, blocks, (Want("backlash", 2.0),))
    assert choice is not None and choice.block.looks[0].side == OUTWARD


def test_blocks_keep_overshoot_within_limits() -> None:
    blocks = blocks_around(fresh(), COSTS, None, reach_px=8.0, low_limit_steps=900.0, high_limit_steps=1200.0)
    assert blocks
    for block in blocks:
        for look in block.looks:
            turn = look.position_steps - look.side * COSTS.overshoot_steps
            assert 900.0 <= min(turn, look.position_steps) <= max(turn, look.position_steps) <= 1200.0


def test_a_plan_ends_in_target_or_in_budget() -> None:
    limits = {"reach_px": 8.0, "low_limit_steps": 0.0, "high_limit_steps": 3000.0}
    blocks, known = plan(fresh(), COSTS, WANTS, budget_s=4000.0, **limits)
    assert satisfied(known, WANTS)
    assert sum(block.seconds for block in blocks) <= 4000.0
    short, less = plan(fresh(), COSTS, WANTS, budget_s=60.0, **limits)
    assert sum(block.seconds for block in short) <= 60.0
    assert not satisfied(less, WANTS)
    assert plan(fresh(), COSTS, WANTS, budget_s=4000.0, **limits)[0] == blocks


def test_coming_from_the_other_side_costs_the_overshoot() -> None:
    at = PlannedLook("L", 1000.0, INWARD)
    same = COSTS.seconds([PlannedLook("L", 990.0, INWARD)], at)
    other = COSTS.seconds([PlannedLook("L", 990.0, OUTWARD)], at)
    assert other - same == pytest.approx(2.0 * 150.0 * 0.01 + 1.0)


def test_knowledge_through_json() -> None:
    known = fresh()
    assert Knowledge.from_dict(json.loads(json.dumps(known.as_dict()))) == known
