"""Where an edge line and a verge line may lie on a strip, and plain facts about each such place.

A line keeps its row all round. Metal mirrors brighter things here and darker ones there, so a line is looked
for in blocks along the rim, with either sign: rows that differ from their neighbours in nearly every block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Map = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Array = npt.NDArray[np.float64]
Span = tuple[int, int]

BLOCKS = 32
# Widths tried, in hundredths of the lip's diameter; lines of .7 to 2.5 mm on pieces of 80 to 320 mm.
WIDTHS = (0.3, 0.5, 0.75, 1.1, 1.6)
# Where an edge line starts and where a verge line may lie, below the lip, in hundredths of the diameter.
EDGE_FROM, EDGE_TO, VERGE_FROM = -0.3, 1.3, 2.5
VERGE_PLACES = 4
# Of a strip whose diameter is not known: its rows reach about so many hundredths of one.
USUAL_REACH = 16.0
LEAST_SEEN_SHARE = 0.4
_SMALL = 1e-4


@dataclass(frozen=True)
class LinePlace:
    """Rows (half-open) where a line may lie, the share of its span in the border, and named facts."""

    row0: int
    row1: int
    facts: dict[str, float]


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Block means (3, h, b) of ln Y, ln R/G, ln B/G less the glaze's, running sums down the rows, use."""

    sums: Array
    usable: Mask
    unit: float
    lip_row: int
    gap: int

    def mean(self, row0: int, row1: int) -> Array:
        """(3, b) mean over rows."""
        last = self.sums.shape[1] - 1
        first, end = min(max(row0, 0), last - 1), min(max(row1, row0 + 1), last)
        return np.asarray((self.sums[:, end] - self.sums[:, first]) / (end - first))


def find_unit_px(h: int, lip_row: int, px_per_diameter: float) -> float:
    """Strip px of a hundredth of the diameter."""
    return px_per_diameter / 100 if np.isfinite(px_per_diameter) else (h - lip_row) / USUAL_REACH


def propose_edge(planes: Map, inside: Mask, lip_row: int, unit_px: float, blur_px: float) -> LinePlace | None:
    """The likeliest place of an edge line.

    Parameters
    ----------
    planes
        (3, h, w) float32 ln Y, ln R/G, ln B/G less those of the glaze.
    inside
        (h, w) bool, seen and on the piece.
    """
    blocks = _average_blocks(planes, inside, lip_row, unit_px, blur_px)
    first = lip_row + 1 + max(0, round(EDGE_FROM * unit_px))
    starts = range(first, lip_row + 2 + round(EDGE_TO * unit_px))
    places = [(row, width) for width in _widths(unit_px) for row in starts]
    return (
        _best_places(blocks, places, 1, one_sided=True, planes=planes, inside=inside)[:1][0]
        if (blocks.usable.sum() >= 4 and places)
        else None
    )


def propose_verge(planes: Map, inside: Mask, lip_row: int, unit_px: float, blur_px: float) -> list[LinePlace]:
    """The likeliest places of a verge line, at most four, as `propose_edge`."""
    blocks = _average_blocks(planes, inside, lip_row, unit_px, blur_px)
    last = planes.shape[1] - 2
    places = [
        (row, width)
        for width in _widths(unit_px)
        for row in range(lip_row + round(VERGE_FROM * unit_px), last - width)
    ]
    if blocks.usable.sum() < 4 or not places:
        return []
    return _best_places(blocks, places, VERGE_PLACES, one_sided=False, planes=planes, inside=inside)


def _widths(unit_px: float) -> list[int]:
    return sorted({max(1, round(width * unit_px)) for width in WIDTHS})


def _average_blocks(planes: Map, inside: Mask, lip_row: int, unit_px: float, blur_px: float) -> _Blocks:
    _, h, w = planes.shape
    wide = max(1, w // BLOCKS)
    count = min(BLOCKS, w // wide)
    cut = (h, count, wide)
    seen = inside[:, : count * wide].reshape(cut)
    weight = np.maximum(seen.sum(axis=2), 1)
    part = np.where(seen, planes[:, :, : count * wide].reshape(3, *cut), 0).sum(axis=3) / weight
    usable = seen[lip_row + 1 :].mean(axis=(0, 2)) > LEAST_SEEN_SHARE
    sums = np.concatenate([np.zeros((3, 1, count)), np.cumsum(part, axis=1, dtype=np.float64)], axis=1)
    gap = int(np.clip(round(blur_px), 1, 4)) if np.isfinite(blur_px) else 1
    return _Blocks(sums, usable, unit_px, lip_row, gap)


def _ridge(blocks: _Blocks, row: int, width: int, one_sided: bool) -> Array:
    """(3, b) how far rows differ from the rows below, or on both sides."""
    flank = max(2, width)
    middle = blocks.mean(row, row + width)
    below = blocks.mean(row + width + blocks.gap, row + width + blocks.gap + flank)
    if one_sided:
        return middle - below
    above = blocks.mean(row - blocks.gap - flank, row - blocks.gap)
    return middle - (above + below) / 2


def _best_places(
    blocks: _Blocks, places: list[Span], count: int, *, one_sided: bool, planes: Map, inside: Mask
) -> list[LinePlace]:
    """The places with the strongest ridges that do not overlap."""
    ridges = np.stack([_ridge(blocks, row, width, one_sided)[:, blocks.usable] for row, width in places])
    size = np.sqrt((np.median(np.abs(ridges), axis=2) ** 2).sum(axis=1))
    widths = np.array([width for _, width in places])
    usual = {int(width): float(np.median(size[widths == width])) + _SMALL for width in np.unique(widths)}
    rise = size / np.array([usual[int(width)] for width in widths])
    strength = size * np.sqrt(np.minimum(widths / blocks.unit, 1.0))
    taken: list[int] = []
    for index in np.argsort(-strength):
        row, width = places[index]
        apart = [row + width + 1 < places[k][0] or places[k][0] + places[k][1] + 1 < row for k in taken]
        if all(apart):
            taken.append(int(index))
        if len(taken) == count:
            break
    found = []
    for rank, index in enumerate(taken):
        row, width = places[index]
        facts = _tell_facts(ridges[index], blocks, row, width)
        facts |= _tell_fine_facts(planes, inside, row, width)
        facts |= {"rise": float(rise[index]), "rank": float(rank)}
        rival = taken[-1 if rank else min(1, len(taken) - 1)]
        # A rim without any print has no ridge at all.
        facts["next best"] = float(strength[rival] / max(float(strength[index]), _SMALL))
        found.append(LinePlace(row, row + width, facts))
    return found


def _tell_facts(ridge: Array, blocks: _Blocks, row: int, width: int) -> dict[str, float]:
    """Named facts of a ridge (3, b)."""
    facts = {
        "width": width / blocks.unit,
        "depth": (row - blocks.lip_row) / blocks.unit,
        "unit px": blocks.unit,
        "blur": blocks.gap / blocks.unit,
        "blocks": float(ridge.shape[1]),
    }
    for name, plane in zip(("y", "r", "b"), ridge, strict=True):
        middle = float(np.median(plane))
        low, high = np.quantile(plane, [0.15, 0.85])
        facts |= {
            f"{name} middle": middle,
            f"{name} low": float(low),
            f"{name} high": float(high),
            f"{name} size": float(np.median(np.abs(plane))),
            f"{name} least": float(np.quantile(np.abs(plane), 0.2)),
            f"{name} one sign": float((np.sign(plane) == np.sign(middle)).mean()),
            f"{name} change": float(np.abs(np.diff(plane)).mean() / (np.abs(plane).mean() + 0.01)),
        }
    level = blocks.mean(row, row + width)[:, blocks.usable]
    for name, plane in zip(("y", "r", "b"), level, strict=True):
        facts[f"{name} level"] = float(np.median(plane))
    return facts


def _tell_fine_facts(planes: Map, inside: Mask, row: int, width: int) -> dict[str, float]:
    """How steady the rows are along the strip, column by column."""
    rows = slice(row, row + width)
    seen = inside[rows].all(axis=0)
    if seen.sum() < 16:
        return {}
    level = planes[0, rows].mean(axis=0)[seen]
    change = float(np.abs(level[2:] - level[:-2]).mean())
    return {
        "unsteady": change / (float(np.abs(level).mean()) + 0.01),
        "cover": float((np.abs(level) > 0.07).mean()),
        "strong cover": float((np.abs(level) > 0.2).mean()),
    }
