import pytest

from daemon.gates import Gate, Gates, Level, Levels, disk_gate, limits_gate

RATE = Levels("temperature rate", "C/h", 2.0, 1.0, "above", settling_s=60.0, maximum_age_s=120.0)


def followed(levels, readings):
    """Judge once a minute and return whether the gate was open each time."""
    source = iter(readings)
    gate = Gate("gate", levels, lambda: next(source))
    return [gate.judge(60.0 * minute).open for minute in range(len(readings))]


def test_it_trips_at_one_level_and_opens_past_the_other_after_settling():
    rates = [0.5, 1.5, 2.5, 1.5, 0.9, 0.9, 1.9]
    assert followed(RATE, [Level(rate) for rate in rates]) == [True, True, False, False, False, True, True]


def test_a_relapse_starts_the_settling_anew():
    rates = [2.5, 0.9, 1.5, 0.9, 0.9]
    assert followed(RATE, [Level(rate) for rate in rates]) == [False, False, False, False, True]


def test_a_missing_or_stale_reading_counts_as_shut():
    assert followed(RATE, [Level(None), Level(0.5, 121.0), Level(0.5, 5.0)]) == [False, False, False]
    gate = Gate("gate", RATE, lambda: Level(0.5, 121.0))
    assert "121 s ago, over 120 s" in gate.judge(0.0).reason


@pytest.mark.parametrize(("trip", "resume", "side"), [(2.0, 3.0, "above"), (0.5, 0.3, "below")])
def test_inverted_levels_are_refused_with_both_numbers(trip, resume, side):
    with pytest.raises(ValueError, match=f"{trip:g}.*{resume:g}"):
        Levels("anything", "units", trip, resume, side)


def test_since_tells_when_the_gate_last_changed():
    readings = iter([Level(0.0), Level(3.0), Level(3.0), Level(0.0), Level(0.0)])
    gate = Gate("gate", RATE, lambda: next(readings))
    assert [gate.judge(60.0 * n).since_s for n in range(5)] == [0.0, 60.0, 60.0, 60.0, 240.0]


def test_every_gate_is_judged_also_after_a_shut_one():
    judged = []

    def reading(name):
        return lambda: (judged.append(name), Level(9.0))[1]

    verdicts = Gates([Gate(name, RATE, reading(name)) for name in "ab"]).judge(0.0)
    assert judged == ["a", "b"]
    assert not any(verdict.open for verdict in verdicts)


def test_the_disk_gate_reads_the_disk(tmp_path):
    assert disk_gate(tmp_path, 1e-6).judge(0.0).open
    shut = disk_gate(tmp_path, 1e9).judge(0.0)
    assert not shut.open
    assert "free disk space" in shut.reason
    assert not disk_gate(tmp_path / "gone", 1e-6).judge(0.0).open


def test_the_limits_gate():
    assert limits_gate(lambda: Level(500.0), 0.0, 1000.0).judge(0.0).open
    assert not limits_gate(lambda: Level(1001.0), 0.0, 1000.0).judge(0.0).open
