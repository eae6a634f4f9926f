"""A rig whose counts fall outward is the mirror image of one whose counts rise, and nothing else changes."""

from hypothesis import given
from hypothesis import strategies as st

from routines.convention import limits_to_science, quantity_to_counts, to_counts, to_science
from routines.quantity import Quantity

COUNTS = st.integers(-(10**7), 10**7)
STEPS = st.floats(-1e7, 1e7, allow_nan=False)


@given(COUNTS)
def test_counts_come_back_whichever_way_they_run(counts):
    assert to_counts(to_science(counts, "rising"), "rising") == counts
    assert to_counts(to_science(counts, "falling"), "falling") == counts


@given(STEPS)
def test_targets_are_mirror_images(position):
    assert to_counts(position, "falling") == -to_counts(position, "rising")
    assert to_counts(position, "falling") == to_counts(-position, "rising")


@given(COUNTS, COUNTS)
def test_an_outward_move_is_positive_in_the_science(first, second):
    assert to_science(second, "falling") - to_science(first, "falling") == first - second


@given(COUNTS, COUNTS)
def test_limits_stay_in_order_and_enclose_the_same_places(one, other):
    low, high = sorted((one, other))
    for outward in ("rising", "falling"):
        ends = limits_to_science(low, high, outward)
        assert ends[0] <= ends[1]
        assert sorted(to_counts(end, outward) for end in ends) == [low, high]


@given(STEPS, st.floats(0, 1e4))
def test_quantities_turn_with_their_positions(value, u):
    turned = quantity_to_counts(Quantity.gaussian(value, u), "falling")
    assert turned.low95 <= turned.value <= turned.high95
    assert turned.value == -value
    assert turned.u == u
