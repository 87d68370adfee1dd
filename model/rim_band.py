"""The unrolled rim band: the strip type, and the unrolling of a found rim."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.colour_profile import ColourProfile, srgb_profile
from model.photo import Photo
from model.piece import Piece
from model.strip_grid import lay_grid

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
    brightest = np.maximum(np.maximum(encoded[..., 0], encoded[..., 1]), encoded[..., 2])
    return np.asarray((brightest >= CLIPPED_HIGH) | (brightest <= CLIPPED_LOW))


def unroll_rim(photo: Photo, piece: Piece) -> RimStrip | None:
    """Unroll the band beside the lip from the full-size photo; None where no rim was found.

    A closed band starts at the rim point topmost in the photo and runs clockwise; columns are even in
    arc length within the rim's own plane and rows even along its surface, so a tilted plate gives the same
    strip as one seen square-on. One strip px is about one photo px unless the strip would get over 4096
    columns.
    """
    rim = piece.rim
    if rim is None or len(rim.band) < 8:
        return None
    grid = lay_grid(photo, rim, piece.outline)
    if grid is None:
        return None
    maps = grid.where.astype(np.float32)
    x, y = np.ascontiguousarray(maps[..., 0]), np.ascontiguousarray(maps[..., 1])
    encoded = _sample(photo, x, y, grid.px_scale)
    inside = (x >= 0) & (y >= 0) & (x <= photo.width - 1) & (y <= photo.height - 1)
    diameter = grid.px_per_diameter
    return RimStrip(
        encoded=encoded,
        linear_rgb=photo.linearise(encoded),
        seen_mask=inside & grid.seen,
        clipped_mask=find_clipped(encoded),
        column_deg=grid.column_deg,
        closed=grid.closed,
        lip_row=grid.lip_row,
        px_scale=grid.px_scale,
        px_per_diameter=diameter,
        mm_per_px=piece.size.diameter_mm / diameter if piece.size is not None else None,
        blur_px=measure_blur_px(encoded, inside),
    )


def _sample(
    photo: Photo, x: npt.NDArray[np.float32], y: npt.NDArray[np.float32], px_scale: float
) -> npt.NDArray[np.uint8]:
    """Bilinear samples, from a reduced level where the strip is much smaller than the photo."""
    level, scale = photo.halved(min(1.0, px_scale))
    if scale != 1.0:
        x, y = (x + 0.5) * np.float32(scale) - 0.5, (y + 0.5) * np.float32(scale) - 0.5
    return np.asarray(cv2.remap(level, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def measure_blur_px(encoded: npt.NDArray[np.uint8], seen: npt.NDArray[np.bool_]) -> float:
    """Width (one sigma, strip px) of the sharpest edges: contrast of an edge over its steepest slope.

    For a step blurred by a Gaussian the steepest slope is contrast / (sigma sqrt(2 pi)).
    """
    grey = cv2.cvtColor(encoded, cv2.COLOR_RGB2GRAY).astype(np.float32)
    slope = np.abs(grey[2:] - grey[:-2]) / 2
    slope[~(seen[2:] & seen[:-2])] = 0
    strong = slope >= max(4.0, float(np.quantile(slope, 0.99)))
    if strong.sum() < 32:
        return 2.0  # nothing sharp to measure on: a usual phone photo's blur
    span = cv2.dilate(grey, np.ones((9, 1))) - cv2.erode(grey, np.ones((9, 1)))
    sigma = span[1:-1][strong] / (slope[strong] * np.sqrt(2 * np.pi))
    # the difference over two pixels widens an edge by the variance of a box of two pixels, 1/3
    return float(np.clip(np.sqrt(max(float(np.quantile(sigma, 0.25)) ** 2 - 1 / 3, 0.09)), 0.3, 6.0))
