"""The print of a border as a small map: what a gallery photo keeps for the re-check.

Cut like the network's windows (``model.motif``), so blind to the metal's colour too, at half their size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from model.colour import decode_srgb, luminance
from model.motif import border_rows, cut_ribbon, draw_channels, resample_ribbon

if TYPE_CHECKING:
    from model.bands import Bands
    from model.rim_band import RimStrip

FloatArray = npt.NDArray[np.float32]

MAP_ROWS = 48
# The best stretch of a border is kept, no more: two to ten repeats of most, at some 10 kB.
MOST_COLUMNS = 512
LEAST_COLUMNS = 24
# What a strip's picture shows where nothing was seen, as model.read draws it.
UNSEEN_GREY = 128
# Luminance (white 1) below which eight bits tell nothing.
LEAST_LUMINANCE = 0.002
# Sixteen levels of strength lose nothing that wear and light have left; they pack three times smaller.
KEPT_BITS = 4
# Strong stretches beyond this percentile count no more: glare must not choose the stretch.
LEVEL_OFF_PERCENTILE = 90


@dataclass(frozen=True, eq=False)
class PrintMap:
    """Planes (48, n, 3) uint8, lip first: print strength, seen (0 or 255), edge strength."""

    planes: npt.NDArray[np.uint8]

    def __post_init__(self) -> None:
        if self.planes.ndim != 3 or self.planes.shape[0] != MAP_ROWS or self.planes.shape[2] != 3:
            raise ValueError(f"expected planes ({MAP_ROWS}, n, 3), got {self.planes.shape}")

    @property
    def seen_mask(self) -> npt.NDArray[np.bool_]:
        """(48, n) bool."""
        return np.asarray(self.planes[..., 1] > 127)


def cut_print_map(strip: RimStrip, bands: Bands) -> PrintMap | None:
    """The best-printed stretch of a border, at most 512 columns; None without a readable border.

    Parameters
    ----------
    strip, bands
        The unrolled rim and its bands, as for ``model.motif.cut_windows``.
    """
    rows = border_rows(bands)
    if rows is None:
        return None
    ribbon, seen, _ = cut_ribbon(strip, bands, rows)
    return _keep_best(ribbon, seen)


def cut_print_map_of_picture(
    picture: npt.NDArray[np.uint8], rows: tuple[float, float], unseen_grey: int = UNSEEN_GREY
) -> PrintMap | None:
    """The same from a strip's stored picture, where the strip itself is gone.

    Parameters
    ----------
    picture
        (h, w, 3) uint8 sRGB, lip uppermost.
    rows
        First and last row of its windows (``Window.rect``).
    unseen_grey
        All three channels of a pixel that was not seen have this value.
    """
    if rows[1] - rows[0] < 1:
        return None
    seen_mask = ~(picture == unseen_grey).all(axis=2)
    if not seen_mask.any():
        return None
    log_luminance = np.log(np.maximum(luminance(decode_srgb(picture)), LEAST_LUMINANCE))
    contrast = (log_luminance - np.median(log_luminance[seen_mask])).astype(np.float32)
    ribbon, seen, _ = resample_ribbon(contrast, seen_mask, rows)
    return _keep_best(ribbon, seen)


def _keep_best(ribbon: FloatArray, seen: npt.NDArray[np.bool_]) -> PrintMap | None:
    """The best stretch of a ribbon (96, n) of signed contrast, at half its size."""
    if not seen.any() or ribbon.shape[1] < 2 * LEAST_COLUMNS:
        return None
    channels = draw_channels(ribbon, seen).transpose(1, 2, 0)
    small = cv2.resize(channels, (ribbon.shape[1] // 2, MAP_ROWS), interpolation=cv2.INTER_AREA)
    planes = np.rint(small * 255).astype(np.uint8)
    planes[..., 1] = np.where(planes[..., 1] > 127, 255, 0)
    (first,) = best_starts(planes, MOST_COLUMNS, 1) or (0,)
    return PrintMap(_coarsen(planes[:, first : first + MOST_COLUMNS]))


def _coarsen(planes: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Strength and edge in as few levels as are kept; the map compared at once equals the one read back."""
    out = planes.copy()
    step = 256 >> KEPT_BITS
    out[..., ::2] = planes[..., ::2] // step * step + step // 2
    return out


def best_starts(planes: npt.NDArray[np.uint8], width: int, limit: int) -> list[int]:
    """First columns of the best-printed stretches of a width, best first, a third of it apart or more."""
    profile = (planes[..., 2] * (planes[..., 1] > 127)).mean(axis=0)
    profile = np.minimum(profile, np.percentile(profile, LEVEL_OFF_PERCENTILE) + 1)
    width = min(width, len(profile))
    left = np.convolve(profile, np.ones(width) / width, "valid")
    apart = 2 * width // 3
    starts: list[int] = []
    for _ in range(limit):
        best = int(left.argmax())
        if left[best] <= 0:
            break
        starts.append(best)
        left[max(0, best - apart) : best + apart] = -1
    return starts


def pack_print_map(print_map: PrintMap) -> bytes:
    """PNG bytes, some 5 to 20 kB."""
    ok, png = cv2.imencode(".png", print_map.planes, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    if not ok:
        raise ValueError(f"a map {print_map.planes.shape} cannot be written as PNG")
    return png.tobytes()


def unpack_print_map(png: bytes) -> PrintMap:
    """The map of ``pack_print_map``'s bytes.

    Raises
    ------
    ValueError
        The bytes hold no such map.
    """
    planes = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR) if png else None
    if planes is None or planes.shape[0] != MAP_ROWS or planes.shape[1] > MOST_COLUMNS:
        raise ValueError("these bytes hold no print map; read the photo again")
    return PrintMap(planes)
