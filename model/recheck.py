"""Lay two prints on each other and say how well they agree: a second look at the few nearest motifs.

Vectors say "this kind of border"; laid on each other, two prints show whether it is this very one. The best
stretches of the photo's print are slid along the other's at several scales and the four ways a stamp can lie
(as it is, mirrored, turned by half a turn, upside down), at a third of the resolution; the best way is then
refined at full resolution by an affine fit and a small local warp.

References
----------
J. P. Lewis, "Fast Normalized Cross-Correlation", Vision Interface 1995.
G. D. Evangelidis, E. Z. Psarakis, "Parametric Image Alignment Using Enhanced Correlation Coefficient
Maximization", IEEE TPAMI 30(10), 2008.
T. Kroeger, R. Timofte, D. Dai, L. Van Gool, "Fast Optical Flow using Dense Inverse Search", ECCV 2016.
Changed: the flow is smoothed and held within a few pixels, for prints stretch, they do not flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import cv2
import numpy as np
import numpy.typing as npt

from model.print_map import MAP_ROWS, PrintMap, best_starts

FloatArray = npt.NDArray[np.float32]
Lie = Literal["as it is", "mirrored", "turned", "upside down"]
LIES: tuple[Lie, ...] = get_args(Lie)

# Rows judged a little off make one border taller than the other.
SCALES = tuple(float(scale) for scale in np.geomspace(0.78, 1.28, 7))
COARSE = 3
# Stretches of the query that are laid on, each so wide (map px, 150 is some three border heights).
STRETCHES, STRETCH_PX = 3, 150
# Shapes are compared between these sizes (map px at the coarse level): finer is noise, slower is light.
FINE_PX, SLOW_PX = 0.8, 4.0
# The other print may end this far (coarse px) inside the stretch laid on it.
SLACK_ROWS, SLACK_COLUMNS = 5, 15
# Print much fainter than the strongest is not made to match by dividing by nearly nothing.
LEAST_ENERGY_SHARE = 0.3
# The affine fit stops after so many rounds or at so little gain.
FIT_ROUNDS, FIT_GAIN = 12, 1e-3
# The local warp moves no point further than this (map px, a twelfth of the border), and neighbours alike.
MOST_WARP_PX, WARP_SMOOTH_PX = 4.0, 10.0
# Map strength from which a pixel counts as printed in the overlap picture.
PRINTED = 0.35


@dataclass(frozen=True, eq=False)
class Overlap:
    """Two prints laid on each other.

    Attributes
    ----------
    likeness
        Correlation of the two, -1..1, over the stretches laid on; 1 for the same picture.
    refined
        The same after the affine fit and the local warp, over the best stretch only.
    lie
        How the photo's print has to be laid to meet the other.
    scale
        Its height over the other's as the rows were judged, and ``stretch`` its length over its height
        against the other's: a spacing that changed shows here.
    ours, theirs
        (48, n) float32 print strength 0..1 of the best stretch, aligned.
    """

    likeness: float
    refined: float
    lie: Lie
    scale: float
    stretch: float
    ours: FloatArray
    theirs: FloatArray


@dataclass(frozen=True, eq=False)
class QueryPrint:
    """The photo's print made ready once for all candidates."""

    whole: FloatArray  # (48, n) print strength
    starts: tuple[int, ...]
    width: int
    templates: dict[tuple[float, Lie], tuple[FloatArray, ...]]


def prepare_query(print_map: PrintMap) -> QueryPrint | None:
    """Stretches of a photo's print at every scale and lie; None where nothing is printed."""
    starts = best_starts(print_map.planes, STRETCH_PX, STRETCHES)
    if not starts:
        return None
    width = min(STRETCH_PX, print_map.planes.shape[1])
    shapes = _shapes(_shrink(print_map.planes), FINE_PX, SLOW_PX)
    parts = [shapes[:, s // COARSE : (s + width) // COARSE] for s in starts]
    templates = {
        (scale, lie): tuple(np.ascontiguousarray(_lay(_scale(part, scale), lie)) for part in parts)
        for scale in SCALES
        for lie in LIES
    }
    return QueryPrint(_strength(print_map.planes), tuple(starts), width, templates)


def lay_on(query: QueryPrint, other: PrintMap) -> Overlap:
    """Align a photo's print with a gallery photo's and measure how they agree.

    Parameters
    ----------
    query
        From ``prepare_query``.
    other
        The gallery photo's print.
    """
    place = _search(query, other)
    return _refine(query, other, place)


@dataclass(frozen=True)
class _Place:
    likeness: float
    scale: float
    lie: Lie
    stretch: int  # which of the query's stretches lies best
    x: float  # where its first row and column come to lie in the other map, map px
    y: float


def _search(query: QueryPrint, other: PrintMap) -> _Place:
    """The best scale and lie over all stretches together; each finds its own place along the border."""
    shapes = _shapes(_shrink(other.planes), FINE_PX, SLOW_PX)
    ground = cv2.copyMakeBorder(
        shapes, SLACK_ROWS, SLACK_ROWS, SLACK_COLUMNS, SLACK_COLUMNS, cv2.BORDER_CONSTANT, value=0
    )
    squares = ground * ground
    best: _Place | None = None
    for (scale, lie), templates in query.templates.items():
        found = [_slide(template, ground, squares) for template in templates]
        mean = float(np.mean([likeness for likeness, _, _ in found]))
        if best is None or mean > best.likeness:
            top = int(np.argmax([likeness for likeness, _, _ in found]))
            x = (found[top][1] - SLACK_COLUMNS) * COARSE
            y = (found[top][2] - SLACK_ROWS) * COARSE
            best = _Place(mean, scale, lie, top, float(x), float(y))
    assert best is not None  # a prepared query has templates
    return best


def _slide(template: FloatArray, ground: FloatArray, squares: FloatArray) -> tuple[float, int, int]:
    """Greatest correlation of a template with the ground under it, and its column and row."""
    template = template[: ground.shape[0], : ground.shape[1]]
    product = cv2.matchTemplate(ground, template, cv2.TM_CCORR)
    energy = cv2.boxFilter(
        squares,
        -1,
        (template.shape[1], template.shape[0]),
        anchor=(0, 0),
        normalize=False,
        borderType=cv2.BORDER_CONSTANT,
    )[: product.shape[0], : product.shape[1]]
    energy = np.maximum(energy, LEAST_ENERGY_SHARE * float(energy.max()))
    likeness = product / np.sqrt(float((template * template).sum()) * energy + 1e-6)
    row, column = np.unravel_index(int(likeness.argmax()), likeness.shape)
    return float(likeness[row, column]), int(column), int(row)


def _refine(query: QueryPrint, other: PrintMap, place: _Place) -> Overlap:
    """Affine fit and small local warp of the best stretch at full resolution."""
    start = query.starts[place.stretch]
    ours = np.ascontiguousarray(_lay(query.whole[:, start : start + query.width], place.lie))
    theirs = _strength(other.planes)
    matrix = np.array([[place.scale, 0, place.x], [0, place.scale, place.y]], np.float32)
    matrix = _fit_affine(_blur(ours, 1.5), _blur(theirs, 1.5), matrix)
    size = (ours.shape[1], ours.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = np.asarray(cv2.warpAffine(theirs, matrix, size, flags=flags), np.float32)
    covered = cv2.warpAffine(np.ones_like(theirs), matrix, size, flags=flags) > 0.5
    moved = _warp_locally(ours, moved)
    scale_x, scale_y = float(np.hypot(*matrix[:, 0])), float(np.hypot(*matrix[:, 1]))
    refined = _correlate(_high_pass(ours), _high_pass(moved), covered)
    return Overlap(
        place.likeness, refined, place.lie, scale_y, scale_x / max(scale_y, 1e-6), ours, moved * covered
    )


def _fit_affine(ours: FloatArray, theirs: FloatArray, start: FloatArray) -> FloatArray:
    """The start moved to where the two agree best, or the start where no fit is found or it runs away."""
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, FIT_ROUNDS, FIT_GAIN)
    try:
        _, found = cv2.findTransformECC(ours, theirs, start.copy(), cv2.MOTION_AFFINE, criteria)
    except cv2.error:
        return start
    turned = abs(found[0, 1]) + abs(found[1, 0])
    grown = np.abs(np.log(np.maximum([found[0, 0], found[1, 1]], 1e-3) / start[0, 0])).max()
    near = np.abs(found @ _corners(ours) - start @ _corners(ours)).max() < MAP_ROWS
    return np.asarray(found if turned < 0.15 and grown < 0.25 and near else start, np.float32)


def _corners(image: FloatArray) -> FloatArray:
    rows, columns = image.shape
    return np.array([[0, columns, 0, columns], [0, 0, rows, rows], [1, 1, 1, 1]], np.float32)


def _warp_locally(ours: FloatArray, theirs: FloatArray) -> FloatArray:
    """Their print pulled onto ours by a smooth flow of a few pixels at most."""
    a, b = ((np.clip(_blur(image, 1.0), 0, 1) * 255).astype(np.uint8) for image in (ours, theirs))
    flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST).calc(a, b, None)
    flow = np.clip(_blur(flow, WARP_SMOOTH_PX), -MOST_WARP_PX, MOST_WARP_PX)
    y, x = np.mgrid[: ours.shape[0], : ours.shape[1]].astype(np.float32)
    return np.asarray(cv2.remap(theirs, x + flow[..., 0], y + flow[..., 1], cv2.INTER_LINEAR), np.float32)


def draw_overlap(overlap: Overlap) -> npt.NDArray[np.uint8]:
    """Picture (48, n, 3) uint8 RGB: black what both print, blue only the photo, red only the gallery."""
    ours, theirs = (np.clip(image / PRINTED, 0, 1) for image in (overlap.ours, overlap.theirs))
    picture = np.stack([1 - ours, 1 - np.maximum(ours, theirs), 1 - theirs], axis=2)
    return np.asarray(np.rint(picture * 255), np.uint8)


def _strength(planes: npt.NDArray[np.uint8]) -> FloatArray:
    """Print strength 0..1 where seen, zero elsewhere."""
    return np.asarray(planes[..., 0] / np.float32(255) * (planes[..., 1] > 127), np.float32)


def _shrink(planes: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    size = (max(8, planes.shape[1] // COARSE), MAP_ROWS // COARSE)
    return np.asarray(cv2.resize(planes, size, interpolation=cv2.INTER_AREA), np.uint8)


def _shapes(planes: npt.NDArray[np.uint8], fine_px: float, slow_px: float) -> FloatArray:
    """Strength between two sizes, zero where unseen."""
    seen = (planes[..., 1] > 127).astype(np.float32)
    strength = _strength(planes)
    fine = _blur(strength, fine_px) / (_blur(seen, fine_px) + 1e-3)
    slow = _blur(strength, slow_px) / (_blur(seen, slow_px) + 1e-3)
    return np.asarray((fine - slow) * seen, np.float32)


def _high_pass(image: FloatArray) -> FloatArray:
    return _blur(image, FINE_PX) - _blur(image, SLOW_PX * COARSE)


def _correlate(a: FloatArray, b: FloatArray, where: npt.NDArray[np.bool_]) -> float:
    x, y = a * where, b * where
    return float((x * y).sum() / np.sqrt(max(float((a * a).sum() * (y * y).sum()), 1e-9)))


def _blur(image: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)


def _scale(image: FloatArray, scale: float) -> FloatArray:
    size = (max(6, round(image.shape[1] * scale)), max(4, round(image.shape[0] * scale)))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _lay(image: FloatArray, lie: Lie) -> FloatArray:
    if lie == "as it is":
        return image
    if lie == "mirrored":
        return image[:, ::-1]
    return image[::-1, ::-1] if lie == "turned" else image[::-1]
