"""Text that runs round a mark, made straight: finds the ring that letters stand on and unrolls its arcs.

A reader of straight lines fails on letters along a circle; unrolled about the circle's centre they are
straight, and those that stand on their heads are turned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

# All of these are our own choices, in shares of the picture or of a letter's height.
LEAST_LETTER_SHARE, MOST_LETTER_SHARE = 0.012, 0.2
LEAST_LETTERS = 6  # five letters lie on some circle by chance
LEAST_ARC_DEG = 45.0
OFF_RING = 0.45  # of a letter's height that its middle may lie off the ring
LEAST_BEND = 0.2  # of a letter's height that letters of a ring leave the best straight line by
LINE_WORSE = 1.5  # times as far as they leave the ring
GAP_LETTERS = 2.2  # letter heights of empty ring that end an arc
LEAST_CONTRAST = 10  # grey levels between ink and base
MOST_PARTS = 300  # a mark has fewer letters; more are grain
ROUNDS = 600
MOST_RINGS = 2


@dataclass(frozen=True)
class Ring:
    """A circle that letters stand on.

    Attributes
    ----------
    centre_px, radius_px : of the letters' middles. letter_px : their height.
    arcs_deg : (start, end) of each run of letters, clockwise as seen, 0 to the right; end may pass 360.
    boxes : (n, 4) int32, x, y, width and height of its letters.
    """

    centre_px: tuple[float, float]
    radius_px: float
    letter_px: float
    arcs_deg: tuple[tuple[float, float], ...]
    boxes: np.ndarray


def find_rings(grey: np.ndarray, seed: int = 1) -> tuple[Ring, ...]:
    """Rings of letters in a picture, the one with most letters before the others.

    Parameters
    ----------
    grey : (h, w) uint8.
    """
    boxes = find_letters(grey)
    random = np.random.default_rng(seed)
    rings: list[Ring] = []
    while len(rings) < MOST_RINGS and len(boxes) >= LEAST_LETTERS:
        on_ring, circle = _find_circle(boxes, max(grey.shape), random)
        if circle is None:
            break
        rings.append(_describe(boxes[on_ring], circle))
        boxes = boxes[~on_ring]
    return tuple(rings)


def find_letters(grey: np.ndarray) -> np.ndarray:
    """Boxes of parts about as large as letters: (n, 4) int32, x, y, width, height."""
    size = max(grey.shape)
    smooth = cv2.GaussianBlur(grey, (0, 0), max(0.5, size / 700))
    around = cv2.GaussianBlur(grey, (0, 0), size / 40)
    darker, lighter = cv2.subtract(around, smooth), cv2.subtract(smooth, around)
    # Ink may be lighter than its base; round each letter lies a halo of the other sign, which is weaker.
    apart = darker if np.percentile(darker, 99) >= np.percentile(lighter, 99) else lighter
    least, _ = cv2.threshold(apart, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    ink = (apart > max(least, LEAST_CONTRAST)).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
    boxes = stats[1:, :4]
    longest = boxes[:, 2:].max(axis=1, initial=0)
    filled = stats[1:, 4] / np.maximum(1, boxes[:, 2] * boxes[:, 3])
    fits = (longest > LEAST_LETTER_SHARE * size) & (longest < MOST_LETTER_SHARE * size) & (filled > 0.12)
    kept: np.ndarray = boxes[fits]
    return kept[np.argsort(-longest[fits], kind="stable")[:MOST_PARTS]]


def _find_circle(
    boxes: np.ndarray, size: int, random: np.random.Generator
) -> tuple[np.ndarray, tuple[float, float, float] | None]:
    """The circle that most letters of like size stand on, drawn from threes; None where none is good."""
    middles = boxes[:, :2] + boxes[:, 2:] / 2
    heights = boxes[:, 2:].max(axis=1)
    best: np.ndarray = np.zeros(len(boxes), bool)
    found = None
    for _ in range(ROUNDS):
        three = random.choice(len(boxes), 3, replace=False)
        circle = _circle_through(middles[three])
        if circle is None or not 1.5 * heights[three].max() < circle[2] < 0.7 * size:
            continue
        on_ring = _stand_on(middles, heights, circle, float(np.median(heights[three])))
        if on_ring.sum() > best.sum() and _is_good(middles[on_ring], heights[on_ring], circle):
            best, found = on_ring, circle
    if found is None:
        return best, None
    refined = _fit_circle(middles[best])
    letter = float(np.median(heights[best]))
    on_ring = _stand_on(middles, heights, refined, letter)
    if on_ring.sum() >= best.sum() and _is_good(middles[on_ring], heights[on_ring], refined):
        return on_ring, refined
    return best, found


def _circle_through(three: np.ndarray) -> tuple[float, float, float] | None:
    """Centre and radius through three points, or None where they lie on a line."""
    (ax, ay), (bx, by), (cx, cy) = (map(float, point) for point in three)
    twice = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    if abs(twice) < 1e-6:
        return None
    a2, b2, c2 = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    x = (a2 * (by - cy) + b2 * (cy - ay) + c2 * (ay - by)) / twice
    y = (a2 * (cx - bx) + b2 * (ax - cx) + c2 * (bx - ax)) / twice
    return x, y, math.hypot(ax - x, ay - y)


def _fit_circle(points: np.ndarray) -> tuple[float, float, float]:
    """Least squares (I. Kasa, IEEE Trans. Instrum. Meas. 25, 1976)."""
    matrix = np.column_stack([points, np.ones(len(points))])
    solved = np.linalg.lstsq(matrix, (points**2).sum(axis=1), rcond=None)[0]
    x, y = solved[0] / 2, solved[1] / 2
    return float(x), float(y), float(math.sqrt(max(0.0, solved[2] + x * x + y * y)))


def _stand_on(
    middles: np.ndarray, heights: np.ndarray, circle: tuple[float, float, float], letter: float
) -> np.ndarray:
    off = np.abs(np.hypot(middles[:, 0] - circle[0], middles[:, 1] - circle[1]) - circle[2])
    alike: np.ndarray = (off < OFF_RING * letter) & (heights > 0.4 * letter) & (heights < 1.9 * letter)
    return alike


def _is_good(middles: np.ndarray, heights: np.ndarray, circle: tuple[float, float, float]) -> bool:
    """Enough letters in one arc, over enough of the ring, which fits them far better than a line does."""
    letter = float(np.median(heights))
    angles = _angles_deg(middles, circle)
    for start, end in _find_arcs(middles, circle, letter):
        along = middles[(angles - start) % 360 <= end - start + 1e-6]
        if len(along) < LEAST_LETTERS or end - start < LEAST_ARC_DEG:
            continue
        off_line = np.linalg.svd(along - along.mean(axis=0), compute_uv=False)[-1] / math.sqrt(len(along))
        off_ring = np.hypot(along[:, 0] - circle[0], along[:, 1] - circle[1]) - circle[2]
        if off_line > LINE_WORSE * math.sqrt(float(np.mean(off_ring**2))) and off_line > LEAST_BEND * letter:
            return True
    return False


def _angles_deg(middles: np.ndarray, circle: tuple[float, float, float]) -> np.ndarray:
    angles: np.ndarray = np.degrees(np.arctan2(middles[:, 1] - circle[1], middles[:, 0] - circle[0])) % 360
    return angles


def _find_arcs(
    middles: np.ndarray, circle: tuple[float, float, float], letter: float
) -> list[tuple[float, float]]:
    """Runs of letters along the ring, ended by wide gaps."""
    turned = np.sort(_angles_deg(middles, circle))
    gaps = np.diff(np.append(turned, turned[0] + 360))
    wide = np.flatnonzero(gaps * math.pi / 180 * circle[2] > GAP_LETTERS * letter)
    if len(wide) == 0:
        start = float(turned[(int(np.argmax(gaps)) + 1) % len(turned)])
        return [(start, start + 360 - float(gaps.max()))]
    arcs = []
    for place, gap in enumerate(wide):
        start = float(turned[(gap + 1) % len(turned)])
        end = float(turned[wide[(place + 1) % len(wide)]])
        arcs.append((start, end if end >= start else end + 360))
    return arcs


def _describe(boxes: np.ndarray, circle: tuple[float, float, float]) -> Ring:
    middles = boxes[:, :2] + boxes[:, 2:] / 2
    letter = float(np.median(boxes[:, 2:].max(axis=1)))
    arcs = _find_arcs(middles, circle, letter)
    return Ring(circle[:2], circle[2], letter, tuple(arcs), boxes)


def unroll_arc(picture: np.ndarray, ring: Ring, arc_deg: tuple[float, float]) -> np.ndarray:
    """One arc made straight, outside up, clockwise from left to right.

    Parameters
    ----------
    picture : (h, w, 3) uint8.

    Returns
    -------
    (rows, columns, 3) uint8; letters whose feet point outwards stand on their heads in it.
    """
    margin_deg = math.degrees(1.2 * ring.letter_px / ring.radius_px)
    start, end = (math.radians(arc_deg[0] - margin_deg), math.radians(arc_deg[1] + margin_deg))
    reach = 1.0 * ring.letter_px
    columns = max(8, round((end - start) * ring.radius_px))
    angles = np.linspace(start, end, columns)
    radii = np.linspace(ring.radius_px + reach, max(1.0, ring.radius_px - reach), max(8, round(2 * reach)))
    x = ring.centre_px[0] + radii[:, None] * np.cos(angles)
    y = ring.centre_px[1] + radii[:, None] * np.sin(angles)
    strip: np.ndarray = cv2.remap(
        picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return strip
