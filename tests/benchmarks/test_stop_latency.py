"""A short turn of the stops: each run ends with a halt and a motor that stands, whatever it was at."""

from tests.benchmarks import stop_latency


def test_a_stop_of_each_state_is_measured() -> None:
    found = stop_latency.latencies(1)
    assert set(stop_latency.STATES) <= set(found)
    assert all(found[state] for state in stop_latency.STATES)
    assert all(spent_ms > 0.0 for times in found.values() for spent_ms in times)
