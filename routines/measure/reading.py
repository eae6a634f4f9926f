"""What a masked frame says: the result of measuring one cut-out, with its flags."""

from __future__ import annotations

from dataclasses import dataclass, field

from routines.measure.fitted import StarFit


@dataclass(frozen=True, slots=True)
class MaskReading:
    """Spike error and defocus of one frame; None where the frame cannot tell, with the reason in ``flags``.

    Uncertainties are standard ones and include photons, readout, the model's mismatch and the turbulence.
    Places are in the frame's pixels, 0-based, x the column; directions anticlockwise from +x, of the middle
    spike and the two outer ones. ``width_px`` is the full width at half maximum of the fitted seeing.
    ``fit`` is what it was read from.
    """

    filter: str
    spike_error_px: float | None = None
    spike_error_u_px: float | None = None
    defocus_um: float | None = None
    defocus_u_um: float | None = None
    star_x_px: float | None = None
    star_y_px: float | None = None
    arms_deg: tuple[float, float, float] | None = None
    signal_electrons: float | None = None
    width_px: float | None = None
    background_electrons: float | None = None
    mismatch: float | None = None
    flags: tuple[str, ...] = ()
    fit: StarFit | None = field(default=None, repr=False, compare=False)
