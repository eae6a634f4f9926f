import pytest

from routines.convention import limits_to_science, quantity_to_counts, to_counts, to_science
from routines.quantity import Quantity


def test_falling_counts_are_negated_and_rising_ones_kept():
    assert to_science(1200, "rising") == 1200.0
    assert to_science(1200, "falling") == -1200.0
    assert to_counts(-1200.4, "falling") == 1200
    assert limits_to_science(100, 9000, "falling") == (-9000.0, -100.0)


def test_a_measured_position_keeps_its_interval_in_order():
    crossing = quantity_to_counts(Quantity(-5000.0, 2.0, -5004.0, -4995.0), "falling")
    assert (crossing.value, crossing.low95, crossing.high95) == (5000.0, 4995.0, 5004.0)


def test_another_word_is_refused():
    with pytest.raises(ValueError, match="sideways"):
        to_science(1, "sideways")
