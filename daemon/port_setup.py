"""From a config and a profile to the compensating port: its rules, its shifts, and the port itself."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import structlog

from daemon.assembly import soft_limits
from daemon.port import CompensatingPort
from daemon.port_rules import PortFocuser, PortRules
from drivers.errors import DeviceError
from drivers.roles import Limits, Thermometer
from drivers.virtual_port import PtyPort, TcpPort, VirtualPort
from routines.compensation import Approach

if TYPE_CHECKING:
    from daemon.config import Config
    from routines.profile import Profile

log = structlog.get_logger(__name__)


class PortRefused(ValueError):
    """The port cannot be offered; the message says what is missing and what to do."""


def approach_from(profile: Profile, config: Config, *, simulated: bool) -> Approach:
    """Return how places are come to; PortRefused when the profile does not tell, or is of another rig."""
    if profile.simulated != simulated:
        places = ("the simulated rig", "hardware")
        made_on, used_on = places if profile.simulated else reversed(places)
        raise PortRefused(f"this profile was made on {made_on}; its numbers mean nothing on {used_on}")
    if profile.outward != config.focuser.outward:
        raise PortRefused(
            f'the profile was made with focuser.outward = "{profile.outward}", the config says '
            f'"{config.focuser.outward}": correct the config, or measure again'
        )
    if profile.overshoot_steps is None:
        reason = profile.reason_for("overshoot_steps") or "it was not measured"
        raise PortRefused(f"the profile does not tell how far to go past a target: {reason}")
    backlash = profile.backlash_steps
    play = 0.0 if backlash is None else backlash.high95 if backlash.value is None else backlash.value
    return Approach(profile.final_sign_counts, profile.overshoot_steps, play)


@dataclass(slots=True)
class Shift:
    """What is added to every asked place: a filter's offset, and the temperature's since the port was opened.

    Asked places are those of the profile's reference filter at the temperature of the opening. What is not
    used is 0; while the thermometer is silent, its last word holds.
    """

    profile: Profile
    thermometer: Thermometer | None = None
    filter_name: str | None = None
    opened_at_c: float | None = None
    _mutex: threading.Lock = field(default_factory=threading.Lock)
    _last_c: float | None = None

    def steps(self) -> int:
        """Return the shift now, in whole steps."""
        with self._mutex:
            return round(self._of_filter() + self._of_temperature())

    def set_filter(self, name: str | None) -> None:
        """Take another filter from now on; PortRefused when its offset is not known."""
        if name is not None:
            entry = self.profile.filter_named(name)
            if entry is None:
                known = ", ".join(item.name for item in self.profile.filters)
                raise PortRefused(f"the profile does not know the filter {name!r}; it knows {known}")
            if entry.offset_steps is None:
                reason = self.profile.reason_for(f"filters.{name}.offset_steps") or "it was not measured"
                raise PortRefused(f"the offset of {name} is not known: {reason}")
        with self._mutex:
            self.filter_name = name

    def follow(self, thermometer: Thermometer | None) -> None:
        """Follow the temperature from now on, or no longer (None); PortRefused when that is not known."""
        if thermometer is not None:
            _require_temperature(self.profile, thermometer)
        with self._mutex:
            self.thermometer, self.opened_at_c, self._last_c = thermometer, None, None

    def _of_filter(self) -> float:
        entry = None if self.filter_name is None else self.profile.filter_named(self.filter_name)
        if entry is None or entry.offset_steps is None:
            return 0.0
        return entry.offset_steps.value or 0.0

    def _of_temperature(self) -> float:
        coefficient = self.profile.temperature_coefficient_steps_per_c
        if self.thermometer is None or coefficient is None or coefficient.value is None:
            return 0.0
        try:
            self._last_c = self.thermometer.read().value_c
        except DeviceError as error:
            log.warning("port_without_temperature", error=str(error))
        if self._last_c is None:
            return 0.0
        if self.opened_at_c is None:
            self.opened_at_c = self._last_c
        return coefficient.value * (self._last_c - self.opened_at_c)


def shift_from(
    profile: Profile, config: Config, thermometer: Thermometer | None, filter_name: str | None
) -> Shift:
    """Return the shift that [port] asks for; PortRefused when the profile cannot give it."""
    table = config.port
    shift = Shift(profile)
    if table is not None and table.temperature:
        _require_temperature(profile, thermometer)
        shift.thermometer = thermometer
        shift.steps()  # takes the temperature of the opening
    if filter_name is not None:
        shift.set_filter(filter_name)
    return shift


def _require_temperature(profile: Profile, thermometer: Thermometer | None) -> None:
    coefficient = profile.temperature_coefficient_steps_per_c
    if coefficient is None or coefficient.value is None:
        reason = profile.reason_for("temperature_coefficient_steps_per_c") or "it was not measured"
        raise PortRefused(
            f"the port cannot follow the temperature: the temperature coefficient is not known: {reason}"
        )
    if thermometer is None:
        raise PortRefused("the port cannot follow the temperature: the config has no [thermometer]")


def port_limits(config: Config) -> Limits:
    """Return the limits of asked places: those of [port], or else those of the focuser."""
    limits, table = soft_limits(config), config.port
    low = None if table is None else table.low_steps
    high = None if table is None else table.high_steps
    return Limits(
        limits.lowest_steps if low is None else round(low),
        limits.highest_steps if high is None else round(high),
    )


def offered(config: Config) -> VirtualPort:
    """Return the virtual port that [port] describes; PortUnavailable when it cannot be made."""
    table = config.port
    if table is None:
        raise PortRefused('the config offers no port; for example: [port] link = "focuser-port"')
    if table.listen is not None:
        host, _, number = table.listen.rpartition(":")
        return TcpPort(host, int(number))
    return PtyPort(config.resolve(table.link or ""))


def build_port(
    config: Config, focuser: PortFocuser, rules: PortRules, tell: Callable[[str], None]
) -> CompensatingPort:
    """Return the port, not yet started; raises PortUnavailable or what the focuser raises."""
    port = offered(config)
    try:
        return CompensatingPort(focuser, port, rules, tell)
    except BaseException:
        port.close()
        raise
