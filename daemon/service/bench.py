"""The devices of a config for as long as one run needs them: real ones, or the simulated rig.

Ports are opened for a run and given back after it, so that other programs can use the focuser in between.
The simulated rig lives as long as the service, so that its night goes on from run to run.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import structlog

from daemon.assembly import exposure_rule, play_bound_steps, soft_limits
from daemon.eyes import Expose, FrameEye, Words
from daemon.performer import Condition, Hands
from daemon.rehearsal_rig import descriptions_of, fitter_on, hands_on, protocol_of, rig_name_of
from drivers.device import quietly
from drivers.errors import DeviceError, SensorFailed
from drivers.thermometer import FileSource

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.worker import Worker
    from drivers.focuser import SerialFocuser
    from drivers.roles import Camera, StopSignal
    from drivers.simulated.client import RunningRig

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class RunNeeds:
    """What a run brings to the bench: where its frames go, who measures, and who is asked for what."""

    frames: Path
    worker: Worker
    conditions: Mapping[str, Condition]
    ask: Callable[[str], None]


class Bench(Protocol):
    """Opens the devices for one run at a time."""

    simulated: bool
    source: str

    def opened(self, needs: RunNeeds) -> contextlib.AbstractContextManager[Hands]:
        """Open everything and yield a run's hands; raises DeviceError with nothing left open."""
        ...

    def rested(self) -> None:
        """Hear that a run is over and its results are written."""
        ...

    def focuser_alone(self) -> contextlib.AbstractContextManager[SerialFocuser]:
        """Open the focuser for something else than a run; raises DeviceError."""
        ...

    def temperature_c(self) -> float:
        """Read the temperature while no run is on; raises DeviceError."""
        ...

    def close(self) -> None:
        """Let go of what outlives a run."""
        ...


def bench_for(config: Config, state: Path, speed: float | None) -> Bench:
    """Return the bench that a config asks for; ``speed`` paces the simulated rig."""
    if config.camera.kind == "simulated":
        return SimulatedBench(config, state, speed)
    return RealBench(config)


class RealBench:
    """Devices of the config, opened anew for each run."""

    simulated = False
    source = "from this rig"

    def __init__(self, config: Config) -> None:
        self._config = config

    @contextlib.contextmanager
    def opened(self, needs: RunNeeds) -> Iterator[Hands]:
        """Open focuser, wheel, thermometer and camera; the controller's own compensation rests meanwhile."""
        from daemon.devices import device_room

        config, limits = self._config, soft_limits(self._config)
        with device_room(config) as room, contextlib.ExitStack() as stack:
            focuser, wheel = room.focuser(), room.wheel()
            camera = room.camera(needs.ask)
            if focuser is None or camera is None:
                raise DeviceError("a run needs a focuser and a camera, and the config lacks one of them")
            _rest_compensation(focuser, stack)
            yield Hands(
                focuser=focuser,
                wheel=wheel,
                thermometer=room.thermometer(focuser),
                eye=FrameEye(_exposing(camera), needs.worker),
                fitter=fitter_on(needs.worker),
                clock=room.clock,
                outward=config.focuser.outward,
                limits_counts=(limits.lowest_steps, limits.highest_steps),
                exposures_s={item.name: item.exposure_s for item in config.filters},
                conditions=needs.conditions,
                tolerance_steps=config.focuser.tolerance_steps,
                exposures=exposure_rule(config),
                play_bound_steps=play_bound_steps(config),
                foresee=partial(needs.worker.mention, "prepare"),
            )

    def rested(self) -> None:
        """Do nothing: devices are opened anew for each run."""

    @contextlib.contextmanager
    def focuser_alone(self) -> Iterator[SerialFocuser]:
        """Open the focuser for something else than a run."""
        from daemon.devices import device_room

        with device_room(self._config) as room:
            focuser = room.focuser()
            if focuser is None:
                raise DeviceError("the config has no focuser")
            yield focuser

    def temperature_c(self) -> float:
        """Read the temperature; a serial thermometer's port is held only for the moment."""
        from daemon.devices import device_room

        table = self._config.thermometer
        if table is not None and table.kind == "file":
            return FileSource(self._config.resolve(table.file or ""), table.degrees_per_unit).read_c()
        with device_room(self._config) as room:
            focuser = room.focuser() if table is not None and table.kind == "focuser" else None
            thermometer = room.thermometer(focuser)
            if thermometer is None:
                raise SensorFailed("the config has no thermometer")
            return thermometer.read().value_c

    def close(self) -> None:
        """Do nothing: no device outlives its run."""


def _rest_compensation(focuser: SerialFocuser, stack: contextlib.ExitStack) -> None:
    """Switch the controller's own corrections off until the stack unwinds."""
    stack.callback(quietly, focuser.restore_compensation, "compensation_not_restored")
    focuser.suspend_compensation()


def _exposing(camera: Camera) -> Expose:
    def expose(exposure_s: float, filter_name: str, number: int, stop: StopSignal, words: Words) -> Path:
        return camera.expose(exposure_s, filter_name, stop)

    return expose


class SimulatedBench:
    """The simulated rig, started when it is first needed."""

    simulated = True
    source = "the simulated rig"

    def __init__(self, config: Config, state: Path, speed: float | None) -> None:
        self._config = config
        self._folder = state / "rig"
        self._speed = speed
        self._rig: RunningRig | None = None
        self._stack = contextlib.ExitStack()
        self._mutex = threading.Lock()

    @contextlib.contextmanager
    def opened(self, needs: RunNeeds) -> Iterator[Hands]:
        """Connect to the rig's lines; its mask is put on when a run asks for it."""
        from drivers.simulated.client import RigError

        table = self._config.simulated
        numbers = table is not None and table.looks == "numbers"
        try:
            rig = self._running()
            rig.camera.folder = needs.frames
            with hands_on(rig, self._config, needs.worker, surrogate=numbers) as hands:
                yield hands
        except RigError as error:
            self._forget()
            raise DeviceError(str(error)) from error

    def rested(self) -> None:
        """Do nothing: devices are opened anew for each run."""

    @contextlib.contextmanager
    def focuser_alone(self) -> Iterator[SerialFocuser]:
        """Open the rig's focuser for something else than a run."""
        from drivers.focuser import SerialFocuser
        from drivers.simulated.client import RigError

        try:
            rig = self._running()
        except RigError as error:
            raise DeviceError(str(error)) from error
        focuser = SerialFocuser.connect(
            descriptions_of(self._config)[0],
            rig.focuser_port,
            soft_limits(self._config),
            clock=rig.clock,
        )
        try:
            yield focuser
        finally:
            focuser.close()

    def temperature_c(self) -> float:
        """Read the rig's probe, by way of its focuser's line."""
        with self.focuser_alone() as focuser:
            value = focuser.temperature_c()
        if value is None:
            raise SensorFailed("the simulated focuser has no probe")
        return value

    def close(self) -> None:
        """End the rig, where it was started here."""
        self._forget()

    def _running(self) -> RunningRig:
        from drivers.simulated.client import connect_rig, start_rig

        with self._mutex:
            if self._rig is not None and self._ended(self._rig):
                self._let_go()
            if self._rig is None:
                table = self._config.simulated
                if table is not None and table.folder is not None:
                    self._rig = connect_rig(self._config.resolve(table.folder))
                    self._stack.callback(self._rig.close)
                else:
                    self._rig = self._stack.enter_context(
                        start_rig(
                            self._folder,
                            rig=rig_name_of(self._config),
                            seed=1 if table is None else table.seed,
                            speed=self._pace(),
                            protocol=protocol_of(self._config),
                        )
                    )
            return self._rig

    def _pace(self) -> float:
        if self._speed is not None:
            return self._speed
        return 0.0 if self._config.simulated is None else self._config.simulated.speed

    @staticmethod
    def _ended(rig: RunningRig) -> bool:
        return rig.process is not None and rig.process.poll() is not None

    def _forget(self) -> None:
        with self._mutex:
            self._let_go()

    def _let_go(self) -> None:
        self._rig = None
        self._stack.close()
