"""From a config to its devices: each opened by itself, all let go of together.

The same for real devices and for the simulated rig, which is started when ``camera.kind`` says "simulated"
and stands in for all of them.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.assembly import described, soft_limits
from daemon.clock import RealClock
from daemon.rehearsal_rig import descriptions_of, protocol_of, require_match, rig_name_of
from daemon.rig_eyes import expose_on
from drivers import description
from drivers.camera import CommandCamera, WatchedFolderCamera
from drivers.device import Device
from drivers.filter_wheel import SerialFilterWheel
from drivers.focuser import SerialFocuser
from drivers.roles import NeverStop
from drivers.thermometer import DeviceSource, FileSource, FocuserSource, MedianThermometer, Source

if TYPE_CHECKING:
    from daemon.config import Config
    from drivers.roles import Camera, Clock, StopSignal
    from drivers.simulated.client import RunningRig

Ask = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Address:
    """Where a described device is, and the description it speaks (a built-in's name or a path)."""

    port: str
    description: str


@dataclass(slots=True)
class DeviceRoom:
    """The devices of one config; None from a method means that the config has no such device.

    Opening raises what the drivers raise (PortUnavailable, WrongDevice, ...). What has been opened here is
    let go of by ``close``.
    """

    config: Config
    clock: Clock
    focuser_at: Address | None
    wheel_at: Address | None
    slots: Mapping[str, int]
    camera_from: Callable[[Ask], Camera | None]
    _stack: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def focuser(self) -> SerialFocuser | None:
        """Connect to the focuser; needs [limits]."""
        where = self.focuser_at
        if where is None:
            return None
        focuser = SerialFocuser(
            description.load(where.description),
            where.port,
            soft_limits(self.config),
            clock=self.clock,
            tolerance_steps=round(self.config.focuser.tolerance_steps),
        )
        self._stack.callback(focuser.close)
        focuser.open()
        return focuser

    def wheel(self) -> SerialFilterWheel | None:
        """Connect to the filter wheel."""
        where = self.wheel_at
        if where is None:
            return None
        wheel = SerialFilterWheel(
            description.load(where.description), where.port, self.slots, clock=self.clock
        )
        self._stack.callback(wheel.close)
        wheel.open()
        return wheel

    def thermometer(self, focuser: SerialFocuser | None) -> MedianThermometer | None:
        """Return the thermometer; None too when it is the focuser's and the focuser could not be opened."""
        table = self.config.thermometer
        if table is None or table.kind == "none" or (table.kind == "focuser" and focuser is None):
            return None
        return MedianThermometer(self._temperature_source(focuser), self.clock, oldest_s=table.oldest_s)

    def camera(self, ask: Ask) -> Camera | None:
        """Return the camera; ``ask`` is told what another program is to do, where one takes the frames."""
        return self.camera_from(ask)

    def close(self) -> None:
        """Let go of every device."""
        self._stack.close()

    def _temperature_source(self, focuser: SerialFocuser | None) -> Source:
        table = self.config.thermometer
        if table is None:
            raise ValueError("the config has no thermometer")
        if table.kind == "file":
            return FileSource(self.config.resolve(table.file or ""), table.degrees_per_unit)
        if table.kind == "serial":
            dialect = description.load(described(self.config, table.description or ""))
            device = Device(dialect, table.port or "")
            self._stack.callback(device.close)
            device.connect()
            return DeviceSource(device)
        if focuser is None:
            raise ValueError("the focuser's own probe needs the focuser")
        return FocuserSource(focuser.temperature_c)


@contextlib.contextmanager
def device_room(config: Config) -> Iterator[DeviceRoom]:
    """Yield the devices of a config, unopened; a simulated rig runs as long as this lasts."""
    with contextlib.ExitStack() as stack:
        simulated = config.camera.kind == "simulated"
        room = _simulated_room(config, stack) if simulated else _real_room(config)
        stack.callback(room.close)
        yield room


def _real_room(config: Config) -> DeviceRoom:
    focuser, wheel = config.focuser, config.wheel
    there = focuser.port is not None and focuser.description is not None
    return DeviceRoom(
        config,
        RealClock(),
        Address(focuser.port or "", described(config, focuser.description or "")) if there else None,
        None if wheel is None else Address(wheel.port, described(config, wheel.description)),
        {item.name: item.slot for item in config.filters if item.slot is not None},
        lambda ask: _real_camera(config, ask),
    )


def _real_camera(config: Config, ask: Ask) -> Camera | None:
    camera = config.camera
    folder = config.resolve(camera.folder or "frames")
    if camera.kind == "command":
        return CommandCamera(camera.command or (), folder, allowance_s=camera.allowance_s)
    if camera.kind == "folder":
        return WatchedFolderCamera(
            folder, allowance_s=camera.allowance_s, ask=ask, began_s=lambda path: _began_s(config, path)
        )
    return None


def _began_s(config: Config, path: Path) -> float | None:
    """Return when a frame's exposure began (POSIX seconds) by its header, None where that does not tell."""
    from drivers.frames import FrameUnreadable, read_header
    from drivers.header import Keywords, facts_from

    fits = config.fits
    try:
        header = read_header(path)
    except FrameUnreadable:
        return None
    facts = facts_from(header, Keywords(exposure=fits.exposure, time=fits.time))
    if facts.middle is None:
        return None
    return facts.middle.timestamp() - (facts.exposure_s or 0.0) / 2.0


@dataclass(frozen=True, slots=True)
class _RigCamera:
    """The simulated rig's camera in the role of any other."""

    rig: RunningRig

    def expose(self, exposure_s: float, filter_name: str, stop: StopSignal = NeverStop()) -> Path:
        """Take one frame; raises Stopped or ExposureFailed."""
        number = len(list(self.rig.camera.folder.glob("look-*.fits"))) + 1
        return expose_on(self.rig.camera, exposure_s, filter_name, number, stop)


def _simulated_room(config: Config, stack: contextlib.ExitStack) -> DeviceRoom:
    from drivers.simulated.client import start_rig

    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="drawtube-rig-")))
    protocol = protocol_of(config)
    seed = config.simulated.seed if config.simulated is not None else 1
    rig = stack.enter_context(start_rig(folder, rig=rig_name_of(config), seed=seed, protocol=protocol))
    require_match(config, rig)
    focuser, wheel = descriptions_of(config)
    return DeviceRoom(
        config,
        rig.clock,
        Address(rig.focuser_port, focuser),
        Address(rig.wheel_port, wheel),
        {name: rig.filters.index(name) + rig.first_slot for name in config.filter_names},
        lambda ask: _RigCamera(rig),
    )
