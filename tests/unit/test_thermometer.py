"""Thermometers: the kernel's file formats, the median, and the age of a reading."""

from __future__ import annotations

from pathlib import Path

import pytest
from peers import SleptClock, peer

from drivers import description
from drivers.device import Device
from drivers.errors import DescriptionError, SensorFailed
from drivers.thermometer import DeviceSource, FileSource, FocuserSource, MedianThermometer


def thermometer_of(path: Path, **options: float) -> tuple[MedianThermometer, SleptClock]:
    clock = SleptClock()
    return MedianThermometer(FileSource(path, **options), clock, oldest_s=60.0), clock


def test_thousandths_of_a_degree_as_the_kernel_writes_them(tmp_path: Path) -> None:
    # Linux kernel, Documentation/hwmon/sysfs-interface.rst: temp[1-*]_input in millidegree Celsius;
    # Documentation/w1/slaves/w1_therm.rst: "temperature" likewise.
    file = tmp_path / "temp1_input"
    file.write_text("-3437\n")
    thermometer, _ = thermometer_of(file)
    assert thermometer.read().value_c == pytest.approx(-3.437)
    assert thermometer.read().age_s == 0.0


def test_scale_and_offset(tmp_path: Path) -> None:
    file = tmp_path / "kelvin"
    file.write_text("280.15")
    thermometer, _ = thermometer_of(file, scale=1.0, offset_c=-273.15)
    assert thermometer.read().value_c == pytest.approx(7.0)


def test_an_outlier_does_not_pass_the_median(tmp_path: Path) -> None:
    file = tmp_path / "t"
    thermometer, clock = thermometer_of(file)
    for milli in (5000, 5100, 39000, 5200, 5050):
        file.write_text(str(milli))
        reading = thermometer.read()
        clock.sleep(1.0)
    assert reading.value_c == pytest.approx(5.1)


def test_a_failing_sensor_ages_and_then_is_unknown(tmp_path: Path) -> None:
    file = tmp_path / "t"
    file.write_text("4000")
    thermometer, clock = thermometer_of(file)
    thermometer.read()
    file.unlink()
    clock.sleep(30.0)
    assert (thermometer.read().value_c, thermometer.read().age_s) == (4.0, 30.0)
    clock.sleep(31.0)
    with pytest.raises(SensorFailed, match=r"no temperature for 60 s.*No such file"):
        thermometer.read()


@pytest.mark.parametrize("text", ["", "abc", "85000", "-127000", "nan", "inf", "\xff"])
def test_what_is_no_temperature_is_refused(tmp_path: Path, text: str) -> None:
    file = tmp_path / "t"
    file.write_text(text)
    thermometer, _ = thermometer_of(file)
    with pytest.raises(SensorFailed):
        thermometer.read()


def test_a_focuser_without_probe() -> None:
    with pytest.raises(SensorFailed, match="no temperature probe"):
        MedianThermometer(FocuserSource(lambda: None), SleptClock()).read()
    assert MedianThermometer(FocuserSource(lambda: 3.5), SleptClock()).read().value_c == 3.5


SERIAL = """
description = 1
kind = "thermometer"
name = "Probe in sixteenths of a kelvin"
[line]
reply_within_s = 0.2
[framing]
kind = "text"
request_end = "\\n"
reply_end = "\\n"
[request.temperature]
send = "T"
reply = "T{temperature:int}"
scale = 0.0625
offset = -273.15
absent = 0
"""


def test_a_serial_thermometer_with_its_scale_and_offset() -> None:
    counts = iter([b"T4480\n", b"T4480\n", b"T0\n", b"T0\n", b"Tx\n"] + [b"Tx\n"] * 20)
    with peer(lambda request: next(counts)) as other:
        device = Device(description.parse(SERIAL, "probe.toml"), other.path)
        device.connect()
        try:
            source = DeviceSource(device)
            assert source.read_c() == pytest.approx(4480 / 16 - 273.15)  # asked twice: no checksum
            with pytest.raises(SensorFailed, match="no probe"):
                source.read_c()
            with pytest.raises(SensorFailed, match=r"no temperature for .* s.*is not"):
                MedianThermometer(source, SleptClock()).read()
        finally:
            device.close()


def test_a_thermometer_that_tells_no_temperature_is_no_description() -> None:
    with pytest.raises(DescriptionError, match="lacks the field 'temperature'"):
        description.parse(SERIAL.replace("{temperature:int}", "{warmth:int}"), "probe.toml")
