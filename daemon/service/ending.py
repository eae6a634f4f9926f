"""How a rig is left after a run: its mask seen gone, the focuser on its final side, where it is wanted.

Nothing here moves after a stop: a person who says stop wants things to stand still. What cannot be done is an
alert, never a reason to lose the run's results.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import structlog

from daemon.assembly import final_side, play_bound_steps
from daemon.conductor import RunEnd
from daemon.eyes import LookRequest, frames_of
from daemon.live import Live
from daemon.performer import GLIMPSES_FROM, Condition, Hands
from daemon.worker import JobAbandoned, WorkerError
from drivers.errors import DeviceError, Stopped
from routines.convention import to_counts, to_science

if TYPE_CHECKING:
    from daemon.config import Config

log = structlog.get_logger(__name__)
_MASK_OFF_WITHIN_S = 900.0
_CHECK_NUMBER = GLIMPSES_FROM + 90_000


@dataclass(frozen=True, slots=True)
class Found:
    """Where the rig stood before the run: position in the controller's counts, filter where known."""

    position_counts: int
    filter: str | None

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form that a run's parameters carry."""
        return {"position_counts": self.position_counts, "filter": self.filter}


def found_now(hands: Hands) -> Found:
    """Return where the rig stands; raises DeviceError when the focuser does not say."""
    name = None
    if hands.wheel is not None:
        try:
            name = hands.wheel.current()
        except DeviceError:
            name = None
    return Found(int(hands.focuser.position_steps()), name)


class Ending:
    """Leaves the rig as the config says, after a run that nobody stopped."""

    def __init__(self, config: Config, hands: Hands, live: Live, stop: threading.Event) -> None:
        self._config, self._hands, self._live, self._stop = config, hands, live, stop
        self._alerts: list[str] = []

    def leave(self, end: RunEnd, found: dict[str, Any] | None, *, masked: bool) -> list[str]:
        """See that the mask is gone, move to where the focuser is wanted, and return the alerts."""
        if end.state == "stopped" or self._stop.is_set():
            return []
        if masked and self._config.hooks.mask != "stays_on" and end.ledger.position_steps is not None:
            self._try("the mask", lambda: self._see_mask_gone(end))
        self._try("the focuser", lambda: self._go_where_wanted(end, found))
        return self._alerts

    def _try(self, what: str, act: Callable[[], None]) -> None:
        try:
            act()
        except (Stopped, JobAbandoned):
            return
        except (DeviceError, WorkerError) as error:
            self._alert(f"{what} could not be left as wanted: {error}")

    def _alert(self, words: str) -> None:
        self._alerts.append(words)
        log.critical("alert", words=words)
        self._live.tell("alert", words=words)

    def _see_mask_gone(self, end: RunEnd) -> None:
        """Have the mask taken off, and look: nobody should image through it for the rest of the night."""
        condition: Condition | None = self._hands.conditions.get("mask_off")
        self._live.update(sentence="The run is over: the mask has to come off.")
        if condition is not None and condition(_MASK_OFF_WITHIN_S, self._stop) is None:
            if not self._stop.is_set():
                self._alert("The mask was not taken off in time: TAKE THE MASK OFF before imaging.")
            return
        if self._stop.is_set():
            return
        flags = self._check_flags(end)
        if "no_mask_pattern" in flags:
            log.info("mask_gone")
        elif {"no_star", "no_signal", "too_faint"} & flags:
            self._alert("No star was seen after the run, so nobody knows whether the MASK IS OFF: check it.")
        else:
            self._alert("THE MASK IS STILL ON: a frame taken after the run shows it. Take it off.")

    def _check_flags(self, end: RunEnd) -> set[str]:
        hands, ledger = self._hands, end.ledger
        name = self._config.reference_filter
        if hands.wheel is not None and ledger.filter != name:
            hands.wheel.select(name, self._stop)
            self._live.update(filter=name)
        request = LookRequest(
            number=_CHECK_NUMBER,
            filter=name,
            exposure_s=hands.exposures_s[name],
            method="mask",
            position_counts=int(hands.focuser.position_steps()),
            temperature_c=None,
            earlier=frames_of(ledger.observations),
            aside=True,
        )
        return set(hands.eye.take(request, self._stop)().flags)

    def _go_where_wanted(self, end: RunEnd, found: dict[str, Any] | None) -> None:
        """Approach the wanted place from the final side, both legs inside the limits."""
        wanted, config = self._config.focuser.leave_at, self._config
        if wanted == "stay" or (wanted == "focus" and end.state == "done"):
            return
        place = self._best_known(end) if wanted == "focus" else None
        if place is None and found is not None:
            place = float(found["position_counts"])
            if found.get("filter") in config.filter_names and self._hands.wheel is not None:
                self._hands.wheel.select(found["filter"], self._stop)
                self._live.update(filter=found["filter"])
        if place is None:
            return
        self._live.update(sentence="Leaving the focuser where it is wanted.")
        self._approach(round(place))

    def _best_known(self, end: RunEnd) -> float | None:
        """Return the reference filter's focus (counts) as the run's last fit knew it."""
        side = "outward" if final_side(self._config) > 0 else "inward"
        known = end.ledger.latest_estimate
        name = f"crossing_{side}_steps.{self._config.reference_filter}"
        entry = None if known is None else known.numbers.get(name)
        if not isinstance(entry, dict) or entry.get("value") is None:
            return None
        return to_counts(float(entry["value"]), self._hands.outward)

    def _approach(self, counts: int) -> None:
        hands = self._hands
        low, high = hands.limits_counts
        target = to_science(counts, hands.outward)
        before = to_counts(target - final_side(self._config) * play_bound_steps(self._config), hands.outward)
        if not low <= counts <= high:
            self._alert(f"the focuser was not moved to {counts}: that lies outside the limits")
            return
        # A place so near a limit that the whole overshoot does not fit gets as much of it as there is.
        hands.focuser.move_to(round(min(max(before, low), high)), self._stop)
        hands.focuser.move_to(counts, self._stop)
        self._live.update(position_counts=int(hands.focuser.position_steps()))
