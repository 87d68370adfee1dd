"""The unrolled rim band: the strip type, and the unrolling of a found rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from model.colour_profile import ColourProfile, srgb_profile

CLIPPED_HIGH, CLIPPED_LOW = 250, 2  # encoded values from which a channel tells nothing more


@dataclass(frozen=True, eq=False)
class RimStrip:
    """The rim band, unrolled: lip uppermost, columns clockwise along the rim, one isotropic scale.

    Attributes
    ----------
    encoded
        (h, w, 3) uint8 in the file's own colour space, resampled from the full-size photo.
    linear_rgb
        (h, w, 3) float32 linear sRGB of the same pixels.
    seen_mask
        (h, w) bool: inside the photo and not covered.
    clipped_mask
        (h, w) bool: any channel >= 250, or all <= 2.
    column_deg
        (w,) float32 rim angle of each column, in the rim's plane, clockwise as seen, 0 topmost.
    closed
        The strip is cyclic: its last column neighbours its first.
    lip_row
        Row of the outer lip; the rows above lie outside the piece.
    px_scale
        Strip px per photo px along the rim.
    px_per_diameter
        Strip px that one lip diameter would measure; nan where no lip is known.
    mm_per_px
        Millimetres a strip px, or None without a scale.
    blur_px
        Width (one sigma) of the photo's sharpest edges, in strip px.
    """

    encoded: npt.NDArray[np.uint8]
    linear_rgb: npt.NDArray[np.float32]
    seen_mask: npt.NDArray[np.bool_]
    clipped_mask: npt.NDArray[np.bool_]
    column_deg: npt.NDArray[np.float32]
    closed: bool
    lip_row: int
    px_scale: float
    px_per_diameter: float
    mm_per_px: float | None
    blur_px: float

    def __post_init__(self) -> None:
        h, w = self.encoded.shape[:2]
        if self.encoded.shape != (h, w, 3) or self.linear_rgb.shape != (h, w, 3):
            raise ValueError(
                f"strip pixels must be (h, w, 3), got {self.encoded.shape}, {self.linear_rgb.shape}"
            )
        if self.seen_mask.shape != (h, w) or self.clipped_mask.shape != (h, w):
            raise ValueError(
                f"strip masks must be {(h, w)}, got {self.seen_mask.shape}, {self.clipped_mask.shape}"
            )
        if self.column_deg.shape != (w,):
            raise ValueError(f"column_deg must be {(w,)}, got {self.column_deg.shape}")
        if not 0 <= self.lip_row < h:
            raise ValueError(f"lip_row must lie in 0..{h - 1}, got {self.lip_row}")


def strip_from_rgb(
    encoded: npt.NDArray[np.uint8],
    *,
    lip_row: int = 0,
    closed: bool = True,
    seen_mask: npt.NDArray[np.bool_] | None = None,
    column_deg: npt.NDArray[np.float32] | None = None,
    profile: ColourProfile | None = None,
    px_scale: float = 1.0,
    px_per_diameter: float | None = None,
    mm_per_px: float | None = None,
    blur_px: float = 1.0,
) -> RimStrip:
    """Make a strip from (h, w, 3) uint8 pixels; default: sRGB, all seen, a whole round rim of w columns.

    ``px_per_diameter`` defaults to w / pi for a closed strip and nan for an open one; ``column_deg``
    to even steps from 0 over the whole turn (closed) or over w / px_per_diameter radians (open).
    """
    h, w = encoded.shape[:2]
    if px_per_diameter is None:
        px_per_diameter = w / np.pi if closed else float("nan")
    if column_deg is None:
        turn = 360.0 if closed or not np.isfinite(px_per_diameter) else np.degrees(2 * w / px_per_diameter)
        column_deg = (np.arange(w) * (turn / w) % 360.0).astype(np.float32)
    return RimStrip(
        encoded=encoded,
        linear_rgb=(profile or srgb_profile()).linearise(encoded),
        seen_mask=np.ones((h, w), dtype=bool) if seen_mask is None else seen_mask,
        clipped_mask=find_clipped(encoded),
        column_deg=column_deg,
        closed=closed,
        lip_row=lip_row,
        px_scale=px_scale,
        px_per_diameter=float(px_per_diameter),
        mm_per_px=mm_per_px,
        blur_px=blur_px,
    )


def find_clipped(encoded: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """(h, w) bool: any channel at or over 250, or all channels at or under 2."""
    result = (encoded >= CLIPPED_HIGH).any(axis=2) | (encoded <= CLIPPED_LOW).all(axis=2)
    return np.asarray(result, dtype=bool)
