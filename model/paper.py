"""A sheet of A4 or Letter paper beside the piece: the plane of the table and the diameter of the lip."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Size
from model.perspective import focal_length_px
from model.photo import Photo
from model.rim_pose import measure_width

FloatArray = npt.NDArray[np.float64]

# ISO 216; ANSI/ASME Y14.1 size A. Millimetres.
SHEETS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
SEARCH_SIDE_PX = 640  # at which corners are looked for
SPREAD_OF_FOCAL = (0.03, 0.12)  # one sigma, relative, with EXIF's focal length and without
_CORNER_PX = 1.0  # one sigma of a refined corner
# Lip over table: how likely each kind is, its mean and one sigma. Plates stand 15 to 30 mm high by common
# practice (no source), 18 in the median of rendered ones; deep ones and short stacks stand higher; bowls and
# cups from memory. A steep fall of the surface from the lip is a bowl in 11 of 16 rendered pieces seen from
# above, a lesser one in 10 of 165.
_HEIGHTS_MM: dict[str, tuple[tuple[float, float, float], ...]] = {
    "level": ((0.95, 18.5, 5.0), (0.05, 47.0, 14.0)),
    "steep": ((0.4, 18.5, 5.0), (0.6, 58.0, 15.0)),
    "from the side": ((1.0, 68.0, 14.0),),
}
_STEEP_DEG = 45.0
_LARGEST_MISFIT = 0.08  # relative: A4 and Letter differ by .088
_LEAST_FACING = 0.42  # cosine of 65 degrees: flatter, the lip's height over the table decides everything
_LIP_SHARE = 0.014  # one sigma of the lip's width as it was found, own measure on rendered photos
_MOST_HIDDEN, _HIDDEN_SHARE = 0.5, 0.05  # of a lip; one sigma that each share hidden adds to its width
# Lips outside these were measured from something that is no sheet (cups, jugs and bowls by common practice).
_SMALLEST_MM, _LARGEST_MM = 50.0, {"from above": 500.0, "from the side": 230.0}
_DRAWS = 200


@dataclass(frozen=True, eq=False)
class PaperView:
    """Table plane in camera mm: ``origin`` (3,), unit ``axes`` (3, 2), ``normal`` (3,) towards the camera."""

    origin: FloatArray
    axes: FloatArray
    normal: FloatArray
    name: str
    misfit: float


def view_paper(
    corners: FloatArray, focal_px: float, centre: tuple[float, float], sheet: str, turned: bool
) -> PaperView:
    """Pose of a sheet of known size from its four corners (clockwise), the first side being short or long.

    ``misfit`` is how far the two recovered axes are from equal length and from a right angle: small for
    the right sheet and focal length.
    """
    short, long = SHEETS_MM[sheet]
    w, h = (long, short) if turned else (short, long)
    flat = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
    rays = (corners - centre) / focal_px
    plane = cv2.getPerspectiveTransform(flat, rays.astype(np.float32))
    first, second, origin = plane[:, 0], plane[:, 1], plane[:, 2]
    a, b = float(np.linalg.norm(first)), float(np.linalg.norm(second))
    misfit = abs(np.log(a / b)) + abs(float(first @ second) / (a * b))
    scale = 1 / np.sqrt(a * b)
    if origin[2] < 0:
        scale = -scale
    e1 = first * scale / np.linalg.norm(first * scale)
    e2 = second * scale - (second * scale @ e1) * e1
    e2 /= np.linalg.norm(e2)
    normal = np.cross(e1, e2)
    normal = -normal if normal[2] > 0 else normal
    return PaperView(origin * scale, np.stack([e1, e2], axis=1), normal, sheet, misfit)


def table_normal(photo: Photo, corners: FloatArray) -> FloatArray:
    """(3,) unit normal of the table under a sheet, in camera coordinates, towards the camera."""
    centre = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    return best_view(
        corners, focal_length_px(photo.width, photo.height, photo.focal_length_35mm), centre
    ).normal


def best_view(corners: FloatArray, focal_px: float, centre: tuple[float, float]) -> PaperView:
    """The sheet and direction that fit best."""
    views = [
        view_paper(corners, focal_px, centre, sheet, turned)
        for sheet in SHEETS_MM
        for turned in (False, True)
    ]
    return min(views, key=lambda view: view.misfit)


def lip_diameter_mm(
    view: PaperView, lip: FloatArray, height_mm: float, focal_px: float, centre: tuple[float, float]
) -> float:
    """Diameter of a closed lip (N, 2) photo px, taken to lie ``height_mm`` over the table."""
    return measure_width(flatten_on_table(view, lip, height_mm, focal_px, centre))


def flatten_on_table(
    view: PaperView, points: FloatArray, height_mm: float, focal_px: float, centre: tuple[float, float]
) -> FloatArray:
    """(N, 2) mm in the plane ``height_mm`` over the table, of photo points (N, 2)."""
    rays = np.concatenate([(points - centre) / focal_px, np.ones((len(points), 1))], axis=1)
    base = view.origin + height_mm * view.normal
    depth = (base @ view.normal) / (rays @ view.normal)
    return np.asarray((rays * depth[:, None] - base) @ view.axes)


def draw_lip_heights_mm(view_kind: str, slope_deg: float, count: int, rng: np.random.Generator) -> FloatArray:
    """(count,) likely heights of a lip over the table, by how it is seen and how its rim falls."""
    kinds = _heights_of(view_kind, slope_deg)
    odds, means, sigmas = np.array(kinds).T
    kind = rng.choice(len(kinds), size=count, p=odds)
    return np.asarray(np.maximum(rng.normal(means[kind], sigmas[kind]), 0.0))


def likely_height_mm(view_kind: str, slope_deg: float) -> float:
    """The height of a lip of the likeliest kind."""
    return max(_heights_of(view_kind, slope_deg))[1]


def _heights_of(view_kind: str, slope_deg: float) -> tuple[tuple[float, float, float], ...]:
    if view_kind == "from the side":
        return _HEIGHTS_MM[view_kind]
    return _HEIGHTS_MM["steep" if slope_deg > _STEEP_DEG else "level"]


def measure_size(
    photo: Photo,
    corners: FloatArray,
    lip: FloatArray,
    view_kind: str,
    slope_deg: float = 0.0,
    seen_share: float = 1.0,
) -> Size | None:
    """The lip's diameter with its 95 % interval from a sheet's corners.

    The interval comes from drawing again what is not known exactly: the corners (1 px), the focal length
    where EXIF has none, the lip's height over the table (more for a bowl, whose surface falls steeply from
    the lip by ``slope_deg``), which of the two sheets it is, and the lip's width, the more of it is hidden
    (``seen_share``); of a lip seen from above that is mostly hidden no diameter is told.
    """
    hidden = 0.0 if view_kind == "from the side" else 1 - seen_share
    if hidden > _MOST_HIDDEN:
        return None
    rng = np.random.default_rng(0)
    centre = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    focal = focal_length_px(photo.width, photo.height, photo.focal_length_35mm)
    spread = SPREAD_OF_FOCAL[photo.focal_length_35mm is None]
    heights = draw_lip_heights_mm(view_kind, slope_deg, _DRAWS, rng)
    step = max(_CORNER_PX, max(photo.width, photo.height) / SEARCH_SIDE_PX * 0.4)
    found, misfits, facing = [], [], []
    for height in heights:
        moved = corners + rng.normal(0, step, corners.shape)
        drawn_focal = focal * float(np.exp(rng.normal(0, spread)))
        view = best_view(moved, drawn_focal, centre)
        misfits.append(view.misfit)
        facing.append(-view.normal @ view.origin / np.linalg.norm(view.origin))
        width = lip_diameter_mm(view, lip, height, drawn_focal, centre)
        found.append(width * (1 + rng.normal(0, _LIP_SHARE + _HIDDEN_SHARE * hidden)))
    likely = best_view(corners, focal, centre)
    height = likely_height_mm(view_kind, slope_deg)
    middle = lip_diameter_mm(likely, lip, height, focal, centre)
    low, high = np.quantile(found, [0.025, 0.975])
    if np.median(misfits) > _LARGEST_MISFIT or np.median(facing) < _LEAST_FACING:
        return None
    largest_mm = _LARGEST_MM["from the side" if view_kind == "from the side" else "from above"]
    if not _SMALLEST_MM < middle < largest_mm or high > 2 * low:
        return None
    return Size(middle, min(float(low), middle), max(float(high), middle), "paper")
