"""The compensating port beside runs: lends the focuser to each, refuses moves meanwhile, and comes back."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import httpx
import pytest
import serial
from calm_rig import calm_config
from fastapi import FastAPI

from daemon.api_port import add_port
from daemon.commands.shift import sentence
from daemon.config.tables import PortTable
from daemon.port_setup import PortRefused
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
        worker = SimpleNamespace(mention=lambda job, *about: None)  # these runs only open the devices
        return RunNeeds(self.state / "frames", cast(Any, worker), {}, lambda sentence: None)


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
        pass
    assert not offered.link.exists()
    ProfileStore(offered.state).save(profile)  # after the devices are let go of, as the service does it
    offered.bench.rested()
    assert offered.link.exists()


def test_a_run_brings_the_latest_profile_to_the_port(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    with offered.bench.opened(offered.needs()):
        pass
    later = profile.model_copy(
        update={
            "created": profile.created + timedelta(days=1),
            "overshoot_steps": profile.overshoot_steps + 50,
        }
    )
    ProfileStore(offered.state).save(later)
    offered.bench.rested()
    assert offered.bench._port._rules.approach.overshoot_steps == profile.overshoot_steps + 50


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
        assert client.ask("state") == "motor turning"  # the results are still being written
        offered.bench.rested()
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


def test_the_filters_offset_is_switched_while_the_port_is_open(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    offset = round(profile.filter_named("R").offset_steps.value)
    client = Client(offered.link)
    try:
        client.go(20500)
        assert offered.bench.state().shift_steps == 0
        state = offered.bench.shift_to("R", temperature=False)
        assert (state.filter, state.shift_steps) == ("R", offset)
        until = time.monotonic() + 30.0
        while offered.bench._focuser.count_now() != 20500 + offset or offered.bench._port.busy:
            assert time.monotonic() < until
            time.sleep(0.01)
        assert client.ask("where") == "at 20500"  # the client's places stay as they are
        with pytest.raises(PortRefused, match="does not know the filter 'Violet'; it knows L, R"):
            offered.bench.shift_to("Violet", temperature=False)
        assert offered.bench.state().filter == "R"
        client.go(20600)
        assert offered.bench._focuser.count_now() == 20600 + offset
    finally:
        client.close()


def test_what_was_asked_for_outlives_a_run(offered: Offered, profile: Any) -> None:
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    offered.bench.shift_to("R", temperature=False)
    with pytest.raises(PortRefused, match="the temperature moved too little"):
        offered.bench.shift_to(None, temperature=True)
    with offered.bench.opened(offered.needs()):
        lent = offered.bench.state()
        assert (lent.lent, lent.why_not, lent.filter) == (True, LENT, "R")
    offered.bench.rested()
    state = offered.bench.state()
    assert (state.lent, state.filter, state.temperature) == (False, "R", False)


def asked(bench: Any, method: str, path: str, body: Any = None) -> httpx.Response:
    app = FastAPI()
    add_port(app, bench)

    async def ask() -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://here") as client:
            return await client.request(method, path, json=body)

    return asyncio.run(ask())


def test_the_port_is_told_and_changed_over_http(offered: Offered, profile: Any) -> None:
    offered.bench.offer()
    assert "no profile yet" in asked(offered.bench, "GET", "/v1/port").json()["why_not"]
    assert asked(offered.bench, "POST", "/v1/port/shift", {"filter": "R"}).status_code == 409
    ProfileStore(offered.state).save(profile)
    offered.bench.offer()
    told = asked(offered.bench, "POST", "/v1/port/shift", {"filter": "R"}).json()
    assert told["shift_steps"] == round(profile.filter_named("R").offset_steps.value)
    assert f"places are for R, {told['shift_steps']:+d} steps" in sentence(told)
    assert asked(offered.bench, "POST", "/v1/port/shift", {"filter": "Violet"}).status_code == 409
    assert asked(offered.bench, "POST", "/v1/port/shift", {"fliter": "R"}).status_code == 422


def test_without_a_port_the_routes_say_so() -> None:
    assert "[port]" in asked(None, "GET", "/v1/port").json()["detail"]
    assert asked(None, "POST", "/v1/port/shift", {}).status_code == 404
