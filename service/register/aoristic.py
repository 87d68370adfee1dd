"""Aoristic sums: how many pieces may fall in each stretch of years, each piece spread over its bracket.

A piece that may be of any year from 1930 to 1939 gives a tenth of itself to each. The sums are for charts;
they are no dates, and a piece whose bracket is open at one side is counted apart, not spread.

References
----------
The weights are those of A. Palmisano and others, 2017, after I. Ratcliffe, 2000 (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.register.sightings import Sighting


@dataclass(frozen=True)
class AoristicSums:
    """Sums by bin.

    Attributes
    ----------
    edges : len n + 1, years; bin i covers ``edges[i] <= year < edges[i + 1]``.
    sums : len n, in pieces. Pieces wholly inside the edges add up to their number.
    spread : pieces spread over the bins. left_out : pieces with no bracket closed at both sides.
    """

    edges: tuple[int, ...]
    sums: tuple[float, ...]
    spread: int
    left_out: int

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "edges": list(self.edges),
            "sums": [round(value, 6) for value in self.sums],
            "spread": self.spread,
            "left_out": self.left_out,
        }


def sum_spans(starts: Sequence[float], ends: Sequence[float], edges: Sequence[float]) -> np.ndarray:
    """Aoristic sums of half-open spans.

    Parameters
    ----------
    starts, ends : each of len n, years; ``starts < ends``.
    edges : len m + 1, rising.

    Returns
    -------
    (m,) float64: share of each span that lies in each bin, summed.

    Raises
    ------
    ValueError
        A span has no length, or the edges do not rise.
    """
    first, last = np.asarray(starts, float), np.asarray(ends, float)
    borders = np.asarray(edges, float)
    if (first >= last).any() or (np.diff(borders) <= 0).any():
        raise ValueError("expected spans that end after they start, and rising edges")
    # The share of a span that lies before an edge, differenced, is the share within each bin.
    before = np.clip((borders[:, None] - first) / (last - first), 0.0, 1.0).sum(axis=1)
    sums: np.ndarray = np.diff(before)
    return sums


def sum_sightings(sightings: Iterable[Sighting], step_years: int = 5) -> AoristicSums:
    """Sums over pieces by the years of their own evidence, in bins of so many years."""
    by_piece = {s.piece_id: (s.earliest, s.latest) for s in sightings}
    closed = [(a, b + 1) for a, b in by_piece.values() if a is not None and b is not None]
    left_out = len(by_piece) - len(closed)
    if not closed:
        return AoristicSums((), (), 0, left_out)
    starts, ends = zip(*closed, strict=True)
    low = min(starts) // step_years * step_years
    edges = tuple(range(low, max(ends) + step_years, step_years))
    sums = sum_spans(starts, ends, edges)
    return AoristicSums(edges, tuple(float(value) for value in sums), len(closed), left_out)
