"""The bands of a strip, found from the strip itself: local glaze, print, edge line, border, verge line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
import numpy.typing as npt

from model.border_rows import find_border_rows, find_spans, propose_spans
from model.border_score import SpanFacts
from model.glaze import Glaze, estimate_glaze, rgb_of_planes
from model.line_judgement import find_named_lines

if TYPE_CHECKING:
    from model.rim_band import RimStrip

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Kind = Literal["edge line", "verge line", "border", "line"]
KINDS: dict[str, Kind] = {"edge": "edge line", "verge": "verge line"}

# Print differs from the glaze by this many robust deviations of the bare glaze ...
PRINT_DEVIATIONS = 4.0
# ... and at least by this much in ln Y, or in chromaticity (uneven glaze and JPEG do not; common practice, no
# source; checked on rendered strips).
LEAST_CONTRAST, LEAST_CHROMA = 0.07, 0.07
# A line is unbroken along this share of the strip's height, and no thicker than this share of it.
LINE_RUN_SHARE, THICKEST_LINE_SHARE = 0.5, 0.12
# Cover of a line's rows, and the part of it that lies in long runs.
LEAST_LINE_COVER, LEAST_RUN_SHARE = 0.35, 0.6
# A line's contrast changes less than this, two columns on, beside its size.
GREATEST_UNSTEADINESS = 0.3
# Lines on the lip as thin and as weak (mean |ln Y|) as this are its shade: on rendered strips three in four
# such were no line.
LIP_SHADE_PX, LEAST_LIP_CONTRAST = 3, 0.34
# An edge line starts within this share of the strip below the lip.
EDGE_SHARE = 0.06


@dataclass(frozen=True)
class Band:
    """Rows ``row0`` to ``row1`` (half-open) of a strip, what they are; a line's width, finer than rows."""

    row0: int
    row1: int
    kind: Kind
    width_px: float | None = None


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


def separate_print(strip: RimStrip) -> Bands:
    """Estimate the glaze under the print and mark what differs from it; rows are not looked for.

    Parameters
    ----------
    strip
        Any strip; partial and closed alike.

    Returns
    -------
    Bands
        Without border and lines; without any print where too little was seen.
    """
    inside = _find_inside(strip)
    glaze = estimate_glaze(strip.linear_rgb, inside, strip.closed)
    if glaze is None:
        return _nothing(strip)
    contrast, shift = _depart(glaze)
    print_mask = _find_print(contrast, shift, glaze, inside)
    return Bands(rgb_of_planes(glaze.glaze), contrast, shift, print_mask, (), None)


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
    inside = _find_inside(strip)
    glaze = estimate_glaze(strip.linear_rgb, inside, strip.closed)
    if glaze is None:
        return _nothing(strip)
    contrast, shift = _depart(glaze)
    print_mask = _find_print(contrast, shift, glaze, inside)
    lines = _find_lines(print_mask, contrast, inside, strip.lip_row)
    rows = find_border_rows(contrast, inside, strip.lip_row, strip.blur_px, lines)
    border = Band(*rows, "border") if rows is not None else None
    return Bands(
        glaze_linear_rgb=rgb_of_planes(glaze.glaze),
        contrast=contrast,
        chroma_shift=shift,
        print_mask=print_mask,
        lines=_name_lines(glaze, inside, lines, border, strip),
        border=border,
    )


def span_proposals(strip: RimStrip) -> list[tuple[tuple[int, int], SpanFacts]]:
    """Every span of rows that competes for the border, with its facts: what the score is fitted on."""
    inside = _find_inside(strip)
    glaze = estimate_glaze(strip.linear_rgb, inside, strip.closed)
    if glaze is None:
        return []
    contrast, shift = _depart(glaze)
    lines = _find_lines(_find_print(contrast, shift, glaze, inside), contrast, inside, strip.lip_row)
    return propose_spans(contrast, inside, strip.lip_row, strip.blur_px, lines)


def log_departure(strip: RimStrip) -> tuple[Map, Mask] | None:
    """(3, h, w) ln Y, ln R/G, ln B/G less the glaze's, and (h, w) bool on the piece and seen; None unseen."""
    inside = _find_inside(strip)
    glaze = estimate_glaze(strip.linear_rgb, inside, strip.closed)
    return None if glaze is None else (np.asarray(glaze.planes - glaze.glaze), inside)


def _depart(glaze: Glaze) -> tuple[Map, Map]:
    """Signed ln Y contrast and chromaticity shift, (h, w) each, of the strip from its glaze."""
    rest = glaze.planes - glaze.glaze
    return rest[0], np.asarray(cv2.magnitude(rest[1], rest[2]), np.float32)


def _find_inside(strip: RimStrip) -> Mask:
    inside = strip.seen_mask.copy()
    inside[: strip.lip_row + 1] = False
    return inside


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


def _find_lines(print_mask: Mask, contrast: Map, inside: Mask, lip_row: int) -> list[tuple[int, int]]:
    """Row spans of plain lines: printed along long runs, thin, and little changing along the strip."""
    h = print_mask.shape[0]
    run = max(9, int(LINE_RUN_SHARE * h)) | 1
    # Closed over small breaks first: a line worn at points is a line.
    mask = cv2.morphologyEx(print_mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((1, 3), np.uint8))
    long = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((1, run), np.uint8))
    seen = np.maximum(inside.sum(axis=1), 1)
    cover, in_runs = mask.sum(axis=1) / seen, long.sum(axis=1) / seen
    plain = (in_runs > LEAST_LINE_COVER) & (in_runs > LEAST_RUN_SHARE * cover)
    plain &= _unsteadiness(contrast, inside) < GREATEST_UNSTEADINESS
    spans = find_spans(plain)
    thickest = max(3, round(THICKEST_LINE_SHARE * (h - lip_row)))
    thin = [(first, last) for first, last in spans if last - first <= thickest]
    size = np.where(inside, np.abs(contrast), 0).sum(axis=1) / seen
    return [span for span in thin if not _is_lip_shade(span, size, lip_row)]


def _is_lip_shade(span: tuple[int, int], size: npt.NDArray[np.float64], lip_row: int) -> bool:
    """A thin weak line on the lip itself is its rounding, seen against the light, or the background."""
    first, last = span
    at_lip = first <= lip_row + 2
    return bool(at_lip and last - first <= LIP_SHADE_PX and size[first:last].max() < LEAST_LIP_CONTRAST)


def _unsteadiness(contrast: Map, inside: Mask) -> npt.NDArray[np.float64]:
    """Change of the contrast over two columns beside its size, per row, (h,): small for lines."""
    size = np.where(inside, np.abs(contrast), 0).sum(axis=1)
    change = np.where(inside[:, 2:], np.abs(contrast[:, 2:] - contrast[:, :-2]), 0).sum(axis=1)
    return np.asarray(change / np.maximum(size, 1e-6), np.float64)


def _name_lines(
    glaze: Glaze, inside: Mask, lines: list[tuple[int, int]], border: Band | None, strip: RimStrip
) -> tuple[Band, ...]:
    """Edge and verge line where fitted trees believe in them, and other plain lines off the border."""
    rows = None if border is None else (border.row0, border.row1)
    departure = glaze.planes - glaze.glaze
    found = find_named_lines(departure, inside, strip.lip_row, strip.px_per_diameter, strip.blur_px, rows)
    named = [Band(*found[place], KINDS[place]) for place in found]
    edge_limit = strip.lip_row + max(3, EDGE_SHARE * (strip.seen_mask.shape[0] - strip.lip_row))
    for row0, row1 in lines:
        within = rows is not None and rows[0] < row0 and row1 < rows[1]
        beside = any(row0 <= band.row1 and band.row0 <= row1 for band in named)
        if not within and not beside and row0 > edge_limit:
            named.append(Band(row0, row1, "line"))
    return tuple(sorted(named, key=lambda band: band.row0))
