"""The simulated rig as one thing that time passes over: motor, gears, wheel, weather, star and shutter.

Virtual time moves only in ``advance``. A shot records what the light met while the shutter was open; its
rendering needs nothing else, so that it can happen elsewhere while the world stands still.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.controllers import TURNING, FocuserController, WheelController
from drivers.simulated.mechanics import FocusTrain
from drivers.simulated.parameters import Rig
from drivers.simulated.sky import WAVEFRONTS

_SLICE_S = 5.0
_WEATHER_STEP_S = 20.0


@dataclass(slots=True)
class SkyFaults:
    """What is wrong above the rig, and in its thermometer, at the moment."""

    transparency: float = 1.0
    star_lost: bool = False
    probe_missing: bool = False
    probe_frozen_c: float | None = None
    dew_since_s: float | None = None
    dew_per_h: float = 0.0

    def dew(self, time_s: float) -> tuple[float, float]:
        """Return the share of the light that dew lets through, and how much wider the star has become."""
        if self.dew_since_s is None:
            return 1.0, 1.0
        grown = self.dew_per_h * (time_s - self.dew_since_s) / 3600.0
        return math.exp(-grown), 1.0 + 0.5 * grown


@dataclass(frozen=True, slots=True)
class Shot:
    """One exposure as the light met it; ``filter_name`` None means that no filter was in the beam."""

    number: int
    exposure_s: float
    began_s: float
    filter_name: str | None
    asked_filter: str | None
    places_steps: tuple[float, ...]
    tube_c: float
    fried_mm: float
    mask_on: bool
    mask_turned_deg: float
    transparency: float
    count: int
    probe_c: float | None


class World:
    """One rig under one night; everything that the outside can touch is a controller or a fault."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.time_s = 0.0
        self.mask_on = True
        self.mask_turned_deg = 0.0
        self.faults = SkyFaults()
        self._motor_steps = float(rig.motor.outward * rig.motor.start_count)
        self._due: list[tuple[float, Callable[[], None]]] = []
        self.train = FocusTrain(rig.train, self._motor_steps, slack_share=rig.motor.start_slack)
        self.focuser = FocuserController(
            lowest=rig.motor.lowest,
            highest=rig.motor.highest,
            speed_steps_per_s=rig.motor.speed_steps_per_s,
            count=float(rig.motor.start_count),
            turned=self._shaft_turned,
            probe=self.probe_c,
            take_up=rig.motor.take_up,
        )
        self.wheel = WheelController(slots=len(rig.filters))

    def advance(self, seconds: float) -> None:
        """Let virtual time pass."""
        left = seconds
        while left > 0.0:
            part = min(left, _SLICE_S) if self.focuser.follow or self.focuser.state == TURNING else left
            self.time_s += part
            self.focuser.advance(part)
            self.wheel.advance(part)
            if self.focuser.state != TURNING:
                self.train.rest(part)
            left -= part
            if self._due:
                self._bring_about()

    def later(self, seconds: float, action: Callable[[], None]) -> None:
        """Have something happen after so much virtual time."""
        self._due.append((self.time_s + seconds, action))

    def _bring_about(self) -> None:
        """Do what has come due."""
        due = [one for one in self._due if one[0] <= self.time_s]
        self._due = [one for one in self._due if one[0] > self.time_s]
        for _, action in due:
            action()

    def probe_c(self) -> float | None:
        """Return what the focuser's probe tells, None when it is missing."""
        if self.faults.probe_missing or not self.rig.motor.has_probe:
            return None
        if self.faults.probe_frozen_c is not None:
            return self.faults.probe_frozen_c
        return self.rig.weather.probe_c(self.time_s)

    def filter_in_beam(self) -> str | None:
        """Return the filter's name, None while the wheel is on no slot."""
        slot = self.wheel.slot
        return None if slot is None else self.rig.filters[slot].band.name

    def shot(
        self, number: int, exposure_s: float, asked_filter: str | None, began_s: float
    ) -> ShotInProgress:
        """Open the shutter now."""
        return ShotInProgress(self, number, exposure_s, asked_filter, began_s)

    def weather_time_s(self, number: int, time_s: float) -> float:
        """Return the moment whose weather applies: by the clock, or by the exposure's number."""
        return _WEATHER_STEP_S * number if self.rig.weather_by_number else time_s

    def _shaft_turned(self, steps: float) -> None:
        self._motor_steps += self.rig.motor.outward * steps
        self.train.turn_to(self._motor_steps)


class ShotInProgress:
    """An open shutter: the drawtube's place is noted in the middle of each wavefront's share."""

    def __init__(
        self, world: World, number: int, exposure_s: float, asked_filter: str | None, began_s: float
    ) -> None:
        self._world = world
        self._number, self._exposure_s, self._asked = number, exposure_s, asked_filter
        self._began_s = began_s
        self._places: list[float] = []
        self._filters: set[str | None] = set()
        self._count = world.focuser.position
        self._probe_c = world.probe_c()

    def moments(self) -> list[float]:
        """Return the virtual times at which ``note`` is due."""
        share = self._exposure_s / WAVEFRONTS
        return [self._began_s + share * (index + 0.5) for index in range(WAVEFRONTS)]

    def note(self) -> None:
        """Note where the drawtube stands and which filter is in the beam."""
        self._places.append(self._world.train.place_steps)
        self._filters.add(self._world.filter_in_beam())

    def close(self) -> Shot:
        """Close the shutter and return the shot."""
        world, rig = self._world, self._world.rig
        when = world.weather_time_s(self._number, self._began_s + self._exposure_s / 2.0)
        faults = world.faults
        passed, wider = faults.dew(world.time_s)
        return Shot(
            number=self._number,
            exposure_s=self._exposure_s,
            began_s=self._began_s,
            filter_name=next(iter(self._filters)) if len(self._filters) == 1 else None,
            asked_filter=self._asked,
            places_steps=tuple(self._places),
            tube_c=rig.weather.tube_c(when),
            fried_mm=rig.weather.fried_mm(when) / wider,
            mask_on=world.mask_on,
            mask_turned_deg=world.mask_turned_deg,
            transparency=0.0 if faults.star_lost else faults.transparency * passed,
            count=self._count,
            probe_c=self._probe_c,
        )


def defocus_um(rig: Rig, shot: Shot) -> list[float]:
    """Return the sensor against the band's mean focus for each wavefront; no filter means no light either."""
    if shot.filter_name is None or not shot.places_steps:
        return [math.nan]
    return [rig.defocus_um(place, shot.filter_name, shot.tube_c) for place in shot.places_steps]
