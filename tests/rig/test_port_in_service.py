"""The compensating port beside runs: lends the focuser to each, refuses moves meanwhile, and comes back."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import pytest
import serial
from calm_rig import calm_config

from daemon.config.tables import PortTable
from daemon.profile_store import ProfileStore
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.service.bench import RunNeeds, bench_for
from daemon.service.port_host import LENT, PortBench

SEED = 3


@pytest.fixture(scope="module")
def profile(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("rehearsed")
    options = StageOptions(surrogate=True)
    with rehearsing(calm_config(folder), SEED, out=folder / "out", options=options) as stage:
        stage.perform()
        return stage.concluded()


@dataclass
class Offered:
    bench: PortBench
    link: Path
    state: Path

    def needs(self) -> RunNeeds:
        return RunNeeds(self.state / "frames", cast(Any, None), {}, lambda sentence: None)


@pytest.fixture
def offered(tmp_path: Path) -> Iterator[Offered]:
    config = calm_config(tmp_path)
    link, state = tmp_path / "focuser-port", tmp_path / "state"
    simulated = config.simulated.model_copy(update={"looks": "numbers"})
    config = config.model_copy(update={"port": PortTable(link=str(link)), "simulated": simulated})
    bench = PortBench(bench_for(config, state, None), config, state)
    yield Offered(bench, link, state)
    bench.close()


class Client:
    def __init__(self, link: Path) -> None:
        self._line = serial.Serial(str(link), timeout=5.0)

    def ask(self, request: str) -> str:
        self._line.write(request.encode() + b"\n")
        return self._line.read_until(b"\r\n").decode().strip()

    def go(self, target: int) -> None:
        assert self.ask(f"go {target}") == f"going {target}"
        until = time.monotonic() + 30.0
        while self.ask("state") == "motor turning":
            assert time.monotonic() < until
        assert self.ask("where") == f"at {target}"

    def close(self) -> None:
        self._line.close()


def test_without_a_profile_there_is_no_port_and_runs_go_on(offered: Offered) -> None:
    offered.bench.offer()
    assert not offered.link.exists()
    with offered.bench.opened(offered.needs()) as hands:
        assert hands.focuser.position_steps() > 0


def test_it_opens_once_a_run_has_given_a_profile(offered: Offered, profile: Any) -> None:
    offered.bench.offer()
    with offered.bench.opened(offered.needs()):
        ProfileStore(offered.state).save(profile)
    assert offered.link.exists()


def test_the_focuser_is_lent_to_a_run_and_taken_back(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    client = Client(offered.link)
    try:
        here = int(client.ask("where").split()[1])
        client.go(here + 120)
        with offered.bench.opened(offered.needs()) as hands:
            assert client.ask(f"go {here}") == "refused turning"
            assert LENT in offered.bench._port.warnings[-1]
            assert client.ask("state") == "motor turning"
            assert client.ask("where") == f"at {here + 120}"
            assert client.ask("warmth") == "refused turning"
            assert client.ask("halt") == "refused turning"  # a run is not the client's to stop
            assert hands.focuser.move_to(here + 400) == here + 400
        assert client.ask("state") == "motor still"
        assert client.ask("where") == f"at {here + 400}"
        client.go(here + 30)
    finally:
        client.close()


def test_a_move_under_way_is_halted_for_a_run(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    client = Client(offered.link)
    try:
        here = int(client.ask("where").split()[1])
        assert client.ask(f"go {here + 20000}").startswith("going")
        with offered.bench.opened(offered.needs()) as hands:
            stands = hands.focuser.position_steps()
            hands.clock.sleep(1.0)
            assert hands.focuser.position_steps() == stands
    finally:
        client.close()


def test_the_temperature_is_read_while_the_port_holds_the_focuser(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    assert -30.0 < offered.bench.temperature_c() < 40.0


def test_closing_takes_the_port_away(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    offered.bench.close()
    assert not offered.link.exists()
    offered.bench.offer()
    assert not offered.link.exists()
