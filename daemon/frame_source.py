"""How a config's words apply to frames: keywords, the mosaic's plane, filters by their header's name."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from daemon.config import Config
from drivers.frames import Plane, RawFrame, read_frame
from drivers.header import FrameFacts, Header, Keywords, facts_from

SUFFIXES = (".fits", ".fit", ".fts", ".fits.fz", ".fit.fz", ".fits.gz", ".fit.gz")


def keywords_of(config: Config) -> Keywords:
    """Return which header keyword carries what."""
    table = config.fits
    return Keywords(
        position=table.position,
        temperature=table.temperature,
        filter=table.filter,
        exposure=table.exposure,
        time=table.time,
        pixel_um=table.pixel_um,
        electrons_per_adu=table.electrons_per_adu,
    )


def plane_of(config: Config) -> Plane | None:
    """Return the plane of a colour mosaic that the config declares, if any."""
    mosaic, plane = config.fits.mosaic, config.fits.plane
    return None if mosaic is None or plane is None else Plane.of(mosaic, plane)


def read_for(config: Config, path: str | Path) -> RawFrame:
    """Read a frame as the config says; raises `drivers.frames.FrameUnreadable`.

    The filter is told by its configured name; one that the config does not know is left as the header has it.
    """
    raw = read_frame(path, keywords_of(config), plane=plane_of(config))
    return replace(raw, facts=_with_known_filter(config, raw.facts))


def facts_for(config: Config, header: Header) -> FrameFacts:
    """Return a header's facts as the config says."""
    return _with_known_filter(config, facts_from(header, keywords_of(config)))


def _with_known_filter(config: Config, facts: FrameFacts) -> FrameFacts:
    return replace(facts, filter=configured_filter(config, facts.filter) or facts.filter)


def configured_filter(config: Config, name: str | None) -> str | None:
    """Return the configured name of a filter that a header or a table calls ``name``, or None.

    A name that differs in case only, or in letters that FITS headers cannot hold, is understood where no
    two filters could be meant. Without a name, the only configured filter is meant.
    """
    names = config.filter_names
    if name is None:
        return names[0] if len(names) == 1 else None
    if name in names:
        return name
    alike = [known for known in names if _plain(known) == _plain(name)]
    return alike[0] if len(alike) == 1 else None


def _plain(name: str) -> str:
    return name.encode("ascii", "replace").decode().strip().casefold()


def unbinned_pixel_um(config: Config, facts: FrameFacts) -> float:
    """Return the size of an unbinned pixel: the header's where the config names its keyword.

    Programs write either the unbinned or the joined pixel's size; where the header's agrees with the config
    in one of the two readings, that one is meant.
    """
    configured = config.optics.pixel_um
    if facts.pixel_um is None:
        return configured
    readings = (facts.pixel_um, facts.pixel_um / facts.binning)
    return min(readings, key=lambda size: abs(math.log(size / configured)))


def frame_files(folder: Path) -> list[Path]:
    """Return the files in a folder that are named as FITS frames (hidden ones left out), by name."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.name.lower().endswith(SUFFIXES) and not path.name.startswith(".") and path.is_file()
    )
