"""Cut a FITS frame on disk down to the piece around its star, header kept, so that a season of runs fits."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path

from drivers.safe_write import write_safely


def crop_frame(
    path: Path, x_px: float, y_px: float, size_px: int, words: Mapping[str, float | bool] | None = None
) -> bool:
    """Replace a file by the square of ``size_px`` around (x, y); False when it is not a plain 2-D image.

    The corner's place in the whole frame goes into DT-X0 and DT-Y0 (0-based, even, so that a colour mosaic
    keeps its order), those ``words`` into the header that it does not have. Raises OSError.
    """
    from astropy.io import fits

    with fits.open(path, memmap=False, do_not_scale_image_data=True) as opened:
        if len(opened) != 1 or opened[0].data is None or opened[0].data.ndim != 2:
            return False
        header, data = opened[0].header.copy(), opened[0].data
    rows, columns = data.shape
    x0, y0 = _corner(x_px, size_px, columns), _corner(y_px, size_px, rows)
    piece = data[y0 : y0 + size_px, x0 : x0 + size_px].copy()
    if piece.shape == data.shape and not words:
        return True
    header.update({name: value for name, value in (words or {}).items() if name not in header})
    header["DT-X0"] = (x0 + int(header.get("DT-X0", 0)), "first column kept of the whole frame, 0-based")
    header["DT-Y0"] = (y0 + int(header.get("DT-Y0", 0)), "first row kept of the whole frame, 0-based")
    content = io.BytesIO()
    zero, scale = header.get("BZERO"), header.get("BSCALE")
    unit = fits.PrimaryHDU(piece, header, do_not_scale_image_data=True)
    for name, value in (("BZERO", zero), ("BSCALE", scale)):
        if value is not None:
            unit.header[name] = value
    unit.writeto(content)
    write_safely(path, content.getvalue())
    return True


def _corner(centre_px: float, size_px: int, length_px: int) -> int:
    wanted = round(centre_px) - size_px // 2
    return max(0, min(wanted, length_px - size_px)) // 2 * 2
