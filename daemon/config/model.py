"""The whole config, and what the science wants to know from it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, PrivateAttr

from daemon.config.tables import (
    CameraTable,
    FilterTable,
    FitsTable,
    FocuserTable,
    GatesTable,
    HooksTable,
    LimitsTable,
    MaskTable,
    MeasureTable,
    OpticsTable,
    PortTable,
    RigTable,
    RoutinesTable,
    ScheduleTable,
    ServiceTable,
    SimulatedTable,
    SiteTable,
    StarTable,
    Table,
    ThermometerTable,
    WheelTable,
)

if TYPE_CHECKING:
    from routines.optics import Band, Mask, Optics


class Config(Table):
    """One rig's settings, frozen; relative paths in it count from the folder of the config file."""

    schema_version: Literal[1] = Field(alias="schema")
    rig: RigTable = RigTable()
    optics: OpticsTable
    camera: CameraTable
    filters: Annotated[
        tuple[FilterTable, ...], Field(alias="filter", strict=False, min_length=1, max_length=99)
    ]
    mask: MaskTable | None = None
    fits: FitsTable = FitsTable()
    measure: MeasureTable = MeasureTable()
    focuser: FocuserTable = FocuserTable()
    limits: LimitsTable | None = None
    wheel: WheelTable | None = None
    thermometer: ThermometerTable | None = None
    gates: GatesTable = GatesTable()
    routines: RoutinesTable = RoutinesTable()
    star: StarTable = StarTable()
    port: PortTable | None = None
    simulated: SimulatedTable | None = None
    service: ServiceTable = ServiceTable()
    site: SiteTable | None = None
    hooks: HooksTable = HooksTable()
    schedules: Annotated[tuple[ScheduleTable, ...], Field(alias="schedule", strict=False, max_length=99)] = ()

    _file: Path | None = PrivateAttr(default=None)

    @property
    def file(self) -> Path | None:
        """Return the file that the config was read from, if it was."""
        return self._file

    @property
    def outward_sign(self) -> int:
        """Return +1 where the controller's counts rise outward and -1 where they fall."""
        return 1 if self.focuser.outward == "rising" else -1

    @property
    def reference_filter(self) -> str:
        """Return the name of the filter that offsets are told from."""
        marked = [item.name for item in self.filters if item.reference]
        return marked[0] if marked else self.filters[0].name

    @property
    def filter_names(self) -> tuple[str, ...]:
        """Return the configured filters' names in the order of the file."""
        return tuple(item.name for item in self.filters)

    def filter_named(self, name: str) -> FilterTable | None:
        """Return a filter's settings, or None when the config does not know it."""
        return next((item for item in self.filters if item.name == name), None)

    def resolve(self, path: str) -> Path:
        """Return a path of the config, counted from the config file's folder when relative."""
        base = self._file.parent if self._file is not None else Path()
        return base / Path(path).expanduser()

    def fingerprint(self) -> str:
        """Return the SHA-256 of the settings, so that a run can say which ones it used."""
        return hashlib.sha256(self.model_dump_json(by_alias=True).encode()).hexdigest()

    def science_optics(self) -> Optics:
        """Return telescope and sensor as the science takes them."""
        from routines.optics import Optics

        table = self.optics
        return Optics(table.focal_length_mm, table.aperture_mm, table.obstruction_ratio, table.pixel_um)

    def science_mask(self) -> Mask | None:
        """Return the configured mask, or None where its geometry is to be learnt from the frames.

        Duty and orientation that the config leaves out get the science's defaults; ``config.mask`` tells
        whether they were given.
        """
        from routines.optics import Mask

        table = self.mask
        if table is None:
            return None
        mask = Mask(table.slit_period_mm, table.arm_angle_deg)
        if table.slit_duty is not None:
            mask = replace(mask, slit_duty=table.slit_duty)
        if table.orientation_deg is not None:
            mask = replace(mask, orientation_deg=table.orientation_deg)
        return mask

    def bands(self) -> dict[str, Band]:
        """Return each filter's pass band by name."""
        from routines.optics import Band

        return {item.name: Band(item.name, item.centre_nm, item.width_nm) for item in self.filters}
