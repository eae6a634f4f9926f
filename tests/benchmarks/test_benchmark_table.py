"""The benchmarks' table, its JSON, and a short turn of those that take no time; the rest are by hand."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
if str(REPOSITORY) not in sys.path:
    sys.path.insert(0, str(REPOSITORY))

from daemon.rehearsal_stage import StageOptions  # noqa: E402  # after the path is set
from tests.benchmarks import __main__ as benchmarks  # noqa: E402  # after the path is set
from tests.benchmarks import cramer_rao, journal_steps, run_overhead, small_computer, spread, timing  # noqa: E402  # after the path is set

FIGURES = [
    {
        "benchmark": "halt",
        "what": "worst",
        "measured": 4.0,
        "unit": "ms",
        "aim": "aim: under 50",
        "peak_mb": 59.0,
    },
    {"benchmark": "halt", "what": "median", "measured": 0.5, "unit": "ms", "aim": "", "peak_mb": 59.0},
]


def test_each_figure_stands_beside_its_aim_and_its_older_self() -> None:
    old = [{**FIGURES[0], "measured": 8.0}]
    _, worst, median = benchmarks.table(FIGURES, old)
    assert worst.startswith("halt     worst ")
    assert worst.endswith("under 50   was 8: 0.50 of it")
    assert median.endswith("new")
    assert "was" not in " ".join(benchmarks.table(FIGURES, None))


def test_what_a_small_computer_needs_follows_from_the_figures() -> None:
    memory = {"what": "idle: memory", "measured": 64.0, "unit": "MB"}
    reading = {"what": "read a cut-out near where it is expected", "measured": 56.0, "unit": "ms"}
    head, first, second = small_computer.budget([memory, reading])
    assert "5 times slower" in head
    assert first.endswith("280 ms     10.0 % of a look")
    assert second.endswith("64 MB      6.2 % of the memory")
    assert small_computer.budget(FIGURES) == []


def test_what_is_spread_over_the_cores_comes_back_in_order_and_its_errors_come_through() -> None:
    assert list(spread.over_cores(math.sqrt, [9.0, 4.0, 1.0])) == [3.0, 2.0, 1.0]
    with pytest.raises(ValueError, match=r"domain|nonnegative"):
        list(spread.over_cores(math.sqrt, [4.0, -1.0]))


@pytest.mark.timeout(300)
def test_a_setting_is_held_against_its_bound_and_its_figures_are_kept() -> None:
    """The RMS of ten normal errors is 0.35 to 1.8 of what it is in the long run (chi-square, 999 of 1000)."""
    one = cramer_rao.score((cramer_rao.LIGHTS[1], 30.0), frames=10)
    assert one.lost == 0
    assert 0.35 < one.rmse_um / one.bound_um < 1.8
    assert one.line_rmse_um > 3.0 * one.rmse_um
    cramer_rao.kept(one)
    ratio, _, lost, _ = timing.ROWS[-4:]
    assert ratio.measured == one.rmse_um / one.bound_um and ratio.aim == "aim: under 1.3"
    assert lost.what.startswith("frames lost") and lost.measured == 0.0


def test_every_benchmark_named_is_there() -> None:
    for module in benchmarks.BENCHMARKS.values():
        assert (REPOSITORY / "tests" / "benchmarks" / f"{module}.py").is_file()


def test_one_is_run_apart_and_its_figures_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "figures.json"
    monkeypatch.chdir(REPOSITORY)
    monkeypatch.setattr(sys, "argv", ["benchmarks", "help", "--json", str(kept)])
    assert benchmarks.main() == 0
    figures = json.loads(kept.read_text())["figures"]
    assert {item["benchmark"] for item in figures} == {"help"}
    assert all(item["peak_mb"] > 1.0 and item["measured"] > 0.0 for item in figures)
    monkeypatch.setattr(sys, "argv", ["benchmarks", "help", "--compare", str(kept)])
    assert benchmarks.main() == 0
    assert " of it" in capsys.readouterr().out


def test_a_short_journal_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_steps, "STEPS", 20)
    monkeypatch.setattr(timing, "ROWS", [])
    journal_steps.run()
    assert len(timing.ROWS) == 5
    assert all(row.measured > 0.0 for row in timing.ROWS)


def test_each_part_of_a_run_is_told_apart_in_what_it_costs(monkeypatch: pytest.MonkeyPatch) -> None:
    """At many times real speed, so that it shows which calls are watched and not what they cost."""
    rows: list[timing.Row] = []
    monkeypatch.setattr(timing, "ROWS", rows)
    options = StageOptions(routine="find_focus", surrogate=True)
    run_overhead.measured(run_overhead.bright_config(), options, speed=200.0)
    told = {row.what.split(" by ")[1].split(",")[0]: row.measured for row in rows if " by " in row.what}
    assert {"move", "wheel", "look", "journal", "the rest"} <= told.keys()
    looks = next(row for row in rows if "looks of the run" in row.what)
    assert looks.measured >= 3
    assert looks.aim == "ended done"
    left_out = {row.what.split(": ")[1].split(",")[0]: row.measured for row in rows if "left out" in row.what}
    assert {"drawing", "its clock's lateness", "asking its clock"} == left_out.keys()
    assert left_out["asking its clock"] > 0.0
