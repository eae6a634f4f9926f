"""A filter's preparation as arrays under a key, so that another process may take it up instead of drawing it.

The key is made of everything that the arrays hang on. Where they are kept, and for how long, is nobody's
business here: whoever has a place for them hands in a `Shelf`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from routines.measure.templates import Templates, Window, make_templates
from routines.optics import Band, Mask, Optics

DRAWING = 1
"""Rises with every change to what is drawn, so that nothing drawn before is taken for it."""

Arrays = Mapping[str, NDArray[Any]]


class Shelf(Protocol):
    """Keeps preparations by their key. It may lose any of them, and raises nothing."""

    def find(self, key: str) -> Arrays | None:
        """Return the arrays kept under a key, or None."""
        ...

    def keep(self, key: str, arrays: Arrays) -> None:
        """Keep arrays under a key."""
        ...


def prepared(
    optics: Optics, mask: Mask, band: Band, window: Window, reach_um: float, shelf: Shelf | None
) -> Templates:
    """Return a filter's templates out to ``reach_um`` either side of focus: off the shelf, or drawn and kept.

    What lies on the shelf and does not fit its key's window is drawn anew.
    """
    if shelf is None:
        return make_templates(optics, mask, band, window, reach_um)
    key = preparation_key(optics, mask, band, window, reach_um)
    kept = shelf.find(key)
    found = None if kept is None else templates_from(kept, window, reach_um)
    if found is None:
        found = make_templates(optics, mask, band, window, reach_um)
        shelf.keep(key, arrays_of(found))
    return found


def preparation_key(optics: Optics, mask: Mask, band: Band, window: Window, reach_um: float) -> str:
    """Return the key (64 hexadecimal digits) of a filter's templates; the filter's name is not part of it."""
    hung_on = {
        "drawing": DRAWING,
        "optics": asdict(optics),
        "mask": asdict(mask),
        "band_nm": [band.centre_nm, band.width_nm],
        "window_px": asdict(window),
        "reach_um": reach_um,
    }
    return hashlib.sha256(json.dumps(hung_on, sort_keys=True).encode()).hexdigest()


def arrays_of(templates: Templates) -> Arrays:
    """Return templates as arrays: ``transfer`` (see `Templates`) and ``step_um``, shape ()."""
    return {"transfer": templates.transfer, "step_um": np.asarray(templates.step_um, np.float64)}


def templates_from(arrays: Arrays, window: Window, reach_um: float) -> Templates | None:
    """Return the templates that arrays hold; None where they are not such as this window and reach need."""
    try:
        transfer, step_um = arrays["transfer"], float(arrays["step_um"])
    except (KeyError, TypeError, ValueError):
        return None
    frequencies = (2 * window.grid_px, window.grid_px + 1)
    fits = transfer.ndim == 3 and transfer.shape[1:] == frequencies and transfer.dtype == np.complex64
    if not fits or not step_um > 0.0 or (len(transfer) - 1) * step_um < reach_um:
        return None
    return Templates(window, step_um, transfer, reach_um) if np.isfinite(transfer.sum()) else None
