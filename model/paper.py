"""A sheet of A4 or Letter paper beside the piece: its corners, the table's plane, the lip's diameter."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Size
from model.perspective import focal_length_px
from model.photo import Photo
from model.piece_mask import to_photo

FloatArray = npt.NDArray[np.float64]

# ISO 216; ANSI/ASME Y14.1 size A. Millimetres.
SHEETS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
_SEARCH_SIDE_PX = 640
_LEAST_AREA, _MOST_AREA = 0.01, 0.6  # of the photo
_BRIGHT_SHARE = 0.62  # of the photo's bright end that paper reaches, in encoded lightness
_LARGEST_CHROMA = 24.0  # Lab, under uncorrected light: cream paper under a lamp
_LEAST_FILL = 0.93  # of the four-sided hull that the region fills
_FOCAL_SPREAD = 0.12  # one sigma, relative, where EXIF gives no focal length
_CORNER_PX = 1.0  # one sigma of a refined corner
_HEIGHTS_MM = {
    "from above": (28.0, 13.0),
    "from the side": (75.0, 20.0),
}  # lip over table: plate, cup [memory]
_LARGEST_MISFIT = 0.08  # relative: A4 and Letter differ by .088
_LEAST_FACING = 0.42  # cosine of 65 degrees: flatter, the lip's height over the table decides everything
_DRAWS = 60


@dataclass(frozen=True, eq=False)
class PaperView:
    """Table plane in camera mm: ``origin`` (3,), unit ``axes`` (3, 2), ``normal`` (3,) towards the camera."""

    origin: FloatArray
    axes: FloatArray
    normal: FloatArray
    name: str
    misfit: float


def find_paper(photo: Photo, piece_outline: FloatArray | None) -> FloatArray | None:
    """Corners (4, 2) of a white sheet beside the piece, photo px, clockwise as seen; None without one."""
    small, scale = photo.reduced(_SEARCH_SIDE_PX)
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0), 1.0)
    chroma = np.hypot(lab[..., 1].astype(np.float32) - 128, lab[..., 2].astype(np.float32) - 128)
    bright = lab[..., 0] > _BRIGHT_SHARE * float(np.quantile(lab[..., 0], 0.995))
    region = (bright & (chroma < _LARGEST_CHROMA)).astype(np.uint8)
    edges = cv2.dilate(cv2.Canny(lab[..., 0], 25, 60), np.ones((2, 2), np.uint8))
    region[edges > 0] = 0
    if piece_outline is not None:
        polygon = np.round((piece_outline + 0.5) * scale - 0.5).astype(np.int32)
        cv2.fillPoly(region, [polygon], 0)
    region = cv2.morphologyEx(region, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    best: FloatArray | None = None
    best_area = _LEAST_AREA * region.size
    for contour in contours:
        area = cv2.contourArea(contour)
        corners = (
            _four_corners(contour, region.shape) if best_area < area < _MOST_AREA * region.size else None
        )
        if corners is not None:
            best, best_area = corners, area
    return None if best is None else to_photo(_refine_sides(lab[..., 0], best), scale)


def _four_corners(contour: npt.NDArray[np.int32], shape: tuple[int, ...]) -> FloatArray | None:
    """The contour's four corners, clockwise as seen, if it is a filled quadrangle off the frame."""
    hull = cv2.convexHull(contour)
    length = cv2.arcLength(hull, True)
    for share in (0.015, 0.025, 0.04):
        corners = cv2.approxPolyDP(hull, share * length, True)[:, 0].astype(np.float64)
        if len(corners) == 4:
            break
    else:
        return None
    if (corners < 2).any() or (corners > np.array(shape[1::-1]) - 3).any():
        return None
    if cv2.contourArea(contour) < _LEAST_FILL * cv2.contourArea(corners.astype(np.float32)):
        return None
    x, y = corners.T
    clockwise = (x * np.roll(y, -1) - np.roll(x, -1) * y).sum() > 0
    return np.asarray(corners if clockwise else corners[::-1])


def _refine_sides(lightness: npt.NDArray[np.uint8], corners: FloatArray) -> FloatArray:
    """Fit each side to the steepest lightness across it and intersect neighbouring sides."""
    lines = []
    for first, last in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (last - first) / np.linalg.norm(last - first)
        normal = np.array([along[1], -along[0]])
        at = first + np.linspace(0.12, 0.88, 40)[:, None] * (last - first)
        offsets = np.linspace(-6, 6, 49)
        where = (at[:, None] + offsets[None, :, None] * normal).astype(np.float32)
        profile = cv2.remap(lightness.astype(np.float32), where[..., 0], where[..., 1], cv2.INTER_LINEAR)
        slope = np.abs(profile[:, 4:] - profile[:, :-4])
        points = at + offsets[2:-2][slope.argmax(axis=1)][:, None] * normal
        vx, vy, px, py = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01)[:, 0]
        lines.append((np.array([px, py], dtype=np.float64), np.array([vx, vy], dtype=np.float64)))
    refined = []
    for (p, u), (q, v) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        cross = u[0] * v[1] - u[1] * v[0]
        if abs(cross) < 0.05:
            return corners
        share = ((q - p)[0] * v[1] - (q - p)[1] * v[0]) / cross
        refined.append(p + share * u)
    result = np.array(refined)
    return result if np.abs(result - corners).max() < 12 else corners


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
    """Largest width of a closed lip (N, 2) photo px, taken to lie ``height_mm`` over the table."""
    rays = np.concatenate([(lip - centre) / focal_px, np.ones((len(lip), 1))], axis=1)
    base = view.origin + height_mm * view.normal
    depth = (base @ view.normal) / (rays @ view.normal)
    flat = (rays * depth[:, None] - base) @ view.axes
    angle = np.linspace(0, np.pi, 36, endpoint=False)
    across = flat @ np.stack([np.cos(angle), np.sin(angle)])
    return float((across.max(axis=0) - across.min(axis=0)).max())


def measure_size(photo: Photo, corners: FloatArray, lip: FloatArray, view_kind: str) -> Size | None:
    """The lip's diameter with its 95 % interval from a sheet's corners.

    The interval comes from drawing again what is not known exactly: the corners (1 px), the focal length
    where EXIF has none, the lip's height over the table, and which of the two sheets it is.
    """
    rng = np.random.default_rng(0)
    centre = ((photo.width - 1) / 2, (photo.height - 1) / 2)
    focal = focal_length_px(photo.width, photo.height, photo.focal_length_35mm)
    spread = 0.03 if photo.focal_length_35mm else _FOCAL_SPREAD
    mean_mm, sigma_mm = _HEIGHTS_MM.get(view_kind, _HEIGHTS_MM["from above"])
    step = max(_CORNER_PX, max(photo.width, photo.height) / _SEARCH_SIDE_PX * 0.4)
    found, misfits, facing = [], [], []
    for _ in range(_DRAWS):
        moved = corners + rng.normal(0, step, corners.shape)
        drawn_focal = focal * float(np.exp(rng.normal(0, spread)))
        view = best_view(moved, drawn_focal, centre)
        height = max(0.0, rng.normal(mean_mm, sigma_mm))
        misfits.append(view.misfit)
        facing.append(-view.normal @ view.origin / np.linalg.norm(view.origin))
        found.append(lip_diameter_mm(view, lip, height, drawn_focal, centre))
    low, middle, high = np.quantile(found, [0.025, 0.5, 0.975])
    if np.median(misfits) > _LARGEST_MISFIT or np.median(facing) < _LEAST_FACING:
        return None
    if not 50 < middle < 500 or high > 2 * low:
        return None
    return Size(float(middle), float(low), float(high), "paper")
