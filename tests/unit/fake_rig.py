"""Devices made of plain attributes, standing in for a rig that outlives the conductor's process."""

from datetime import UTC, datetime, timedelta

import numpy as np

from daemon.conductor import Conductor
from daemon.eyes import Sight
from daemon.gates import Gates
from daemon.journal import Journal
from daemon.performer import Hands
from drivers.errors import LinkLost, Stopped
from drivers.roles import Limits, Reading
from routines.convention import to_science
from routines.observations import INWARD
from routines.quantity import Quantity
from routines.scripts.catalogue import ROUTINES
from routines.scripts.common import TrainFacts
from routines.steps import Estimated

FILTERS = ("Clear", "Red", "Blue")


class SleptClock:
    """Moves on only by sleeping."""

    def __init__(self):
        self.slept_s = 0.0
        self.on_sleep = lambda: None

    def now(self):
        return datetime(2026, 1, 14, 19, tzinfo=UTC) + timedelta(seconds=self.slept_s)

    def monotonic(self):
        return self.slept_s

    def sleep(self, seconds):
        self.slept_s += seconds
        self.on_sleep()


class FakeRig:
    """Focuser, wheel, thermometer and eye in one; counts may fall outward."""

    def __init__(self, outward="rising", play=80.0):
        self.outward, self.play = outward, play
        self.sign = 1 if outward == "rising" else -1
        self.count = self.sign * 5200
        self.tube = 5200.0
        self.filter = None
        self.legs, self.halts, self.exposed = [], 0, []
        self.lost = False
        self.leg_hook = lambda leg: None
        self.read_hook = lambda: None
        self.limits = Limits(*sorted((self.sign * 0, self.sign * 10_000)))
        self.slots = {name: number for number, name in enumerate(FILTERS)}
        self.noise = np.random.default_rng(11).normal(0.0, 0.03, 1000)

    def position_steps(self):
        self._require_link()
        return self.count

    def move_to(self, target_steps, stop=None):
        self._require_link()
        if stop is not None and stop.is_set():
            raise Stopped("stopped before moving")
        self.leg_hook(target_steps)
        self.legs.append(target_steps)
        self.count = target_steps
        motor = to_science(target_steps, self.outward)
        self.tube = min(max(self.tube, motor - self.play), motor)
        return self.count

    def halt(self):
        self.halts += 1

    def temperature_c(self):
        return None

    def close(self):
        pass

    def select(self, name, stop=None):
        self.filter = name

    def current(self):
        return self.filter

    def read(self):
        return Reading(8.0, 1.0)

    def take(self, request, stop):
        if stop.is_set():
            raise Stopped("stopped while exposing")
        self.exposed.append(request.number)
        focus = 5000.0 + {"Clear": 0.0, "Red": 20.0, "Blue": -25.0}[request.filter]
        sight = Sight(0.05 * (self.tube - focus) + self.noise[request.number], 0.03)
        return lambda: self.read_hook() or sight

    def _require_link(self):
        if self.lost:
            raise LinkLost("the focuser's cable is gone")


def fitted(observations, moves, stop, ask=None):
    """Stand in for the fit: numbers that depend on every look, so that a difference would show."""
    total = sum(seen.value_px or 0.0 for seen in observations)
    return Estimated(
        {
            "backlash_steps": Quantity.gaussian(80.0 + 1e-3 * total, 2.0).as_dict(),
            "crossing_inward_steps.Clear": Quantity.gaussian(5000.0, 1.0).as_dict(),
        }
    )


def facts(start=5200.0):
    return TrainFacts(
        start_position_steps=start,
        low_limit_steps=0.0,
        high_limit_steps=10_000.0,
        play_bound_steps=200.0,
        final_side=INWARD,
        filters=FILTERS,
        reference_filter="Clear",
        reach_px=2.0,
        expected_slope_px_per_step=0.05,
    )


def hands_of(rig, clock=None, **changes):
    values = {
        "focuser": rig,
        "wheel": rig,
        "thermometer": rig,
        "eye": rig,
        "fitter": fitted,
        "clock": clock or SleptClock(),
        "outward": rig.outward,
        "limits_counts": (rig.limits.lowest_steps, rig.limits.highest_steps),
        "exposures_s": dict.fromkeys(FILTERS, 2.0),
        "conditions": {"mask_on": lambda at_most_s, stop: 0.0},
    }
    return Hands(**(values | changes))


def conductor_of(journal, rig, *, gates=(), faults=None, **changes):
    return Conductor(journal, hands_of(rig, **changes), Gates(gates), faults=faults)


def begin(conductor, name="characterise", config_hash="0"):
    routine = ROUTINES[name]
    return conductor.begin(routine, facts(), routine.parameters(), config_hash)


def opened(folder):
    return Journal.open(folder / "journal.sqlite3")
