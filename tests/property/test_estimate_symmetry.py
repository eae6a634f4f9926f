"""What must not matter to the joint fit: direction of counting, origin, units, filter names, extra rows."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

from random_rigs import Night, random_night

from routines.estimate.joint import FitSetup, JointFit, fit_jointly
from routines.observations import Move, Observation
from routines.quantity import Quantity

seeds = st.integers(20_000, 20_400)
few = settings(max_examples=8, deadline=None, derandomize=True)


def setup_for(night: Night, scale: float = 1.0) -> FitSetup:
    return FitSetup(
        filters=night.filters,
        reference_filter=night.filters[0],
        alpha_prior_steps_per_c=night.alpha_prior * scale,
        reference_temperature_c=10.0,
    )


def fitted(night: Night, scale: float = 1.0) -> JointFit:
    return fit_jointly(night.observations, night.moves, setup_for(night, scale))


def moved(night: Night, factor: float, shift: float, value_factor: float = 1.0) -> Night:
    """The same night with positions scaled and shifted, and spike errors scaled."""

    def place(position: float) -> float:
        return factor * position + shift

    looks: list[Observation] = [
        replace(
            look,
            position_steps=place(look.position_steps),
            value_px=None if look.value_px is None else look.value_px * value_factor,
            u_px=None if look.u_px is None else look.u_px * abs(value_factor),
        )
        for look in night.observations
    ]
    moves = (
        None if night.moves is None else [Move(m.before_number, place(m.position_steps)) for m in night.moves]
    )
    return replace(night, observations=looks, moves=moves)


def same(one: Quantity | None, other: Quantity | None) -> bool:
    """Equal to a fifth of their uncertainty: starts and nodes may differ a little."""
    if one is None or other is None:
        return one is other
    if one.value is None or other.value is None or one.u is None or other.u is None:
        return one.high95 == pytest.approx(other.high95, rel=0.1)
    close = abs(one.value - other.value) <= 0.2 * one.u
    return close and one.u == pytest.approx(other.u, rel=0.1)


@few
@given(seeds)
def test_mirrored_positions(seed: int) -> None:
    """Counting the other way swaps the branches: inward c becomes outward -c."""
    night = random_night(seed)
    plain, mirrored = fitted(night), fitted(moved(night, -1.0, 0.0))
    assert same(plain.backlash_steps, mirrored.backlash_steps)
    for name in night.filters:
        inward = mirrored.crossings_outward_steps[name]
        assert same(plain.crossings_inward_steps[name], inward and inward.scaled(-1.0))
        offset = mirrored.offsets_steps[name]
        assert same(plain.offsets_steps[name], offset and offset.scaled(-1.0))


@few
@given(seeds, st.floats(-1e5, 1e5))
def test_shifted_positions(seed: int, shift: float) -> None:
    night = random_night(seed)
    plain, shifted = fitted(night), fitted(moved(night, 1.0, round(shift)))
    assert same(plain.backlash_steps, shifted.backlash_steps)
    name = night.filters[0]
    there = shifted.crossings_inward_steps[name]
    if there is not None and there.value is not None and there.u is not None:
        home = Quantity(there.value - round(shift), there.u, 0.0, 0.0)
        assert same(plain.crossings_inward_steps[name], home)


@few
@given(seeds, st.floats(0.05, 20.0), st.floats(0.05, 20.0))
def test_units_of_steps_and_pixels(seed: int, steps: float, pixels: float) -> None:
    night = random_night(seed)
    plain, scaled = fitted(night), fitted(moved(night, steps, 0.0, pixels), steps)
    backlash = scaled.backlash_steps
    assert same(plain.backlash_steps, backlash and backlash.scaled(1.0 / steps))
    slope = scaled.slope_px_per_step
    assert same(plain.slope_px_per_step, slope and slope.scaled(steps / pixels))


@few
@given(seeds)
def test_order_of_the_configured_filters(seed: int) -> None:
    night = random_night(seed)
    plain = fitted(night)
    turned = fit_jointly(
        night.observations, night.moves, replace(setup_for(night), filters=night.filters[::-1])
    )
    for name in night.filters:
        assert same(plain.offsets_steps[name], turned.offsets_steps[name])


@few
@given(seeds)
def test_the_same_table_gives_the_same_numbers(seed: int) -> None:
    night = random_night(seed)
    one, other = fitted(night), fitted(night)
    assert one == other
