"""The unrolled rim band: the strip type, and the unrolling of a found rim."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.colour_profile import ColourProfile, srgb_profile
from model.perspective import map_plane, unmap_plane
from model.photo import Photo
from model.piece import Piece, RimCurve
from model.rim_refinement import outward_normals

FloatArray = npt.NDArray[np.float64]

MAX_COLUMNS = 4096
OUTSIDE_SHARE, INSIDE_SHARE = 0.03, 0.32  # of the rim's radius: flat rims reach to about .3 of it
BODY_SHARE = 0.7  # of the lip's radius down the body of a cup seen from the side
MAX_OUTSIDE_ROWS, MAX_INSIDE_ROWS = 24, 256  # close-ups: what a band of usual width needs
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


def unroll_rim(photo: Photo, piece: Piece) -> RimStrip | None:
    """Unroll the band beside the lip from the full-size photo; None where no rim was found.

    A closed band starts at the rim point topmost in the photo and runs clockwise; columns are even in
    arc length within the rim's own plane, so a tilted plate gives the same strip as one seen square-on.
    One strip px is about one photo px unless the strip would get over 4096 columns.
    """
    rim = piece.rim
    if rim is None or len(rim.band) < 8:
        return None
    grid = _lay_grid(rim)
    maps = grid.where.astype(np.float32)
    x, y = np.ascontiguousarray(maps[..., 0]), np.ascontiguousarray(maps[..., 1])
    encoded = _sample(photo, x, y, grid.px_scale)
    inside = (x >= 0) & (y >= 0) & (x <= photo.width - 1) & (y <= photo.height - 1)
    share = np.linspace(0, 1, encoded.shape[1], endpoint=not rim.closed)
    seen = rim.seen[np.minimum((share * len(rim.seen)).astype(int), len(rim.seen) - 1)]
    diameter = 2 * grid.px_per_radius if rim.curve is not None else float("nan")
    return RimStrip(
        encoded=encoded,
        linear_rgb=photo.linearise(encoded),
        seen_mask=inside & seen[None],
        clipped_mask=find_clipped(encoded),
        column_deg=grid.column_deg,
        closed=rim.closed,
        lip_row=_lip_row(grid.px_per_radius),
        px_scale=grid.px_scale,
        px_per_diameter=diameter,
        mm_per_px=piece.size.diameter_mm / diameter if piece.size is not None else None,
        blur_px=measure_blur_px(encoded, inside),
    )


@dataclass(frozen=True, eq=False)
class _Grid:
    """Where the strip's pixels lie: (h, w, 2) photo px, (w,) angles, px of a radius, strip px / photo px."""

    where: FloatArray
    column_deg: npt.NDArray[np.float32]
    px_per_radius: float
    px_scale: float


def _lay_grid(rim: RimCurve) -> _Grid:
    """Rows parallel to the lip: in the lip's own plane where it is known, else along the inward vectors."""
    line = np.vstack([rim.band, rim.band[:1]]) if rim.closed else rim.band
    length_px = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    columns = int(np.clip(round(length_px), 64, MAX_COLUMNS))
    px_scale = columns / length_px
    if rim.plane is not None and rim.view != "from the side":
        flat = unmap_plane(rim.plane, rim.band)
        normals = outward_normals(flat, rim.closed)
        points, inward, length = _resample(flat, -normals, columns, rim.closed)
        px_per_radius = columns / length
        rows = [map_plane(rim.plane, points + share * inward) for share in _row_shares(px_per_radius, rim)]
        where = np.stack(rows)
    else:
        lengths = np.linalg.norm(rim.inward, axis=1)
        px_per_radius = float(np.median(lengths)) * px_scale
        if rim.view == "from the side" and rim.ellipse is not None:
            px_per_radius = columns / np.radians(abs(rim.angle_deg[0] - rim.angle_deg[-1]))
        points, inward, _ = _resample(rim.band, rim.inward, columns, rim.closed, rim.view != "from the side")
        where = points[None] + inward[None] * _row_shares(px_per_radius, rim)[:, None, None]
    turned = np.unwrap(np.radians(rim.angle_deg))
    if rim.closed:
        turned = np.append(turned, turned[0] + 2 * np.pi)
    along = np.linspace(0, len(turned) - 1, columns, endpoint=not rim.closed)
    angle = np.degrees(np.interp(along, np.arange(len(turned)), turned)) % 360
    return _Grid(where, angle.astype(np.float32) % 360, px_per_radius, px_scale)


def _resample(
    points: FloatArray, vectors: FloatArray, count: int, closed: bool, by_length: bool = True
) -> tuple[FloatArray, FloatArray, float]:
    """Points and vectors at ``count`` places even in arc length (or in index), and the length."""
    if closed:
        points, vectors = np.vstack([points, points[:1]]), np.vstack([vectors, vectors[:1]])
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    knots = length if by_length else np.arange(len(points), dtype=np.float64)
    at = np.linspace(0, knots[-1], count, endpoint=not closed)
    both = [np.stack([np.interp(at, knots, a[:, k]) for k in (0, 1)], axis=1) for a in (points, vectors)]
    return both[0], both[1], float(length[-1])


def _lip_row(px_per_radius: float) -> int:
    return min(MAX_OUTSIDE_ROWS, round(OUTSIDE_SHARE * px_per_radius))


def _row_shares(px_per_radius: float, rim: RimCurve) -> FloatArray:
    """Share of the radius inward of each row; row lip_row has 0."""
    lip_row = _lip_row(px_per_radius)
    inside = BODY_SHARE if rim.view == "from the side" else INSIDE_SHARE
    rows = lip_row + int(np.clip(round(inside * px_per_radius), 24, MAX_INSIDE_ROWS))
    return np.asarray((np.arange(rows) - lip_row) / px_per_radius)


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
