"""A short turn of the stops: each run ends with a halt, whatever it was at."""

import pytest

from tests.benchmarks import stop_latency


def test_a_few_stops_are_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stop_latency, "HELD", 1)
    found = stop_latency.latencies(2)
    assert sum(len(times) for times in found.values()) == 2
    assert len(found["holding"]) == 1
    assert all(spent_ms > 0.0 for times in found.values() for spent_ms in times)
