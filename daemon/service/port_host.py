"""The compensating port in the service: open between runs, and lent to each run while it lasts.

A run needs the focuser to itself, so the port lets go of it, refuses moves with the reason, and takes it up
again afterwards, with the latest profile.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from daemon.performer import Hands
from daemon.port import CompensatingPort
from daemon.port_rules import PortRules
from daemon.port_setup import PortRefused, Shift, approach_from, build_port, port_limits
from daemon.profile_store import ProfileDamaged, ProfileStore
from daemon.service.bench import Bench, RunNeeds
from drivers.device import quietly
from drivers.errors import DeviceError
from drivers.thermometer import FocuserSource, MedianThermometer

if TYPE_CHECKING:
    from daemon.config import Config
    from drivers.focuser import SerialFocuser
    from drivers.roles import Thermometer
    from routines.profile import Profile

LENT = "a routine is running"
log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class PortState:
    """What the port is at: ``shift_steps`` is what is added to every asked place just now."""

    address: str | None
    lent: bool
    why_not: str | None
    filter: str | None
    temperature: bool
    shift_steps: int
    warnings: tuple[str, ...]


class PortBench:
    """A bench that offers the compensating port while no run is on."""

    def __init__(self, inner: Bench, config: Config, state: Path) -> None:
        self.simulated, self.source = inner.simulated, inner.source
        self._inner, self._config, self._state = inner, config, state
        self._mutex = threading.Lock()
        self._port: CompensatingPort | None = None
        self._focuser: SerialFocuser | None = None
        self._held = contextlib.ExitStack()
        self._closed = self._in_run = False
        self._shift: Shift | None = None
        self._thermometer: Thermometer | None = None
        self._filter: str | None = None
        self._temperature = config.port is not None and config.port.temperature
        self._why_not: str | None = None

    def offer(self) -> None:
        """Open the focuser and the port; what stands against it is logged, and tried again after each run."""
        with self._mutex:
            if self._closed or self._in_run or self._focuser is not None:
                return
            try:
                self._take()
                self._why_not = None
            except (DeviceError, PortRefused, ProfileDamaged, OSError) as error:
                self._let_go()
                self._why_not = str(error)
                log.warning("port_not_offered", why=str(error))

    def state(self) -> PortState:
        """Tell what the port is at."""
        with self._mutex:
            port, shift = self._port, self._shift
            lent = self._in_run or self._focuser is None
            return PortState(
                address=None if port is None else port.address,
                lent=port is not None and lent,
                why_not=LENT if self._in_run else self._why_not,
                filter=self._filter,
                temperature=self._temperature,
                shift_steps=0 if shift is None or lent else shift.steps(),
                warnings=() if port is None else tuple(port.warnings),
            )

    def shift_to(self, filter_name: str | None, *, temperature: bool) -> PortState:
        """Add another filter's offset (None for the reference) from now on; follow the temperature or not.

        The focuser goes at once to where the last asked place lies now, unless it is moving or lent; then
        the next move takes it in. PortRefused, with nothing changed, when the profile does not know enough.
        """
        with self._mutex:
            shift = self._shift
            if shift is None or self._port is None:
                raise PortRefused(f"the port is not open: {self._why_not or LENT}")
            before = shift.filter_name
            shift.set_filter(filter_name)
            if temperature != self._temperature:
                try:
                    shift.follow(self._thermometer if temperature else None)
                except PortRefused:
                    shift.set_filter(before)
                    raise
            self._filter, self._temperature = filter_name, temperature
            if self._focuser is not None:
                self._port.shift_again()
        log.info("port_shifted", filter=filter_name, temperature=temperature)
        return self.state()

    @contextlib.contextmanager
    def opened(self, needs: RunNeeds) -> Iterator[Hands]:
        """Lend the focuser to a run, and yield its hands."""
        with self._mutex:
            self._in_run = True
            if self._port is not None:
                self._port.lend(LENT)
            self._let_go()
        with self._inner.opened(needs) as hands:
            yield hands

    def rested(self) -> None:
        """Take the focuser up again, by the profile that the run may have given."""
        self._inner.rested()
        self._in_run = False
        self.offer()

    def focuser_alone(self) -> contextlib.AbstractContextManager[SerialFocuser]:
        """Open the focuser for something else than a run; fails while the port holds it."""
        return self._inner.focuser_alone()

    def temperature_c(self) -> float:
        """Read the temperature while no run is on; by the port's focuser where that is the thermometer."""
        table = self._config.thermometer
        with self._mutex:
            if self._focuser is not None and (table is None or table.kind == "focuser"):
                return FocuserSource(self._focuser.temperature_c).read_c()
        return self._inner.temperature_c()

    def close(self) -> None:
        """Halt what the port moves, take the port away, and let go of everything."""
        with self._mutex:
            self._closed = True
            if self._port is not None:
                self._port.close()
                self._port = None
            self._let_go()
        self._inner.close()

    def _take(self) -> None:
        profile = ProfileStore(self._state).latest()
        if profile is None:
            raise PortRefused("there is no profile yet; the port opens after the first run that gives one")
        approach = approach_from(profile, self._config, simulated=self.simulated)
        focuser = self._held.enter_context(self._inner.focuser_alone())
        self._held.callback(quietly, focuser.restore_compensation, "compensation_not_restored")
        focuser.suspend_compensation()
        self._thermometer = MedianThermometer(FocuserSource(focuser.temperature_c), focuser.clock)
        self._shift = shift = self._shift_by(profile)
        rules = PortRules(approach, port_limits(self._config), shift_steps=shift.steps)
        self._focuser = focuser
        if self._port is not None:
            self._port.take_back(focuser, rules)
            return
        port = build_port(self._config, focuser, rules, lambda sentence: log.info("port", what=sentence))
        port.start()
        self._port = port
        log.info("port_offered", address=port.address, overshoot_steps=approach.overshoot_steps)

    def _shift_by(self, profile: Profile) -> Shift:
        """Return the shift that was last asked for, by a profile that may be a new one."""
        shift = Shift(profile)
        if self._temperature:
            shift.follow(self._thermometer)
            shift.steps()  # takes the temperature of the opening
        shift.set_filter(self._filter)
        return shift

    def _let_go(self) -> None:
        self._focuser = None
        self._held.close()
