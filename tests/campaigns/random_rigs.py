"""Random rigs and sweeps with known truth, made from the mechanics alone.

The drawtube here is several hundred separate plays, each pushed along by the motor move by move; nothing is
shared with the estimator but the records it reads. Every number is drawn from the generator passed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from daemon.assembly import LAG_U_S
from routines.observations import Move, Observation

PLAYS = 300
# A tube that has not had the time to follow its thermometer tells nothing of its own temperature.
LEAST_LAGS = 3.0


class Drawtube:
    """Many elementary plays between the motor and the sensor; each follows only when pushed."""

    def __init__(self, backlash: float, transition: float, start: float, rng: np.random.Generator) -> None:
        low, high = backlash - 0.5 * transition, backlash + 0.5 * transition
        self.plays = low + (high - low) * (np.arange(PLAYS) + 0.5) / PLAYS
        self.motor = start
        self.tubes = start - self.plays * rng.uniform()

    def go(self, target: float) -> None:
        """Push every play to where the motor's move takes it."""
        self.motor = target
        self.tubes = np.clip(self.tubes, target - self.plays, target)

    @property
    def place(self) -> float:
        """Where the sensor is."""
        return float(np.mean(self.tubes))

    @property
    def engaged(self) -> int:
        """+1 or -1 when every play is pushed outward or inward, else 0."""
        if np.all(self.tubes <= self.motor - self.plays + 1e-9):
            return 1
        return -1 if np.all(self.tubes >= self.motor - 1e-9) else 0


class Follower:
    """A body that follows the air's temperature by Newton's law of cooling, asked at times that never fall.

    The air changed before the night as it does when the night begins, and the body has followed it since; or
    both stood still till then.
    """

    def __init__(self, air: Callable[[float], float], lag_s: float, *, stood_still: bool) -> None:
        self.air, self.lag_s = air, lag_s
        self.time, self.air_was = 0.0, air(0.0)
        self.own = self.air_was - (0.0 if stood_still else lag_s * (air(1.0) - air(0.0)))

    def at(self, time: float) -> float:
        """Return the body's temperature; between two questions the air's changes evenly."""
        now, gone = self.air(time), time - self.time
        if self.lag_s == 0.0 or gone == 0.0:
            return now if self.lag_s == 0.0 else self.own
        behind = self.lag_s * (now - self.air_was) / gone
        kept = float(np.exp(-gone / self.lag_s))
        self.own = now - behind + (self.own - self.air_was + behind) * kept
        self.time, self.air_was = time, now
        return self.own


@dataclass
class Truth:
    """What the estimates are judged by."""

    backlash: float
    transition: float
    slope: float
    slope_of: dict[str, float]
    crossing: dict[str, float]
    alpha: float
    alpha_matters: bool
    identifiable: bool
    noise_steps: float
    outliers: set[int] = field(default_factory=set)


@dataclass
class Night:
    """One recorded table with its truth; ``moves`` is None where nobody wrote them down."""

    observations: list[Observation]
    moves: list[Move] | None
    truth: Truth
    filters: tuple[str, ...]
    alpha_prior: float


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


@dataclass
class Wrongs:
    """Ways in which the world may differ from the model on purpose.

    A drawtube slips where it lifts its load: a share of all outward travel is lost, seen or unseen. Or it
    loses steps at the beginning of each pass, always the same way. A lag is the thermometer's behind the
    tube, or where it is negative the tube's behind the thermometer; nothing changed until the night began.
    """

    asymmetry: float = 0.0
    slope_spread: float = 0.0
    heavy_tails: bool = False
    lag_s: float = 0.0
    slip_share: float = 0.0
    slip_steps_per_pass: float = 0.0


def random_night(
    seed: int,
    wrongs: Wrongs | None = None,
    *,
    rows_wanted: int | None = None,
    filters_wanted: int | None = None,
) -> Night:
    """Draw a rig, a habit of sweeping and a night, and return what would be recorded."""
    return _Night(np.random.default_rng(seed), wrongs or Wrongs(), rows_wanted, filters_wanted).record()


class _Night:
    def __init__(
        self,
        rng: np.random.Generator,
        wrongs: Wrongs,
        rows_wanted: int | None,
        filters_wanted: int | None = None,
    ) -> None:
        self.rng, self.wrongs = rng, wrongs
        self.backlash = float(rng.uniform(10.0, 250.0))
        self.transition = float(min(rng.uniform(0.0, 30.0), 2.0 * self.backlash))
        self.step_um = log_uniform(rng, 0.1, 15.0)
        self.slope = float(rng.choice([-1.0, 1.0])) * self.step_um * log_uniform(rng, 0.02, 0.2)
        self.noise = log_uniform(rng, 0.2, 8.0)
        count = int(rng.integers(1, 6))
        self.filters = tuple("LRGBHSO"[: filters_wanted or count])
        self.crossing = {name: float(rng.normal(0.0, 40.0)) + 5000.0 for name in self.filters}
        self.slope_of = {n: self.slope * (1.0 + wrongs.slope_spread * rng.normal()) for n in self.filters}
        self.alpha = float(rng.choice([-1.0, 1.0])) * log_uniform(rng, 5.0, 60.0) / self.step_um
        self.drift_c = self._drift()
        # As far as the program believes that tube and thermometer may be behind each other, either way. From
        # a generator of its own, so that all else is drawn alike whatever the lag.
        self.lag_s = wrongs.lag_s or LAG_U_S * float(rng.spawn(1)[0].normal())
        self.time = 0.0
        self.cadence = float(rng.uniform(5.0, 40.0))
        self.tube = Drawtube(self.backlash, self.transition, 5000.0 + float(rng.normal(0, 300)), rng)
        self.rows: list[dict[str, float | str]] = []
        self.moves: list[Move] = []
        self.engaged: dict[tuple[int, str, int], int] = {}
        self.rows_wanted = rows_wanted
        self.slipped = 0.0
        self.slips: list[float] = []
        self.gone, self.begun = 0.0, 0.0
        self.travel: list[float] = []
        self.since_turn = 0.0

    def _drift(self) -> float:
        if self.rng.uniform() < 0.25:
            return 0.0
        most = min(3.0, 60.0 / abs(self.alpha))
        return float(self.rng.choice([-1.0, 1.0])) * most * float(self.rng.uniform(0.1, 1.0))

    def warmth(self, time: float) -> float:
        """The air's temperature above 10 deg C; the whole night lasts one unit of ``self.length``."""
        part = time / self.length
        return self.drift_c * (part + 0.15 * np.sin(3.0 * part))

    def go(self, target: float) -> None:
        self.moves.append(Move(len(self.rows), target))
        ahead = target - self.tube.motor
        self.since_turn = ahead if ahead * self.since_turn < 0.0 else self.since_turn + ahead
        self.gone += abs(ahead)
        self.slipped -= self.wrongs.slip_share * max(ahead, 0.0)
        self.tube.go(target)

    def rounded_corner(self) -> float:
        """How far the drawtube hangs back where the play ends, inward only, when play is asymmetric."""
        away = abs(abs(self.since_turn) - self.backlash) / (0.5 * self.backlash)
        return self.wrongs.asymmetry * max(0.0, 1.0 - away) if self.since_turn < 0.0 else 0.0

    def record(self) -> Night:
        plan = self._plan()
        self.length = max(1.0, sum(len(p) * len(f) for p, f in plan)) * self.cadence
        stood_still = self.wrongs.lag_s != 0.0
        self.tube_warmth = Follower(self.warmth, max(-self.lag_s, 0.0), stood_still=stood_still)
        self.shown_warmth = Follower(self.warmth, max(self.lag_s, 0.0), stood_still=stood_still)
        for _ in range(int(self.rng.integers(0, 4))):
            self.tube.go(self.tube.motor + float(self.rng.normal(0.0, 150.0)))
        self.begun = self.tube.motor
        for which, (positions, filters) in enumerate(plan):
            self._unseen(positions)
            self.slipped += self.wrongs.slip_steps_per_pass
            for position in positions:
                self.go(position)
                for name in filters:
                    self._look(name, which)
        return self._written()

    def _plan(self) -> list[tuple[np.ndarray, tuple[str, ...]]]:
        """Passes of positions, each with the filters looked through at every position."""
        rng = self.rng
        middle = 5000.0 + 0.5 * self.backlash + float(rng.normal(0.0, 20.0))
        half = float(rng.uniform(0.8, 1.6)) * self.backlash + float(rng.uniform(60.0, 200.0))
        step = max(1.0, round(2.0 * half / float(rng.uniform(7.0, 24.0))))
        if self.rows_wanted:
            step = max(0.25, 2.0 * half * 4 * len(self.filters) / self.rows_wanted)
        groups = [self.filters] if rng.uniform() < 0.7 else [(name,) for name in self.filters]
        side = int(rng.choice([-1, 1]))
        passes = int(rng.integers(2, 6)) if len(groups) == 1 else int(rng.integers(2, 4))
        if self.rows_wanted:
            groups, passes = [self.filters], 4
        plan = []
        for filters in groups:
            for _ in range(passes):
                low, high = middle - half + rng.normal(0, 10), middle + half + rng.normal(0, 10)
                positions = np.round(np.arange(low, high, step))
                plan.append((positions if side > 0 else positions[::-1], filters))
                side = -side if rng.uniform() < 0.9 else side
        return plan

    def _unseen(self, positions: np.ndarray) -> None:
        """What people do between passes without writing it down."""
        story = self.rng.uniform()
        side = 1.0 if positions[-1] > positions[0] else -1.0
        if story < 0.4:
            return
        reach = 3.0 * self.backlash if story < 0.7 else float(self.rng.uniform(0.0, 1.5)) * self.backlash
        self.go(positions[0] - side * reach)

    def _look(self, name: str, which: int) -> None:
        self.time += self.cadence
        warmth = self.tube_warmth.at(self.time)
        place = self.tube.place + self.slipped - self.rounded_corner()
        value = self.slope_of[name] * (place - self.crossing[name] - self.alpha * warmth)
        self.slips.append(self.slipped)
        self.travel.append(self.gone)
        if self.tube.engaged:
            key = (self.tube.engaged, name, which)
            self.engaged[key] = self.engaged.get(key, 0) + 1
        shown = self.shown_warmth.at(self.time)
        row = {"position": self.tube.motor, "value": value, "warmth": warmth, "shown": shown}
        self.rows.append({"filter": name, "time": self.time, **row})

    def _written(self) -> Night:
        rng, count = self.rng, len(self.rows)
        own = self.noise * rng.uniform(0.7, 1.4, count)
        beyond = self.noise * float(rng.uniform(0.0, 1.0)) * float(rng.uniform() < 0.5)
        scale = {name: float(np.exp(0.2 * rng.normal())) for name in self.filters}
        spread = np.array(
            [np.hypot(own[k], beyond * scale[str(r["filter"])]) for k, r in enumerate(self.rows)]
        )
        noise = rng.standard_t(3.0, count) / 1.5 if self.wrongs.heavy_tails else rng.normal(size=count)
        value = np.array([r["value"] for r in self.rows]) + abs(self.slope) * spread * noise
        share = float(rng.uniform(0.0, 0.05)) * float(rng.uniform() < 0.5)
        bad = np.flatnonzero(rng.uniform(size=count) < share)
        for k in bad:
            value[k] += (
                abs(self.slope) * spread[k] * float(rng.choice([-1, 1])) * log_uniform(rng, 5.0, 1000.0)
            )
        shown = np.array([r["shown"] for r in self.rows])
        reading = np.round((10.0 + shown + rng.normal(0, 0.03, count)) / 0.0625) * 0.0625
        told = rng.uniform() < 0.5
        kept = rng.uniform(size=count) > (0.1 if rng.uniform() < 0.5 else 0.0)
        # A reading may be off by a constant (its steps, or behind a steady change): crossings hold at the
        # temperature as it is read. And with a zero that moves, a crossing can only be that of the middle of
        # the looks.
        behind = float(np.mean((reading - 10.0 - np.array([float(r["warmth"]) for r in self.rows]))[kept]))
        moved = self.alpha * behind + self._slipped_by_the_middle(kept)
        self.crossing = {name: (c - moved) / self.stretch for name, c in self.crossing.items()}
        looks = [
            Observation(
                number=k,
                filter=str(r["filter"]),
                position_steps=float(r["position"]),
                value_px=float(value[k]),
                u_px=float(abs(self.slope) * own[k]) if told else None,
                temperature_c=float(reading[k]),
                time_s=float(r["time"]),
            )
            for k, r in enumerate(self.rows)
            if kept[k]
        ]
        moves = self.moves if rng.uniform() < 0.3 else None
        return Night(looks, moves, self._truth(set(bad.tolist())), self.filters, 40.0 / self.step_um)

    @property
    def stretch(self) -> float:
        """How far the drawtube goes for a step of the motor, on the average of both ways."""
        return 1.0 - 0.5 * self.wrongs.slip_share

    def _slipped_by_the_middle(self, kept: npt.NDArray[np.bool_]) -> float:
        """By how much (steps) the zero had moved in the middle of the looks.

        What is lost of the outward travel alone is half of it lost of all travel, and half of it slope.
        """
        if not self.wrongs.slip_share:
            return float(np.mean(np.array(self.slips)[kept]))
        return 0.5 * self.wrongs.slip_share * (self.begun - float(np.mean(np.array(self.travel)[kept])))

    def _truth(self, outliers: set[int]) -> Truth:
        # Some filter must have been seen past all the play at four places of a pass, each way.
        well_seen = {(side, name) for (side, name, _), looks in self.engaged.items() if looks >= 4}
        both_ways = any({(1, name), (-1, name)} <= well_seen for name in self.filters)
        # A steady drift against noise: u is noise / (drift * sqrt(n / 12)); thrice that for the rest. And
        # where it is not steady, a lag would pass for some of it.
        best_u = 3.0 * self.noise / max(abs(self.drift_c) * np.sqrt(len(self.rows) / 12.0), 1e-9)
        best_u = float(np.hypot(best_u, self._moved_by_lag()))
        return Truth(
            backlash=self.backlash / self.stretch,
            transition=self.transition / self.stretch,
            slope=float(np.mean(list(self.slope_of.values()))) * self.stretch,
            slope_of={name: slope * self.stretch for name, slope in self.slope_of.items()},
            crossing=self.crossing,
            alpha=self.alpha / self.stretch,
            alpha_matters=abs(self.drift_c) > 0.5
            and self.time > LEAST_LAGS * LAG_U_S
            and best_u < 0.2 * 40.0 / self.step_um,
            identifiable=both_ways,
            noise_steps=self.noise,
            outliers=outliers,
        )

    def _moved_by_lag(self) -> float:
        """By how much (steps per deg C) a lag as believed changes the coefficient that looks show."""
        if self.drift_c == 0.0:
            return 0.0
        warmth = np.array([self.warmth(float(row["time"])) for row in self.rows])
        rate = np.gradient(warmth, self.cadence)
        part = float(np.sum((warmth - warmth.mean()) * rate) / np.sum((warmth - warmth.mean()) ** 2))
        return abs(self.alpha * part) * LAG_U_S
