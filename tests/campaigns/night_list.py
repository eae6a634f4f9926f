"""The nights that the campaigns live through: those that have fooled people, by name, and random ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from daemon.config.tables import DewTable, GatesTable, SiteTable, StarGate, SunGate, TemperatureGate
from daemon.rehearse import default_config
from drivers.simulated.client import RunningRig
from drivers.simulated.parameters import load_rig
from routines.scripts.adaptive import Targets
from routines.scripts.characterise import Characterise
from routines.sun import sun_altitude_deg

FILTERS = ("L", "R", "G", "B", "Ha", "SII", "OIII")
# What an owner who sets gates would set; the rest of them never opens or shuts in half an hour.
GATES = GatesTable(
    temperature=TemperatureGate(trip_c_per_h=4.0, resume_c_per_h=2.0, when_fast="choose"),
    star=StarGate(trip_share=0.4, resume_share=0.6, longest_hold_s=900.0),
    dew=DewTable(over_s=300.0),
)
LATITUDE_DEG = 47.0


@dataclass(frozen=True)
class Trouble:
    """Something that goes wrong once so many looks were taken; "mask" puts it on turned, or off.

    "mask forgotten" is off from the start, and whoever is asked says that it is on.
    """

    kind: str
    facts: dict[str, Any] = field(default_factory=dict)
    after_looks: int = 0

    def bring(self, rig: RunningRig) -> None:
        """Bring it about."""
        if self.kind.startswith("mask"):
            rig.put_mask(**({"on": False} | self.facts))
        else:
            rig.fault(self.kind, **self.facts)


@dataclass(frozen=True)
class Night:
    """One night: a rig file, the seed that draws the rest, the filters, and what goes wrong.

    ``dawn_after_s`` is when the Sun comes too high; ``how`` are the routine's parameters; ``knows_step`` says
    whether the owner knows how far a step moves the sensor; ``exposure_s`` takes the config's place, for a
    night that lasts.
    """

    name: str
    rig: str
    seed: int
    filters: tuple[str, ...] = FILTERS
    troubles: tuple[Trouble, ...] = ()
    reflector: bool = False
    taken_up_steps: float = 0.0
    gates: GatesTable | None = None
    dawn_after_s: float | None = None
    how: Any = None
    knows_step: bool = True
    exposure_s: float | None = None

    @property
    def quiet(self) -> bool:
        """Tell whether nothing is injected: then every number should be there."""
        return not self.troubles and self.dawn_after_s is None


def hard_nights() -> list[Night]:
    """Return those that have fooled people, by name; the numbers are our own."""
    cooling = (
        "[stars]\nstar_rate = 300\n[weather]\nwaves = []\nmean_c = 2.0\ndrop_c = 22.0\ndrop_s = 39600.0\n"
    )
    few, all_three = ("L", "R"), ("L", "R", "Ha")
    half_a_turn = Trouble("mask", {"on": True, "turned_deg": 180.0}, 8)
    # Targets that nothing misses: each filter once on either side, and no look more.
    one_pass = Characterise(targets=Targets(500.0, 500.0))
    return [
        Night("locked drawtube, running counter", "", 41, few, (Trouble("locked_drawtube"),)),
        Night("mask refitted half a turn", "", 42, few, (half_a_turn,)),
        Night("gravity preloads the train", "[train]\npreload = 0.7\ncreep_steps_per_s = 0.02\n", 43, few),
        Night("2 C/h cooling, one pass each way", cooling, 44, all_three, how=one_pass,
              exposure_s=60.0),
        Night("slow slip", "[train]\nslip = 0.004\n", 45, few),
        Night("controller that compensates secretly", "[motor]\ntake_up = 80\n", 46, few,
              taken_up_steps=80.0),
        Night("3 nm filter, poor seeing, companion",
              "[weather]\nseeing_fwhm_arcsec = 4.5\n[stars]\ncompanion_ratio = 0.3\n"
              "[filters.Ha.band]\nwidth_nm = 3.0\n",
              47, ("L", "Ha")),
        Night("brown-out in an approach", "", 48, few, (Trouble("reset", {}, 9),)),
        Night("obstructed, far off, mask forgotten", "[motor]\nstart_count = 14500\n", 49, few,
              (Trouble("mask forgotten"),), reflector=True),
        Night("dew falls on the lens", "", 50, FILTERS, (Trouble("dew", {"per_h": 4.0}, 8),), gates=GATES,
              exposure_s=12.0),
        Night("the star sets", "", 51, few, (Trouble("star_lost", {}, 10),)),
        Night("dawn in mid-run", "", 52, all_three, dawn_after_s=90.0, gates=GATES),
        Night("meridian: the star is gone for four minutes", "", 53, few,
              (Trouble("star_lost", {"seconds": 240.0}, 10),), gates=GATES),
    ]  # fmt: skip


TROUBLES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("silent", {}), ("half", {}), ("bad_end", {}), ("garbage_inside", {}), ("doubled", {"count": 2}),
    ("corrupt", {"rate": 0.0005}), ("reset", {}), ("stuck_motor", {}), ("locked_drawtube", {}),
    ("slip", {"share": 0.01}), ("wheel_misses", {}), ("cloud", {"transparency": 0.2}),
    ("cloud", {"transparency": 0.1, "seconds": 120.0}), ("star_lost", {}), ("star_lost", {"seconds": 90.0}),
    ("probe_frozen", {}), ("probe_missing", {}), ("loose_coupling", {}), ("dew", {"per_h": 5.0}),
    ("mask", {"on": True, "turned_deg": 180.0}), ("mask", {"on": False}), ("mask forgotten", {}),
)  # fmt: skip


def random_night(rng: np.random.Generator, number: int) -> Night:
    """Draw a night: a good share of them quiet, half of them with gates."""
    reflector = bool(rng.random() < 0.5)
    filters = ("L", *(name for name in FILTERS[1:] if rng.random() < 0.4))
    exposure_s = float(rng.choice([2.0, 2.0, 8.0, 30.0]))
    rig = (
        f"[weather]\nseeing_fwhm_arcsec = {rng.uniform(1.5, 4.2):.2f}\n"
        f"drop_c = {rng.uniform(-2.0, 6.0):.2f}\n"
        f"[train]\npreload = {rng.choice([0.0, 0.0, 0.0, rng.uniform(0.1, 0.7)]):.3f}\n"
        f"[stars]\nstar_rate = {18_000.0 / exposure_s * np.exp(rng.normal(0.0, 0.5)):.0f}\n"
    )
    troubles = ()
    if rng.random() < 0.4:
        kind, facts = TROUBLES[int(rng.integers(len(TROUBLES)))]
        troubles = (Trouble(kind, facts, 0 if kind == "mask forgotten" else int(rng.integers(0, 20))),)
    name = "quiet" if not troubles else troubles[0].kind.replace("_", " ")
    gates = GATES if rng.random() < 0.5 else None
    knows_step = bool(rng.random() < 0.7)
    return Night(name, rig, 1000 + number, filters, troubles, reflector, gates=gates, knows_step=knows_step)


def config_of(night: Night, folder: Path) -> Any:
    """Return the config that the owner of a night's rig would have written."""
    path = folder / "rig.toml"
    path.write_text(f'base = "{"reflector-190" if night.reflector else "refractor-112"}"\n{night.rig}')
    config = default_config()
    changes: dict[str, Any] = {
        "simulated": config.simulated.model_copy(update={"rig": str(path), "seed": night.seed}),
        "filters": tuple(exposed(item, night) for item in config.filters if item.name in night.filters),
    }
    if night.knows_step:
        step_um = load_rig(str(path), night.seed).tube.step_um
        changes["optics"] = config.optics.model_copy(update={"step_um": step_um})
        config = config.model_copy(update=changes)
    if night.gates is not None:
        changes["gates"] = night.gates
    if night.reflector:
        optics = {
            "focal_length_mm": 1750.0,
            "aperture_mm": 190.0,
            "obstruction_ratio": 0.32,
            "pixel_um": 3.76,
        }
        camera = {"electrons_per_adu": 0.25, "read_noise_electrons": 1.5, "pedestal_adu": 240.0}
        changes["optics"] = config.optics.model_copy(update=optics)
        changes["camera"] = config.camera.model_copy(update=camera)
        changes["mask"] = config.mask.model_copy(update={"slit_period_mm": 6.0})
    return config.model_copy(update=changes)


def exposed(item: Any, night: Night) -> Any:
    """Return a filter's table with the night's exposure, four times that in a narrow band."""
    if night.exposure_s is None:
        return item
    factor = 4.0 if item.width_nm < 20.0 else 1.0
    return item.model_copy(update={"exposure_s": factor * night.exposure_s})


def with_dawn(config: Any, night: Night, now: Callable[[], datetime]) -> Any:
    """Return a config whose Sun rises too high so long after now, at the site where dawn is then."""
    if night.dawn_after_s is None:
        return config
    then_s = now().timestamp() + night.dawn_after_s
    # Five in the morning by the Sun: on any day of the year it is rising then.
    longitude_deg = (75.0 - then_s % 86_400.0 / 240.0 + 180.0) % 360.0 - 180.0
    highest_deg = sun_altitude_deg(then_s, LATITUDE_DEG, longitude_deg)
    sun = SunGate(highest_deg=round(highest_deg, 4), longest_hold_s=1800.0)
    site = SiteTable(latitude_deg=LATITUDE_DEG, longitude_deg=longitude_deg)
    return config.model_copy(update={"gates": config.gates.model_copy(update={"sun": sun}), "site": site})
