"""The unrolled rim band: the strip type, and the unrolling of a found rim."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.colour_profile import ColourProfile, srgb_profile
from model.photo import Photo
from model.piece import Piece, RimCurve
from model.rim_fit import LEAST_FACING, find_pose, find_side_pose, seen_on_curve
from model.rim_pose import RimPose, facing_share, find_top, flatten_lip, lay_surface, measure_width
from model.rim_views import crop_band
from model.side_surface import lay_body, measure_profile

FloatArray = npt.NDArray[np.float64]

MAX_COLUMNS = 4096
OUTSIDE_SHARE, INSIDE_SHARE = 0.03, 0.32  # of the rim's radius: flat rims reach to about .3 of it
BODY_SHARE = 0.7  # of the lip's radius down the body of a cup seen from the side
MAX_OUTSIDE_ROWS, MAX_INSIDE_ROWS = 24, 256  # close-ups: what a band of usual width needs
WHOLE_SHARE = 0.97  # of the band inside the photo from which the strip is taken for closed
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
    arc length within the rim's own plane and rows even along its surface, so a tilted plate gives the same
    strip as one seen square-on. One strip px is about one photo px unless the strip would get over 4096
    columns.
    """
    rim = piece.rim
    if rim is None or len(rim.band) < 8:
        return None
    grid = _lay_grid(photo, rim, piece.outline)
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
        seen_mask=inside & grid.seen[None],
        clipped_mask=find_clipped(encoded),
        column_deg=grid.column_deg,
        closed=grid.closed,
        lip_row=grid.lip_row,
        px_scale=grid.px_scale,
        px_per_diameter=diameter,
        mm_per_px=piece.size.diameter_mm / diameter if piece.size is not None else None,
        blur_px=measure_blur_px(encoded, inside),
    )


@dataclass(frozen=True, eq=False)
class _Grid:
    """Where the strip's pixels lie: (h, w, 2) photo px; (w,) angles, seen; the rest as in RimStrip."""

    where: FloatArray
    column_deg: npt.NDArray[np.float32]
    seen: npt.NDArray[np.bool_]
    closed: bool
    lip_row: int
    px_scale: float
    px_per_diameter: float


def _lay_grid(photo: Photo, rim: RimCurve, outline: FloatArray | None) -> _Grid | None:
    """Rows along the piece's own surface where the lip is known, else along the inward vectors."""
    if rim.view == "from above" and rim.curve is not None:
        return _lay_posed_grid(photo, rim, rim.pose or find_pose(photo, rim))
    if rim.view == "from the side" and rim.ellipse is not None:
        return _lay_side_grid(rim, find_side_pose(photo, rim), outline)
    return _lay_guided_grid(rim)


def _lay_side_grid(rim: RimCurve, pose: RimPose, outline: FloatArray | None) -> _Grid:
    profile = measure_profile(pose, outline)
    where, angle, _ = lay_body(pose, profile, 64, np.zeros(1))
    length_px = float(np.linalg.norm(np.diff(where[0], axis=0), axis=1).sum())
    columns = int(np.clip(round(length_px), 64, MAX_COLUMNS))
    px_per_radius = columns / abs(float(angle[-1] - angle[0]))
    lip_row = _lip_row(px_per_radius)
    where, angle, facing = lay_body(pose, profile, columns, _row_shares(px_per_radius, BODY_SHARE))
    apart = ((where[lip_row, ::4, None] - rim.band[None]) ** 2).sum(axis=2)
    seen = np.repeat(rim.seen[apart.argmin(axis=1)], 4)[:columns] & (facing > LEAST_FACING)
    turn = (np.degrees(angle - find_top(pose)) % 360).astype(np.float32)
    return _Grid(where, turn, seen, False, lip_row, columns / length_px, 2 * px_per_radius)


def _lay_posed_grid(photo: Photo, rim: RimCurve, pose: RimPose) -> _Grid | None:
    assert rim.curve is not None
    columns = int(np.clip(round(_closed_length(rim.curve)), 64, MAX_COLUMNS))
    lip = flatten_lip(rim.curve, pose, columns)
    px_per_radius = columns / lip.length
    lip_row = _lip_row(px_per_radius)
    depths = _row_shares(px_per_radius, INSIDE_SHARE)
    where = lay_surface(pose, lip, depths)
    seen = seen_on_curve(rim)[lip.index] & (facing_share(pose, lip) > LEAST_FACING)
    turn = np.degrees(np.arctan2(lip.points[:, 1], lip.points[:, 0]))
    angle = ((turn - turn[0]) % 360).astype(np.float32)
    closed, kept = True, np.arange(columns)
    band_row = where[lip_row + (len(depths) - lip_row) // 3]
    inside = ((band_row >= 0) & (band_row <= [photo.width - 1, photo.height - 1])).all(axis=1)
    if inside.mean() < WHOLE_SHARE:
        cropped = crop_band(inside)
        if cropped is None:
            return None
        closed, kept = False, cropped
    return _Grid(
        np.ascontiguousarray(where[:, kept]),
        angle[kept],
        seen[kept],
        closed,
        lip_row,
        columns / _closed_length(rim.curve),
        px_per_radius * measure_width(lip.points),
    )


def _closed_length(curve: FloatArray) -> float:
    return float(np.linalg.norm(curve - np.roll(curve, 1, axis=0), axis=1).sum())


def _lay_guided_grid(rim: RimCurve) -> _Grid:
    line = np.vstack([rim.band, rim.band[:1]]) if rim.closed else rim.band
    length_px = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    columns = int(np.clip(round(length_px), 64, MAX_COLUMNS))
    px_scale = columns / length_px
    px_per_radius = float(np.median(np.linalg.norm(rim.inward, axis=1))) * px_scale
    points, inward, _ = _resample(rim.band, rim.inward, columns, rim.closed)
    where = points[None] + inward[None] * _row_shares(px_per_radius, INSIDE_SHARE)[:, None, None]
    turned = np.unwrap(np.radians(rim.angle_deg))
    if rim.closed:
        turned = np.append(turned, turned[0] + 2 * np.pi)
    along = np.linspace(0, len(turned) - 1, columns, endpoint=not rim.closed)
    angle = np.degrees(np.interp(along, np.arange(len(turned)), turned)) % 360
    share = np.linspace(0, 1, columns, endpoint=not rim.closed)
    seen = rim.seen[np.minimum((share * len(rim.seen)).astype(int), len(rim.seen) - 1)]
    diameter = 2 * px_per_radius if rim.curve is not None else float("nan")
    lip_row = _lip_row(px_per_radius)
    return _Grid(where, angle.astype(np.float32) % 360, seen, rim.closed, lip_row, px_scale, diameter)


def _resample(
    points: FloatArray, vectors: FloatArray, count: int, closed: bool
) -> tuple[FloatArray, FloatArray, float]:
    """Points and vectors at ``count`` places even in arc length, and the length."""
    if closed:
        points, vectors = np.vstack([points, points[:1]]), np.vstack([vectors, vectors[:1]])
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0, length[-1], count, endpoint=not closed)
    both = [np.stack([np.interp(at, length, a[:, k]) for k in (0, 1)], axis=1) for a in (points, vectors)]
    return both[0], both[1], float(length[-1])


def _lip_row(px_per_radius: float) -> int:
    return min(MAX_OUTSIDE_ROWS, round(OUTSIDE_SHARE * px_per_radius))


def _row_shares(px_per_radius: float, inside: float) -> FloatArray:
    """Share of the radius inward of each row, down to ``inside``; row lip_row has 0."""
    lip_row = _lip_row(px_per_radius)
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
