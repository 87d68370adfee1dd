"""The lip of a cup, bowl or jug seen from the side, from the segmenter's silhouette and lip line.

From above a piece ends at its lip. From the side the silhouette's top is the far half of the lip, its
ends are the lip's ends, the near half lies within the silhouette, and the body goes on below it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.facts import Ellipse
from model.piece_mask import PieceMask

FloatArray = npt.NDArray[np.float64]
FloatMap = npt.NDArray[np.float32]

ROLLS_DEG = tuple(range(-24, 25, 4))  # a phone held by hand; a piece standing on a table
HANDLE_SHARE = 0.22  # of the silhouette's width: what is thinner is a handle or a knob
RATIOS = (0.05, 0.72)  # axis ratio of the lip: nearly level, to looked into rather than at
LEAST_BODY = 0.45  # body below the near lip, in semi-major axes
LEAST_LINE = 0.28  # mean of the segmenter's lip line along the near half
MOST_MISFIT = 0.055  # mean distance of the silhouette's top from the far half, in semi-major axes
MISFIT_COST = 6.0  # one MOST_MISFIT weighs about as much as LEAST_LINE
LEAST_ROWS = 8
LEAST_WIDTH = 0.5  # of the body's: jugs narrow at the neck, and a filled handle widens the body


@dataclass(frozen=True)
class SideLip:
    """A lip in mask px with its score; higher is better."""

    ellipse: Ellipse
    score: float


def find_side_lip(mask: PieceMask) -> SideLip | None:
    """Find the lip of a piece seen from the side.

    Parameters
    ----------
    mask
        The segmenter's answer.

    Returns
    -------
    SideLip or None
        In mask px; None where the silhouette does not look like a piece seen from the side.
    """
    body = _body(mask.silhouette)
    if body is None:
        return None
    found = [_best_at_roll(body, mask.lip_line, roll) for roll in ROLLS_DEG]
    lips = [lip for lip in found if lip is not None]
    return max(lips, key=lambda lip: lip.score) if lips else None


def _body(silhouette: FloatMap) -> npt.NDArray[np.uint8] | None:
    """The largest part of the silhouette without its handle; None where there is hardly any."""
    seen = (silhouette > 0.5).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(seen)
    if count < 2:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    width = int(stats[largest, cv2.CC_STAT_WIDTH])
    thick = max(3, round(HANDLE_SHARE * width)) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (thick, thick))
    solid = cv2.morphologyEx((labels == largest).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    framed = cv2.copyMakeBorder(solid, thick, thick, thick, thick, cv2.BORDER_REPLICATE)
    opened = cv2.morphologyEx(framed, cv2.MORPH_OPEN, kernel)[thick:-thick, thick:-thick]
    # Opening rounds the corners where the lip ends: give back what touches the body within a few px.
    grown = cv2.dilate(opened, np.ones((1, 2 * (thick // 6) + 3), np.uint8)) & solid
    return grown if grown.sum() > LEAST_ROWS**2 else None


def _best_at_roll(body: npt.NDArray[np.uint8], lip_line: FloatMap, roll_deg: float) -> SideLip | None:
    """The best lip whose long axis lies at this angle."""
    height, width = body.shape
    centre = ((width - 1) / 2, (height - 1) / 2)
    turn = cv2.getRotationMatrix2D(centre, roll_deg, 1.0)
    level = cv2.warpAffine(body, turn, (width, height), flags=cv2.INTER_NEAREST)
    line = cv2.warpAffine(lip_line, turn, (width, height))
    tops = np.where(level.any(axis=0), level.argmax(axis=0), height)
    rows = np.flatnonzero(level.any(axis=1))
    if len(rows) < LEAST_ROWS:
        return None
    columns = np.flatnonzero(level.any(axis=0))
    least = LEAST_WIDTH * (columns[-1] - columns[0]) / 2
    best: SideLip | None = None
    for row in rows[1 : 1 + 2 * len(rows) // 3]:
        lip = _weigh_row(level, line, tops, int(row), int(rows[-1]), float(least))
        if lip is not None and (best is None or lip.score > best.score):
            best = lip
    if best is None:
        return None
    back = cv2.invertAffineTransform(turn)
    cx, cy = back @ [best.ellipse.cx, best.ellipse.cy, 1.0]
    angle = roll_deg % 180
    ellipse = Ellipse(float(cx), float(cy), best.ellipse.semi_major, best.ellipse.semi_minor, angle)
    return SideLip(ellipse, best.score)


def _weigh_row(
    level: npt.NDArray[np.uint8],
    line: FloatMap,
    tops: npt.NDArray[np.intp],
    row: int,
    bottom: int,
    least: float,
) -> SideLip | None:
    """The lip whose ends lie in this row, if the silhouette's top and the lip line bear it out."""
    columns = np.flatnonzero(level[row])
    if len(columns) < LEAST_ROWS:
        return None
    cx, major = (columns[0] + columns[-1]) / 2, (columns[-1] - columns[0]) / 2
    middle = tops[round(cx) - 1 : round(cx) + 2]
    minor = row - float(np.median(middle))
    if major < least or not RATIOS[0] <= minor / major <= RATIOS[1]:
        return None
    if bottom - (row + minor) < LEAST_BODY * major:
        return None
    x = np.arange(int(np.ceil(cx - 0.96 * major)), int(cx + 0.96 * major) + 1)
    x = x[(x >= 0) & (x < level.shape[1])]
    arc = minor * np.sqrt(1 - ((x - cx) / major) ** 2)
    misfit = float(np.abs(tops[x] - (row - arc)).mean() / major)
    if misfit > MOST_MISFIT:
        return None
    near = _along(line, x, row + arc)
    if near < LEAST_LINE:
        return None
    score = near + 0.5 * _along(line, x, row - arc) - MISFIT_COST * misfit
    return SideLip(Ellipse(float(cx), float(row), float(major), float(minor), 0.0), score)


def _along(line: FloatMap, x: npt.NDArray[np.intp], y: FloatArray) -> float:
    """Mean of the lip line at points, the best of three rows each."""
    rows = np.clip(np.rint(y).astype(int)[None] + np.array([[-1], [0], [1]]), 0, line.shape[0] - 1)
    return float(line[rows, x].max(axis=0).mean())
