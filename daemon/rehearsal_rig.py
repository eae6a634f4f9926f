"""The simulated rig as the conductor's hands: real serial drivers over its pseudo-terminals."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from daemon.assembly import described, exposure_rule, play_bound_steps, soft_limits
from daemon.eyes import Eye, FrameEye
from daemon.performer import Ask, Condition, Fitter, Hands
from daemon.rig_eyes import SurrogateEye, expose_on
from daemon.worker import Worker
from drivers import description
from drivers.filter_wheel import SerialFilterWheel
from drivers.focuser import SerialFocuser
from drivers.framing import BinaryFraming
from drivers.thermometer import FocuserSource, MedianThermometer

if TYPE_CHECKING:
    import threading
    from collections.abc import Sequence

    from daemon.config import Config
    from drivers.simulated.client import RunningRig
    from routines.observations import Move, Observation
    from routines.steps import Estimated

FIT_WITHIN_S = 120.0


class RigMismatch(Exception):
    """The config does not describe the simulated rig that it names."""


def rig_name_of(config: Config) -> str:
    """Return the simulated rig's name, or the path of its file."""
    name = config.simulated.rig if config.simulated is not None else "built-in"
    return str(config.resolve(name)) if name.endswith(".toml") else name


def protocol_of(config: Config) -> str:
    """Return which of the rig's two protocols the config's description speaks."""
    named = config.focuser.description
    if named is None:
        return "words"
    framing = description.load(described(config, named)).framing
    return "frames" if isinstance(framing, BinaryFraming) else "words"


def descriptions_of(config: Config) -> tuple[str, str]:
    """Return the descriptions that focuser and wheel are spoken to by: the config's, or the built-in ones."""
    protocol, focuser, wheel = protocol_of(config), config.focuser.description, config.wheel
    return (
        f"focuser_{protocol}" if focuser is None else described(config, focuser),
        f"wheel_{protocol}" if wheel is None else described(config, wheel.description),
    )


def require_match(config: Config, rig: RunningRig) -> None:
    """Raise `RigMismatch` unless the config's filters are the rig's."""
    unknown = sorted(set(config.filter_names) - set(rig.filters))
    if unknown:
        raise RigMismatch(
            f"the simulated rig has the filters {', '.join(rig.filters)}, but the config also names "
            f"{', '.join(unknown)}. Rename them, or choose another rig under [simulated]."
        )


def fitter_on(worker: Worker) -> Fitter:
    """Return the fit as a job of the worker."""

    def fit(
        observations: Sequence[Observation], moves: Sequence[Move], stop: threading.Event, ask: Ask | None
    ) -> Estimated:
        answer: Estimated = worker.call(
            "estimate", tuple(observations), tuple(moves), ask, deadline_s=FIT_WITHIN_S, stop=stop
        )
        return answer

    return fit


def mask_conditions(rig: RunningRig) -> dict[str, Condition]:
    """Return the conditions as the rig answers them: its mask goes on and off when it is told."""

    def put(on: bool) -> Condition:
        def condition(at_most_s: float, stop: threading.Event) -> float:
            rig.put_mask(on=on)
            return 0.0

        return condition

    return {"mask_on": put(True), "mask_off": put(False)}


@contextlib.contextmanager
def hands_on(rig: RunningRig, config: Config, worker: Worker, *, surrogate: bool) -> Iterator[Hands]:
    """Connect to the rig's focuser and wheel over their lines, and let go of them afterwards."""
    require_match(config, rig)
    (focuser_speaks, wheel_speaks), limits = descriptions_of(config), soft_limits(config)
    slots = {name: rig.filters.index(name) + rig.first_slot for name in config.filter_names}
    tolerance = round(config.focuser.tolerance_steps)
    with contextlib.ExitStack() as stack:
        focuser = SerialFocuser.connect(
            focuser_speaks, rig.focuser_port, limits, clock=rig.clock, tolerance_steps=tolerance
        )
        stack.callback(focuser.close)
        wheel = SerialFilterWheel.connect(wheel_speaks, rig.wheel_port, slots, clock=rig.clock)
        stack.callback(wheel.close)
        eye: Eye = SurrogateEye(rig.camera) if surrogate else FrameEye(partial(expose_on, rig.camera), worker)
        yield Hands(
            focuser=focuser,
            wheel=wheel,
            thermometer=MedianThermometer(FocuserSource(focuser.temperature_c), rig.clock),
            eye=eye,
            fitter=fitter_on(worker),
            clock=rig.clock,
            outward=config.focuser.outward,
            limits_counts=(limits.lowest_steps, limits.highest_steps),
            exposures_s={item.name: item.exposure_s for item in config.filters},
            conditions=mask_conditions(rig),
            tolerance_steps=float(tolerance),
            exposures=exposure_rule(config),
            play_bound_steps=play_bound_steps(config),
            foresee=partial(worker.mention, "prepare"),
        )
