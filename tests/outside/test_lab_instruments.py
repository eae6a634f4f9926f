"""Descriptions of general laboratory instruments, spoken to through an independent simulator: PyVISA-sim.

The devices are that library's own examples (its file ``default.yaml``, "device 1" and "device 2"): a signal
generator with questions and orders of its own, and a supply that speaks SCPI, its numbers in the form NR3 of
IEEE 488.2. Neither has to do with this job; both were described from that file alone, as from a manual.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import pyvisa

from daemon.cli import run_command
from drivers import description
from drivers.device import Device
from drivers.errors import Refused, ReplyLate
from drivers.virtual_port import PtyPort

GENERATOR = """
description = 1
kind = "instrument"
name = "Signal generator"
[line]
reply_within_s = 0.5
[framing]
kind = "text"
request_end = "\\r\\n"
reply_end = "\\n"
[request.identify]
send = "?IDN"
reply = "LSG Serial #{serial:text}"
[request.frequency]
query = true
send = "?FREQ"
reply = "{frequency:decimal}"
[request.frequency_set]
send = "!FREQ {frequency:decimal:2}"
reply = "OK"
[request.output]
query = true
send = "?OUT"
reply = "{output:int}"
[request.output_set]
send = "!OUT {output:int}"
reply = "OK"
[request.amplitude_mv]
query = true
send = "?AMP"
reply = "{amplitude:decimal}"
scale = 1000.0
[request.dance]
send = "!DANCE"
reply = "OK"
[[refusal]]
reply = "FREQ_ERROR"
[[refusal]]
reply = "ERROR"
"""

SUPPLY = """
description = 1
kind = "instrument"
name = "Supply, SCPI"
[line]
reply_within_s = 0.5
[framing]
kind = "text"
request_end = "\\r\\n"
reply_end = "\\n"
[request.identify]
send = "*IDN?"
reply = "SCPI,MOCK,{version:word}"
[request.reset]
send = "*RST"
reply = []
[request.voltage]
query = true
send = ":VOLT:IMM:AMPL?"
reply = "{voltage:scientific}"
[request.voltage_set]
send = ":VOLT:IMM:AMPL {voltage:decimal:3}"
reply = []
[request.status]
query = true
send = "*ESR?"
reply = "{status:int}"
"""


@contextmanager
def simulated(resource: str, folder: Path) -> Iterator[str]:
    """Put one of the library's devices behind a port, and yield the port's name."""
    port, ended = PtyPort(folder / "instrument"), threading.Event()

    def carry() -> None:
        manager = pyvisa.ResourceManager("@sim")
        session = manager.open_resource(
            resource, read_termination="\n", write_termination="\r\n", timeout=100
        )
        heard = b""
        while not ended.is_set():
            heard += port.wait(0.02)
            while b"\r\n" in heard:
                request, heard = heard.split(b"\r\n", 1)
                session.write_raw(request + b"\r\n")
                try:
                    port.write(session.read_raw())
                except pyvisa.errors.VisaIOError:
                    continue  # an order without an answer
        session.close()
        manager.close()

    carrier = threading.Thread(target=carry)
    carrier.start()
    try:
        yield port.address
    finally:
        ended.set()
        carrier.join()
        port.close()


@contextmanager
def connected(text: str, resource: str, folder: Path) -> Iterator[Device]:
    with simulated(resource, folder) as address:
        device = Device(description.parse(text, "instrument.toml"), address)
        try:
            assert device.connect()
            yield device
        finally:
            device.close()


@pytest.fixture
def generator(tmp_path: Path) -> Iterator[Device]:
    with connected(GENERATOR, "ASRL1::INSTR", tmp_path) as device:
        yield device


@pytest.fixture
def supply(tmp_path: Path) -> Iterator[Device]:
    with connected(SUPPLY, "ASRL2::INSTR", tmp_path) as device:
        yield device


def test_the_generator_is_asked_and_told(generator: Device) -> None:
    assert generator.request("identify") == {"serial": "1234"}
    generator.request("frequency_set", {"frequency": 1234.5})
    assert generator.request("frequency") == {"frequency": 1234.5}
    generator.request("output_set", {"output": 1})
    assert generator.request("output") == {"output": 1}
    assert generator.request("amplitude_mv") == {"amplitude": 1000.0}


def test_the_generators_own_errors_are_refusals(generator: Device) -> None:
    before = generator.request("frequency")
    with pytest.raises(Refused):
        generator.request("frequency_set", {"frequency": 2e6})  # its range ends at 100 000
    with pytest.raises(Refused):
        generator.request("dance")
    assert generator.request("frequency") == before


def test_numbers_with_exponents_are_read(supply: Device) -> None:
    assert supply.request("identify") == {"version": "VERSION_1.0"}
    supply.request("voltage_set", {"voltage": 2.125})
    assert supply.request("voltage") == {"voltage": 2.125}


def test_an_order_that_it_does_not_take_shows_in_its_status_register(supply: Device) -> None:
    supply.request("voltage_set", {"voltage": 2.0})
    supply.request("voltage_set", {"voltage": 20.0})  # its range ends at 6
    assert supply.request("voltage") == {"voltage": 2.0}


def test_single_requests_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "generator.toml"
    path.write_text(GENERATOR)
    with simulated("ASRL1::INSTR", tmp_path) as address:
        assert run_command(["try", address, str(path), "frequency_set", "frequency=50"]) == 0
        assert run_command(["try", address, str(path), "frequency"]) == 0
    assert "frequency = 50.0" in capsys.readouterr().out


def test_the_wrong_line_end_gets_no_answer(tmp_path: Path) -> None:
    wrong = description.parse(GENERATOR.replace('"\\r\\n"', '"\\n"'), "instrument.toml")
    with simulated("ASRL1::INSTR", tmp_path) as address:
        device = Device(wrong, address)
        device.line.open()
        with pytest.raises(ReplyLate):
            device.request("frequency")
        device.close()
