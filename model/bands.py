"""The bands of a strip: local glaze, print, edge line, border rows and verge line, found from the strip itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
import numpy.typing as npt

from model.glaze import Glaze, estimate_glaze, rgb_of_planes

if TYPE_CHECKING:
    from model.rim_band import RimStrip

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Profile = npt.NDArray[np.float64]
Kind = Literal["edge line", "verge line", "border", "line"]

# Print differs from the glaze by this many robust deviations of the bare glaze ...
PRINT_DEVIATIONS = 4.0
# ... and at least by this much in ln Y, or in chromaticity (uneven glaze and JPEG do not; common practice, no
# source; checked on rendered strips).
LEAST_CONTRAST, LEAST_CHROMA = 0.07, 0.07
# A jump of ln Y larger than this says no more than this: a few glints must not rule a row.
GREATEST_JUMP = 0.40
# Rows belong to the border where their activity rises this share of the way from quiet to busiest.
BORDER_RISE = 0.22
# The busiest rows must be this much (in ln Y a step) and this many times above the quiet ones.
LEAST_ACTIVITY, LEAST_ACTIVITY_RATIO = 0.012, 1.5
# Bare rows within a border (between a row of dots and the rest), as a share of its height.
GREATEST_GAP_SHARE = 0.28
# A border is no lower than this share of the strip, and than this many pixels.
LEAST_BORDER_SHARE, LEAST_BORDER_PX = 0.035, 4
# A line is unbroken along this share of the strip's height, and no thicker than this share of it.
LINE_RUN_SHARE, THICKEST_LINE_SHARE = 0.3, 0.12
# Cover of a line's rows, and the part of it that lies in long runs.
LEAST_LINE_COVER, LEAST_RUN_SHARE = 0.35, 0.7
# An edge line starts within this share of the strip below the lip.
EDGE_SHARE = 0.06


@dataclass(frozen=True)
class Band:
    """Rows ``row0`` to ``row1`` (half-open) of a strip, and what they are."""

    row0: int
    row1: int
    kind: Kind


@dataclass(frozen=True, eq=False)
class Bands:
    """What separates on a strip.

    Attributes
    ----------
    glaze_linear_rgb
        (h, w, 3) float32 linear sRGB of the glaze with the print removed.
    contrast
        (h, w) float32 signed ln(Y / Y of the glaze); 0 is bare glaze.
    chroma_shift
        (h, w) float32 >= 0, distance from the glaze in (ln R/G, ln B/G).
    print_mask
        (h, w) bool: differs from the glaze beyond its noise. Never above the lip.
    lines
        Edge, verge and other plain lines, lip first.
    border
        The decorated rows, or None.
    """

    glaze_linear_rgb: Map
    contrast: Map
    chroma_shift: Map
    print_mask: Mask
    lines: tuple[Band, ...]
    border: Band | None


def separate_bands(strip: RimStrip) -> Bands:
    """Estimate the glaze under the print, and tell the print's rows apart.

    Parameters
    ----------
    strip
        Any strip; partial and closed alike.

    Returns
    -------
    Bands
        With ``border`` None and no lines where nothing stands out, or where too little was seen.
    """
    inside = strip.seen_mask.copy()
    inside[: strip.lip_row + 1] = False
    glaze = estimate_glaze(strip.linear_rgb, inside, strip.closed)
    if glaze is None:
        return _nothing(strip)
    contrast = glaze.planes[0] - glaze.glaze[0]
    shift = cv2.magnitude(glaze.planes[1] - glaze.glaze[1], glaze.planes[2] - glaze.glaze[2])
    print_mask = _find_print(contrast, shift, glaze, inside)
    lines = _find_lines(print_mask, inside, strip.lip_row)
    border = _find_border(contrast, inside, lines, strip)
    return Bands(
        glaze_linear_rgb=rgb_of_planes(glaze.glaze),
        contrast=contrast,
        chroma_shift=shift,
        print_mask=print_mask,
        lines=_name_lines(lines, border, strip),
        border=border,
    )


def _nothing(strip: RimStrip) -> Bands:
    h, w = strip.seen_mask.shape
    zero = np.zeros((h, w), np.float32)
    return Bands(strip.linear_rgb, zero, zero, np.zeros((h, w), bool), (), None)


def _find_print(contrast: Map, shift: Map, glaze: Glaze, inside: Mask) -> Mask:
    """Pixels beyond the bare glaze's own spread in luminance or in chromaticity."""
    bare = glaze.is_glaze[::3, ::3]
    spread = _spread(contrast[::3, ::3][bare])
    tint = _spread(shift[::3, ::3][bare])
    dark = np.abs(contrast) > max(LEAST_CONTRAST, PRINT_DEVIATIONS * spread)
    # Chroma is coarse in JPEG files: judged on 3 x 3 means.
    other = cv2.blur(shift, (3, 3)) > max(LEAST_CHROMA, PRINT_DEVIATIONS * tint)
    return np.asarray((dark | other) & inside)


def _spread(values: Map) -> float:
    return float(1.4826 * np.median(np.abs(values))) if values.size else 0.0


def _find_lines(print_mask: Mask, inside: Mask, lip_row: int) -> list[tuple[int, int]]:
    """Row spans of plain lines: printed along long runs, thin."""
    h = print_mask.shape[0]
    run = max(9, int(LINE_RUN_SHARE * h)) | 1
    # Closed over small breaks first: a line worn at points is a line.
    mask = cv2.morphologyEx(print_mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((1, 5), np.uint8))
    long = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((1, run), np.uint8))
    seen = np.maximum(inside.sum(axis=1), 1)
    cover, in_runs = mask.sum(axis=1) / seen, long.sum(axis=1) / seen
    plain = (in_runs > LEAST_LINE_COVER) & (in_runs > LEAST_RUN_SHARE * cover)
    spans = _spans(plain)
    thickest = max(3, round(THICKEST_LINE_SHARE * (h - lip_row)))
    return [(first, last) for first, last in spans if last - first <= thickest]


def measure_activity(contrast: Map, inside: Mask, step_px: int) -> Profile:
    """Mean jump of ln Y along the strip of each row, (h,): stamps have it, lines and shading do not."""
    jump = np.abs(contrast[:, step_px:] - contrast[:, :-step_px])
    both = inside[:, step_px:] & inside[:, :-step_px]
    np.minimum(jump, np.float32(GREATEST_JUMP), out=jump)
    return np.asarray((jump * both).sum(axis=1) / np.maximum(both.sum(axis=1), 1), np.float64)


def _find_border(contrast: Map, inside: Mask, lines: list[tuple[int, int]], strip: RimStrip) -> Band | None:
    """The busiest group of rows along the strip, lines left out; None where none is busy."""
    h = contrast.shape[0]
    first = strip.lip_row + 2
    step = int(np.clip(round(1.5 * strip.blur_px), 1, 6)) if np.isfinite(strip.blur_px) else 2
    smooth = cv2.GaussianBlur(contrast, (0, 0), 0.8)
    activity = measure_activity(smooth, inside, step)
    activity = np.convolve(np.pad(activity, 1, mode="edge"), (0.25, 0.5, 0.25), mode="valid")
    seen = inside.mean(axis=1) > 0.3 * inside[first:].mean() if inside[first:].any() else inside.any(axis=1)
    seen[:first] = False
    if seen.sum() < 8:
        return None
    quiet = float(np.percentile(activity[seen], 12))
    rows = np.where(seen, activity, quiet)
    for row0, row1 in lines:
        rows[row0:row1] = quiet
    busiest = float(np.percentile(rows[seen], 97))
    if busiest - quiet < LEAST_ACTIVITY or busiest < LEAST_ACTIVITY_RATIO * quiet:
        return None
    spans = _bridge(_spans(rows > quiet + BORDER_RISE * (busiest - quiet)), h)
    least = max(LEAST_BORDER_PX, round(LEAST_BORDER_SHARE * (h - strip.lip_row)))
    spans = [span for span in spans if span[1] - span[0] >= least]
    if not spans:
        return None
    row0, row1 = max(spans, key=lambda span: float((rows[span[0] : span[1]] - quiet).sum()))
    return Band(row0, row1, "border")


def _bridge(spans: list[tuple[int, int]], h: int) -> list[tuple[int, int]]:
    """Join neighbouring spans whose gap is small beside what they make together."""
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first - joined[-1][1] <= GREATEST_GAP_SHARE * (last - joined[-1][0]):
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def _name_lines(lines: list[tuple[int, int]], border: Band | None, strip: RimStrip) -> tuple[Band, ...]:
    """Edge line at the lip; verge line below the border, or in the lower half; the rest are lines."""
    h = strip.seen_mask.shape[0]
    edge_limit = strip.lip_row + max(3, EDGE_SHARE * (h - strip.lip_row))
    named: list[Band] = []
    for row0, row1 in lines:
        if border is not None and border.row0 < row0 and row1 < border.row1:
            continue
        below = border.row1 if border is not None else strip.lip_row + (h - strip.lip_row) // 2
        kind: Kind = "edge line" if row0 <= edge_limit else "verge line" if row0 >= below - 2 else "line"
        named.append(Band(row0, row1, kind))
    return tuple(named)


def _spans(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open spans of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
