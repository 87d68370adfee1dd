"""Which rows of a strip carry a stamped border: rows whose contrast changes along the strip and across it.

A line changes only across, moulded ridges only along, shading neither; a stamp does both, all round, and
repeats itself. Spans of busy rows are proposed at several levels and judged by a fitted score.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from model.border_score import SpanFacts, estimate_overlaps, load_recipe

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Profile = npt.NDArray[np.float64]
Span = tuple[int, int]

# Jumps below this many noise deviations are noise; above GREATEST_JUMP (ln Y) more says no more.
NOISE_DEVIATIONS, GREATEST_JUMP = 2.5, 0.40
LEAST_NOISE = 0.006
# Quantile of the jumps that is bare glaze even under a dense border, and where it lies for unit noise.
BARE_PERCENTILE, BARE_DEVIATION = 35, 0.4538
# Window in which along- and across-jumps must meet, as shares of the strip's height below the lip.
MEET_ROWS_SHARE, MEET_COLUMNS_SHARE = 0.05, 0.12
# Levels, from quiet to busiest, at which spans of rows are proposed.
PROPOSAL_RISES = (0.06, 0.12, 0.2, 0.32, 0.5)
# Bare rows within a border (between a row of dots and the rest), as shares of its height.
GAP_SHARES = (0.06, 0.25)
LEAST_BORDER_SHARE, LEAST_BORDER_PX = 0.04, 4
MOST_PROPOSALS = 10
RHYTHM_ROWS = 10
SECTORS = 16


@dataclass(frozen=True)
class Jumps:
    """How much ln Y jumps along (h, w) and across (h, w) the strip, noise taken off; the noise."""

    along: Map
    across: Map
    noise: float


def find_border_rows(
    contrast: Map, inside: Mask, lip_row: int, blur_px: float, lines: list[Span]
) -> Span | None:
    """Find the decorated rows.

    Parameters
    ----------
    contrast
        (h, w) float32 signed ln(Y / Y of the glaze).
    inside
        (h, w) bool: on the piece and seen.
    lip_row, blur_px
        As in the strip.
    lines
        Row spans of plain lines, which are no border by themselves.

    Returns
    -------
    (row0, row1) half-open, or None where no rows stand out.
    """
    proposals = propose_spans(contrast, inside, lip_row, blur_px, lines)
    if not proposals:
        return None
    recipe = load_recipe()
    overlaps = estimate_overlaps([facts for _, facts in proposals], recipe.trees)
    best = int(np.argmax(overlaps))
    return proposals[best][0] if overlaps[best] >= recipe.least_overlap else None


def propose_spans(
    contrast: Map, inside: Mask, lip_row: int, blur_px: float, lines: list[Span]
) -> list[tuple[Span, SpanFacts]]:
    """Spans of busy rows at several levels, each with the facts that judge it; busiest first."""
    body = contrast.shape[0] - lip_row
    jumps = measure_jumps(contrast, inside, blur_px)
    meeting = _meet(jumps, inside, body)
    counts = np.maximum(inside.sum(axis=1), 1)
    activity = np.asarray(meeting.sum(axis=1) / counts, np.float64)
    seen_rows = counts > 0.3 * counts.max()
    seen_rows[: lip_row + 1] = False
    if seen_rows.sum() < 8:
        return []
    quiet = float(np.percentile(activity[seen_rows], 12))
    rows = np.where(seen_rows, activity - quiet, 0)
    free = rows.copy()
    for row0, row1 in lines:
        free[max(0, row0 - 1) : row1 + 1] = 0
    spans = _propose(free, seen_rows, body) | _propose(rows, seen_rows, body)
    ranked = sorted(spans, key=lambda span: -rows[span[0] : span[1]].sum())[:MOST_PROPOSALS]
    profiles = _Profiles(rows, quiet, jumps, counts, meeting)
    return [(span, _tell_facts(span, profiles, contrast, inside, lip_row, lines)) for span in ranked]


@dataclass(frozen=True, eq=False)
class _Profiles:
    activity: Profile
    quiet: float
    jumps: Jumps
    counts: npt.NDArray[np.int_]
    meeting: Map


def measure_jumps(contrast: Map, inside: Mask, blur_px: float) -> Jumps:
    """Central differences at the scale of the blur, less what noise makes, capped."""
    step = int(np.clip(round(blur_px), 1, 4)) if np.isfinite(blur_px) else 2
    smooth = cv2.GaussianBlur(contrast, (0, 0), 0.7)
    usable = cv2.erode(inside.astype(np.uint8), np.ones((2 * step + 1, 2 * step + 1), np.uint8))
    along, across = np.zeros_like(smooth), np.zeros_like(smooth)
    cv2.absdiff(smooth[:, 2 * step :], smooth[:, : -2 * step], along[:, step:-step])
    cv2.absdiff(smooth[2 * step :], smooth[: -2 * step], across[step:-step])
    sample = along[::2, ::3][usable[::2, ::3] > 0]
    noise = LEAST_NOISE
    if sample.size:
        noise = max(noise, float(np.percentile(sample, BARE_PERCENTILE)) / BARE_DEVIATION)
    floor = np.float32(NOISE_DEVIATIONS * noise)
    for jump in (along, across):
        np.clip(jump - floor, 0, GREATEST_JUMP, out=jump)
        jump *= usable
    return Jumps(along, across, noise)


def _meet(jumps: Jumps, inside: Mask, body: int) -> Map:
    """Geometric mean (h, w) of both jumps' local averages."""
    rows = 2 * max(1, round(MEET_ROWS_SHARE * body / 2)) + 1
    columns = 2 * max(2, round(MEET_COLUMNS_SHARE * body / 2)) + 1
    along, across = cv2.blur(jumps.along, (columns, 3)), cv2.blur(jumps.across, (columns, rows))
    return np.asarray(cv2.sqrt(along * across) * inside, np.float32)


def _propose(rows: Profile, seen_rows: npt.NDArray[np.bool_], body: int) -> set[Span]:
    busiest = float(np.percentile(rows[seen_rows], 98))
    if busiest <= 0:
        return set()
    least = max(LEAST_BORDER_PX, round(LEAST_BORDER_SHARE * body))
    found: set[Span] = set()
    for rise in PROPOSAL_RISES:
        spans = find_spans(rows > rise * busiest)
        for gap in GAP_SHARES:
            found |= {span for span in bridge_spans(spans, gap) if span[1] - span[0] >= least}
    return found


def _tell_facts(
    span: Span, profiles: _Profiles, contrast: Map, inside: Mask, lip_row: int, lines: list[Span]
) -> SpanFacts:
    row0, row1 = span
    rows, jumps = profiles.activity, profiles.jumps
    body = contrast.shape[0] - lip_row
    inner = float(rows[row0:row1].mean())
    margin = max(2, (row1 - row0) // 4)
    above = rows[max(lip_row + 1, row0 - margin) : row0]
    below = rows[row1 : row1 + margin]
    total = max(float(rows.clip(0).sum()), 1e-9)
    count = max(1, int(profiles.counts[row0:row1].sum()))
    along, across = (float(j[row0:row1].sum()) / count for j in (jumps.along, jumps.across))
    columns = profiles.meeting[row0:row1].sum(axis=0)
    sectors = np.sort([float(part.mean()) for part in np.array_split(columns, SECTORS)])[::-1]
    in_lines = sum(max(0, min(row1, last) - max(row0, first)) for first, last in lines)
    return SpanFacts(
        activity=inner,
        quiet=profiles.quiet,
        noise=jumps.noise,
        share_of_all=float(rows[row0:row1].sum()) / total,
        rise_above=inner - (float(above.mean()) if above.size else 0.0),
        rise_below=inner - (float(below.mean()) if below.size else 0.0),
        first_rows=float(rows[row0 : row0 + margin // 2].mean()),
        last_rows=float(rows[row1 - margin // 2 : row1].mean()),
        along=along,
        across=across,
        rhythm=measure_rhythm(contrast[row0:row1], inside[row0:row1]),
        gathered=float(sectors[:2].sum() / max(sectors.sum(), 1e-9)),
        top_share=(row0 - lip_row) / body,
        height_share=(row1 - row0) / body,
        line_share=in_lines / (row1 - row0),
        height_px=float(row1 - row0),
    )


def measure_rhythm(contrast: Map, inside: Mask) -> float:
    """How well rows (h, w) repeat along the strip: the highest later peak of their autocorrelation, 0..1."""
    height, width = contrast.shape
    rows = min(height, RHYTHM_ROWS)
    columns = max(16, round(width * rows / height))
    bare = np.where(inside, contrast, 0).astype(np.float32)
    small = cv2.resize(bare, (columns, rows), interpolation=cv2.INTER_AREA)
    small = np.clip(small - small.mean(axis=1, keepdims=True), -GREATEST_JUMP, GREATEST_JUMP)
    power = np.abs(np.fft.rfft(small, 2 * columns, axis=1)) ** 2
    correlation = np.fft.irfft(power.sum(axis=0))[:columns]
    last = int(0.6 * columns)
    overlap = 1 - np.arange(last) / columns
    ratio = correlation[:last] / np.maximum(overlap * correlation[0], 1e-9)
    below = np.flatnonzero(ratio < 0.3)
    return float(np.clip(ratio[below[0] :].max(), 0, 1)) if len(below) else 0.0


def bridge_spans(spans: list[Span], gap_share: float) -> list[Span]:
    """Join neighbouring spans whose gap is small beside what they make together."""
    joined: list[Span] = []
    for first, last in spans:
        if joined and first - joined[-1][1] <= gap_share * (last - joined[-1][0]):
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def find_spans(flags: npt.NDArray[np.bool_]) -> list[Span]:
    """Half-open spans of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
