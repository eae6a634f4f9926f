"""The conformance walk over the simulated rig: all promises kept, and each fault named as what it breaks."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.hardware_check import Devices, Promise, walk
from drivers.filter_wheel import SerialFilterWheel
from drivers.focuser import SerialFocuser
from drivers.roles import Limits
from drivers.simulated.client import RunningRig, start_rig
from drivers.thermometer import FocuserSource, MedianThermometer


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[tuple[RunningRig, Devices]]:
    with start_rig(tmp_path / "rig", peek=True) as rig:
        focuser = SerialFocuser.connect(
            "focuser_words", rig.focuser_port, Limits(1000, 50000), clock=rig.clock
        )
        slots = {name: number + rig.first_slot for number, name in enumerate(rig.filters)}
        wheel = SerialFilterWheel.connect("wheel_words", rig.wheel_port, slots, clock=rig.clock)
        thermometer = MedianThermometer(FocuserSource(focuser.temperature_c), rig.clock)
        try:
            yield rig, Devices(focuser, wheel, None, thermometer)
        finally:
            focuser.close()
            wheel.close()


def broken(promises: list[Promise]) -> list[str]:
    return [f"{item.device} {item.promise}" for item in promises if item.outcome == "broken"]


def test_a_sound_rig_keeps_every_promise_and_stands_where_it_stood(bench) -> None:
    rig, devices = bench
    before = rig.peek()["count"]
    promises = list(walk(devices, rig.clock, threading.Event()))
    assert broken(promises) == []
    assert rig.peek()["count"] == before
    assert len(promises) == 3 + len(rig.filters) + 1 + 1
    assert all(item.seen for item in promises)


def test_a_stuck_motor_ends_the_motor_part_only(bench) -> None:
    rig, devices = bench
    rig.fault("stuck_motor")
    promises = list(walk(devices, rig.clock, threading.Event()))
    assert broken(promises) == ["focuser moves 100 steps and back"]
    assert [item.outcome for item in promises if item.promise == "halts on its way"] == ["left out"]
    assert [item.outcome for item in promises if item.device == "wheel"] == ["kept"] * (len(rig.filters) + 1)


def test_an_ignored_halt_is_found(bench) -> None:
    rig, devices = bench
    rig.fault("ignored_halt")
    promises = list(walk(devices, rig.clock, threading.Event()))
    assert broken(promises) == ["focuser halts on its way"]
    assert "unattended" in next(item.advice for item in promises if item.outcome == "broken")


def test_a_missing_probe_is_found(bench) -> None:
    rig, devices = bench
    rig.fault("probe_missing")
    promises = list(walk(devices, rig.clock, threading.Event()))
    assert broken(promises) == ["thermometer tells a believable temperature"]


def test_a_stop_ends_the_walk(bench) -> None:
    rig, devices = bench
    stop = threading.Event()
    stop.set()
    assert list(walk(devices, rig.clock, stop)) == []
