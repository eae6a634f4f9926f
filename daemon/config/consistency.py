"""What must hold between the keys of a config.

These rules read the raw tables and step around what is missing or of the wrong type (the tables tell that
themselves), so that a config with both kinds of mistake has all of them told at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from daemon.config.occasions import schedule_findings, service_findings
from daemon.config.offered_port import port_findings
from daemon.config.problems import Problem, shown

Raw = Mapping[str, Any]

# Keywords in wide use for the sensor's own temperature (common practice, no part of the FITS Standard): a
# cooled sensor tells nothing of the tube.
_SENSOR_TEMPERATURES = {"CCD-TEMP", "SET-TEMP", "CCDTEMP", "DET-TEMP", "DETTEMP", "SENSTEMP", "CAMTEMP"}
_FASTEST_FOCAL_RATIO = 1.0
_SLOWEST_FOCAL_RATIO = 60.0


def contradictions(raw: Raw, file: str) -> list[Problem]:
    """Return every contradiction between keys that are there and of the right type."""
    rules = (
        *(_optics, _mask, _camera, _filters, _slots, _exposures, _fits, _limits, _gates, _thermometer),
        *(service_findings, schedule_findings, port_findings),
    )
    return [Problem(file, key, value, message) for rule in rules for key, value, message in rule(raw)]


Finding = tuple[str, str | None, str]


def _table(raw: Raw, *names: str) -> Raw:
    value: Any = raw
    for name in names:
        value = value.get(name) if isinstance(value, Mapping) else None
    return value if isinstance(value, Mapping) else {}


def _number(table: Raw, key: str) -> float | int | None:
    value = table.get(key)
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def _filter_tables(raw: Raw) -> list[Raw]:
    items = raw.get("filter")
    return [item if isinstance(item, Mapping) else {} for item in items] if isinstance(items, list) else []


def _optics(raw: Raw) -> Iterator[Finding]:
    optics = _table(raw, "optics")
    focal, aperture = _number(optics, "focal_length_mm"), _number(optics, "aperture_mm")
    if focal is None or aperture is None or focal <= 0.0 or aperture <= 0.0:
        return
    ratio = focal / aperture
    if not _FASTEST_FOCAL_RATIO <= ratio <= _SLOWEST_FOCAL_RATIO:
        yield (
            "optics.aperture_mm",
            shown(aperture),
            f"with focal_length_mm = {focal:g} this is a focal ratio of {ratio:.3g}; it must be from "
            f"{_FASTEST_FOCAL_RATIO:g} to {_SLOWEST_FOCAL_RATIO:g}: are both in mm?",
        )


def _mask(raw: Raw) -> Iterator[Finding]:
    period = _number(_table(raw, "mask"), "slit_period_mm")
    aperture = _number(_table(raw, "optics"), "aperture_mm")
    if period is not None and aperture is not None and period * 4.0 > aperture > 0.0:
        yield (
            "mask.slit_period_mm",
            shown(period),
            f"must be at most a quarter of optics.aperture_mm = {aperture:g} mm (slit plus bar)",
        )


def _camera(raw: Raw) -> Iterator[Finding]:
    camera = _table(raw, "camera")
    saturation, pedestal = _number(camera, "saturation_adu"), _number(camera, "pedestal_adu")
    if saturation is not None and pedestal is not None and pedestal >= saturation > 0.0:
        yield (
            "camera.pedestal_adu",
            shown(pedestal),
            f"must be below camera.saturation_adu = {saturation:g} ADU",
        )
    needs = {"command": "command", "folder": "folder"}.get(str(camera.get("kind")))
    if needs is not None and needs not in camera:
        yield f"camera.{needs}", None, f'missing; camera.kind = "{camera["kind"]}" needs it'


def _filters(raw: Raw) -> Iterator[Finding]:
    seen: dict[str, int] = {}
    references = []
    tables = _filter_tables(raw)
    for index, item in enumerate(tables, start=1):
        yield from _band(item, index)
        name = item.get("name")
        if isinstance(name, str):
            if name in seen:
                yield (
                    f"filter[{index}].name",
                    shown(name),
                    f"filter[{seen[name]}] has this name already; each filter needs its own",
                )
            seen.setdefault(name, index)
        if item.get("reference") is True:
            references.append(index)
    yield from _references(tables, references)


def _references(tables: list[Raw], references: list[int]) -> Iterator[Finding]:
    if len(references) > 1:
        listed = ", ".join(f"filter[{index}]" for index in references)
        yield (
            f"filter[{references[1]}].reference",
            "true",
            f"{listed} all say reference = true; exactly one filter may",
        )


def _band(item: Raw, index: int) -> Iterator[Finding]:
    centre, width = _number(item, "centre_nm"), _number(item, "width_nm")
    if centre is not None and width is not None and 0.0 < centre <= width / 2.0:
        yield (
            f"filter[{index}].width_nm",
            shown(width),
            f"must be below twice centre_nm = {centre:g} nm; the band would begin below zero",
        )


def _slots(raw: Raw) -> Iterator[Finding]:
    seen: dict[int, int] = {}
    for index, item in enumerate(_filter_tables(raw), start=1):
        slot = item.get("slot")
        if not isinstance(slot, int) or isinstance(slot, bool):
            continue
        if slot in seen:
            yield f"filter[{index}].slot", shown(slot), f"filter[{seen[slot]}] is in this slot already"
        seen.setdefault(slot, index)


def _fits(raw: Raw) -> Iterator[Finding]:
    fits = _table(raw, "fits")
    temperature = fits.get("temperature")
    if isinstance(temperature, str) and temperature in _SENSOR_TEMPERATURES:
        yield (
            "fits.temperature",
            shown(temperature),
            "this keyword holds the sensor's own temperature; name one that holds the air's or the tube's, "
            "or leave the line out",
        )
    mosaic, plane = fits.get("mosaic"), fits.get("plane")
    if (mosaic is None) != (plane is None):
        missing = "plane" if plane is None else "mosaic"
        yield f"fits.{missing}", None, "missing; a colour mosaic needs both mosaic and plane"
    if isinstance(mosaic, str) and isinstance(plane, str):
        yield from _plane(mosaic, plane)


def _plane(mosaic: str, plane: str) -> Iterator[Finding]:
    colour = plane[0]
    count = mosaic.count(colour)
    if count == 0:
        yield "fits.plane", shown(plane), f'fits.mosaic = "{mosaic}" has no {colour}'
    elif count > 1 and len(plane) == 1:
        yield (
            "fits.plane",
            shown(plane),
            f'fits.mosaic = "{mosaic}" has {count} of {colour}; say {colour}1 or {colour}2',
        )


def _limits(raw: Raw) -> Iterator[Finding]:
    limits = _table(raw, "limits")
    low, high = _number(limits, "low_steps"), _number(limits, "high_steps")
    if low is None or high is None:
        return
    if low >= high:
        yield "limits.low_steps", shown(low), f"must be below limits.high_steps = {high:g} steps"
        return
    overshoot = _number(_table(raw, "focuser"), "overshoot_steps")
    if overshoot is not None and overshoot >= high - low:
        yield (
            "focuser.overshoot_steps",
            shown(overshoot),
            f"must be smaller than the whole range between the limits, {high - low:g} steps",
        )
    start = _number(_table(raw, "routines"), "start_steps")
    if start is not None and not low <= start <= high:
        yield "routines.start_steps", shown(start), f"must lie inside the limits, {low:g} to {high:g} steps"


def _gates(raw: Raw) -> Iterator[Finding]:
    gate = _table(raw, "gates", "temperature")
    trip, resume = _number(gate, "trip_c_per_h"), _number(gate, "resume_c_per_h")
    if trip is not None and resume is not None and resume >= trip:
        yield (
            "gates.temperature.resume_c_per_h",
            shown(resume),
            f"must be below trip_c_per_h = {trip:g} C/h, or the gate would flap",
        )
    gate = _table(raw, "gates", "star")
    trip, resume = _number(gate, "trip_share"), _number(gate, "resume_share")
    if trip is not None and resume is not None and resume <= trip:
        yield (
            "gates.star.resume_share",
            shown(resume),
            f"must be above trip_share = {trip:g}, or the gate would flap",
        )
    yield from _more_gates(raw)


def _more_gates(raw: Raw) -> Iterator[Finding]:
    for path, low_key, high_key in (
        ("temperature", "resume_zones_per_h", "trip_zones_per_h"),
        ("temperature", "departure_resume_c", "departure_c"),
        ("sun", "resume_deg", "highest_deg"),
        ("disk", "least_free_gb", "resume_free_gb"),
    ):
        gate = _table(raw, "gates", path)
        low, high = _number(gate, low_key), _number(gate, high_key)
        if low is not None and high is not None and low >= high:
            message = f"must be below {high_key} = {high:g}, or the gate would flap"
            yield f"gates.{path}.{low_key}", shown(low), message
    if _table(raw, "gates", "sun") and "site" not in raw:
        message = "the Sun's altitude needs [site] latitude_deg and longitude_deg"
        yield "gates.sun.highest_deg", shown(_table(raw, "gates", "sun").get("highest_deg")), message
    window = _table(raw, "gates", "window")
    if window.get("begin") is not None and window.get("begin") == window.get("end"):
        yield "gates.window.end", shown(window["end"]), "is the same time as begin; leave the gate out"


def _exposures(raw: Raw) -> Iterator[Finding]:
    for index, item in enumerate(_filter_tables(raw), start=1):
        usual = _number(item, "exposure_s")
        shortest, longest = _number(item, "shortest_s"), _number(item, "longest_s")
        if usual is not None and shortest is not None and shortest > usual:
            yield f"filter[{index}].shortest_s", shown(shortest), f"must be at most exposure_s = {usual:g} s"
        if usual is not None and longest is not None and longest < usual:
            yield f"filter[{index}].longest_s", shown(longest), f"must be at least exposure_s = {usual:g} s"


def _thermometer(raw: Raw) -> Iterator[Finding]:
    table = _table(raw, "thermometer")
    needed = {"serial": ("port", "description"), "file": ("file",)}.get(str(table.get("kind")), ())
    for key in needed:
        if key not in table:
            yield f"thermometer.{key}", None, f'missing; thermometer.kind = "{table["kind"]}" needs it'
