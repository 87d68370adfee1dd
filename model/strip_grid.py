"""Where the pixels of an unrolled rim lie in the photo: even along the rim and along its surface."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from model.outline import within_outline
from model.rim_fit import LEAST_FACING, find_pose, find_side_pose, seen_on_curve
from model.rim_pose import RimPose, facing_share, find_top, flatten_lip, lay_surface, measure_width
from model.rim_views import crop_band
from model.side_surface import lay_body, measure_profile

if TYPE_CHECKING:
    from model.photo import Photo
    from model.piece import RimCurve

FloatArray = npt.NDArray[np.float64]

MAX_COLUMNS = 4096
OUTSIDE_SHARE, INSIDE_SHARE = 0.03, 0.32  # of the rim's radius: flat rims reach to about .3 of it
BODY_SHARE = 0.7  # of the lip's radius down the body of a cup seen from the side
BODY_SLACK = 0.01  # of the silhouette's width, that the body may reach beyond it
CLOSE_REACH = 0.5  # of the photo's shorter side, that the rows of a close-up reach at most
TRACE_SHARE, TRACE_SLACK = 0.85, 1.5  # of a drawn line in the strip; cells that a finger may stray
MAX_OUTSIDE_ROWS, MAX_INSIDE_ROWS = 24, 256  # close-ups: what a band of usual width needs
WHOLE_SHARE = 0.97  # of the band inside the photo from which the strip is taken for closed


@dataclass(frozen=True, eq=False)
class StripGrid:
    """Where the strip's pixels lie: (h, w, 2) photo px; (w,) angles; (h, w) seen; the rest as in RimStrip."""

    where: FloatArray
    column_deg: npt.NDArray[np.float32]
    seen: npt.NDArray[np.bool_]
    closed: bool
    lip_row: int
    px_scale: float
    px_per_diameter: float


def lay_grid(photo: Photo, rim: RimCurve, outline: FloatArray | None) -> StripGrid | None:
    """Rows along the piece's own surface where the lip is known, else along the inward vectors."""
    if rim.view == "from above" and rim.curve is not None:
        return _lay_posed_grid(photo, rim, rim.pose or find_pose(photo, rim))
    if rim.view == "from the side" and rim.curve is not None:
        return _lay_side_grid(rim, find_side_pose(photo, rim), outline)
    return _lay_guided_grid(photo, rim)


def _lay_side_grid(rim: RimCurve, pose: RimPose, outline: FloatArray | None) -> StripGrid:
    profile = measure_profile(pose, outline)
    where, angle, _ = lay_body(pose, profile, 64, np.zeros(1))
    length_px = float(np.linalg.norm(np.diff(where[0], axis=0), axis=1).sum())
    columns = int(np.clip(round(length_px), 64, MAX_COLUMNS))
    px_per_radius = columns / abs(float(angle[-1] - angle[0]))
    lip_row = _lip_row(px_per_radius)
    where, angle, facing = lay_body(pose, profile, columns, _row_shares(px_per_radius, BODY_SHARE))
    apart = ((where[lip_row, ::4, None] - rim.band[None]) ** 2).sum(axis=2)
    seen = np.repeat(rim.seen[apart.argmin(axis=1)], 4)[:columns] & (facing > LEAST_FACING)
    seen = np.broadcast_to(seen, where.shape[:2])
    if outline is not None:
        seen = seen & within_outline(outline, where, BODY_SLACK * float(np.ptp(outline[:, 0])))
    turn = (np.degrees(angle - find_top(pose)) % 360).astype(np.float32)
    return StripGrid(where, turn, seen, False, lip_row, columns / length_px, 2 * px_per_radius)


def _lay_posed_grid(photo: Photo, rim: RimCurve, pose: RimPose) -> StripGrid | None:
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
    return StripGrid(
        np.ascontiguousarray(where[:, kept]),
        angle[kept],
        np.broadcast_to(seen[kept], (len(depths), len(kept))),
        closed,
        lip_row,
        columns / _closed_length(rim.curve),
        px_per_radius * measure_width(lip.points),
    )


def _closed_length(curve: FloatArray) -> float:
    return float(np.linalg.norm(curve - np.roll(curve, 1, axis=0), axis=1).sum())


def _lay_guided_grid(photo: Photo, rim: RimCurve) -> StripGrid:
    """A close-up: so many photo px a strip px that its rows hold what a rim, or the photo, does."""
    line = np.vstack([rim.band, rim.band[:1]]) if rim.closed else rim.band
    length_px = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    radius_px = float(np.median(np.linalg.norm(rim.inward, axis=1)))
    reach_px = min(INSIDE_SHARE * radius_px, CLOSE_REACH * min(photo.width, photo.height))
    scale = min(1.0, MAX_COLUMNS / length_px, MAX_INSIDE_ROWS / reach_px)
    columns = max(64, round(length_px * scale))
    px_scale = columns / length_px
    px_per_radius = radius_px * px_scale
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
    seen = np.broadcast_to(seen, where.shape[:2])
    return StripGrid(where, angle.astype(np.float32) % 360, seen, rim.closed, lip_row, px_scale, diameter)


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


def runs_in_strip(photo: Photo, rim: RimCurve, outline: FloatArray | None, line: FloatArray) -> bool:
    """Whether a line (n, 2), photo px, drawn along a border lies in the strip of a rim."""
    grid = lay_grid(photo, rim, outline)
    if grid is None:
        return False
    rows, columns = grid.where.shape[:2]
    step = max(2, columns // 256)
    coarse = grid.where[grid.lip_row :: max(2, rows // 24), ::step].reshape(-1, 2)
    cell_px = step / grid.px_scale
    at = line[:: max(1, len(line) // 64)]
    apart = np.sqrt(((at[:, None] - coarse[None]) ** 2).sum(axis=2).min(axis=1))
    return bool((apart < TRACE_SLACK * cell_px).mean() >= TRACE_SHARE)
