"""Order of the motifs in time, with its uncertainty: by dated pieces, and by the lines that motifs share.

Two looks, kept apart. By dates: every dated piece of a motif may be of any year of its bracket; drawing
pieces and years anew shows how far the motif's middle moves, and how often it stays before another's. By
lines: correspondence analysis of motif by line, which needs no dates and knows no direction.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.register.listed import Motif
from service.register.seriation import SURE_SHARE, Seriation, seriate
from service.register.sightings import Sighting

DRAWS = 200
# Under so many dated pieces a motif's middle hangs on one or two of them; our own choice.
FEW_PIECES = 3
# Of more pieces so many are drawn, which keeps large registers quick; the doubt is then shown too wide,
# never too narrow.
MOST_PIECES = 500


@dataclass(frozen=True)
class MotifPlace:
    """One motif in the order.

    Attributes
    ----------
    pieces : with a bracket closed at both sides; ``pieces_undated`` the others.
    first_year, last_year : first and last year that any of them may be of.
    middle_low, middle, middle_high : years; nine in ten draws have the motif's middle between the outer two.
    sure_after : it comes after the motif before it in at least 95 % of draws; None for the first.
    few : hangs on very few pieces.
    """

    motif_id: str
    name: str
    pieces: int
    pieces_undated: int
    first_year: int
    last_year: int
    middle_low: float
    middle: float
    middle_high: float
    sure_after: bool | None
    few: bool


@dataclass(frozen=True)
class MotifOrder:
    """Motifs in order of time, the undated ones, and the order by shared lines where there is one."""

    places: tuple[MotifPlace, ...]
    undated: tuple[str, ...]
    by_lines: tuple[str, ...] | None
    by_lines_sure: tuple[bool, ...]
    by_lines_chance_share: float | None
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "places": [vars(place) for place in self.places],
            "undated": list(self.undated),
            "by_lines": None
            if self.by_lines is None
            else {
                "order": list(self.by_lines),
                "sure_steps": list(self.by_lines_sure),
                "chance_share": self.by_lines_chance_share,
            },
            "sentence": self.sentence,
        }


def order_motifs(sightings: Sequence[Sighting], motifs: Mapping[str, Motif], seed: int = 1) -> MotifOrder:
    """Put the motifs of a register in order of time."""
    brackets = _collect_brackets(sightings)
    dated = {motif: rows for motif, rows in brackets.items() if len(rows[0])}
    undated = tuple(sorted(_name(motifs, m) for m in brackets if m not in dated))
    random = np.random.default_rng(seed)
    middles = {motif: _draw_middles(rows[0], random) for motif, rows in dated.items()}
    order = sorted(dated, key=lambda m: (float(np.median(middles[m])), m))
    places = []
    for number, motif in enumerate(order):
        before = middles[order[number - 1]] if number else None
        places.append(_place(motif, _name(motifs, motif), dated[motif], middles[motif], before))
    by_lines, seriation = _order_by_lines(sightings, middles)
    return MotifOrder(
        tuple(places),
        undated,
        None if by_lines is None else tuple(_name(motifs, motif) for motif in by_lines),
        seriation.sure_steps if seriation else (),
        seriation.chance_share if seriation else None,
        _say(places, undated),
    )


def _collect_brackets(sightings: Sequence[Sighting]) -> dict[str, tuple[np.ndarray, int]]:
    """For each motif the (n, 2) years of its dated pieces, and how many have no closed bracket."""
    found: dict[str, dict[str, tuple[int | None, int | None]]] = {}
    for seen in sightings:
        if seen.motif_id is not None:
            found.setdefault(seen.motif_id, {})[seen.piece_id] = (seen.earliest, seen.latest)
    collected = {}
    for motif, pieces in found.items():
        closed = sorted((a, b) for a, b in pieces.values() if a is not None and b is not None)
        collected[motif] = (np.array(closed, int).reshape(-1, 2), len(pieces) - len(closed))
    return collected


def _draw_middles(years: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """(DRAWS,) medians of pieces drawn with replacement, each at a random year of its bracket."""
    count = min(len(years), MOST_PIECES)
    rows = random.integers(0, len(years), (DRAWS, count))
    first, last = years[rows, 0], years[rows, 1]
    drawn = first + random.random(rows.shape) * (last + 1 - first)
    medians: np.ndarray = np.median(drawn, axis=1)
    return medians


def _place(
    motif: str, name: str, rows: tuple[np.ndarray, int], middles: np.ndarray, before: np.ndarray | None
) -> MotifPlace:
    years, undated = rows
    low, middle, high = (round(float(q), 1) for q in np.quantile(middles, (0.05, 0.5, 0.95)))
    sure = None if before is None else bool(np.mean(before < middles) >= SURE_SHARE)
    first, last = int(years[:, 0].min()), int(years[:, 1].max())
    few = len(years) < FEW_PIECES
    return MotifPlace(motif, name, len(years), undated, first, last, low, middle, high, sure, few)


def _order_by_lines(
    sightings: Sequence[Sighting], middles: Mapping[str, np.ndarray]
) -> tuple[tuple[str, ...] | None, Seriation | None]:
    """Motifs by the lines they share, turned so that it runs with the dates where there are two or more."""
    counts: dict[tuple[str, str], int] = {}
    for seen in sightings:
        if seen.motif_id is not None and seen.line_id is not None:
            counts[seen.motif_id, seen.line_id] = counts.get((seen.motif_id, seen.line_id), 0) + 1
    names = sorted({motif for motif, _ in counts})
    lines = sorted({line for _, line in counts})
    table = np.array([[counts.get((motif, line), 0) for line in lines] for motif in names], float)
    seriation = seriate(table) if len(names) >= 3 else None
    if seriation is None:
        return None, None
    if _runs_backwards(seriation, names, middles):
        seriation = _turn(seriation)
    return tuple(names[row] for row in seriation.order), seriation


def _runs_backwards(seriation: Seriation, names: list[str], middles: Mapping[str, np.ndarray]) -> bool:
    known = [row for row, name in enumerate(names) if name in middles]
    if len(known) < 2:
        return False
    years = np.array([np.median(middles[names[row]]) for row in known])
    scores = np.array([seriation.scores[row] for row in known])
    return bool(np.dot(years - years.mean(), scores - scores.mean()) < 0)


def _turn(seriation: Seriation) -> Seriation:
    """The same order read from its other end."""
    turned = tuple(tuple(1 - share for share in row) for row in seriation.before_share)
    return Seriation(
        seriation.order[::-1],
        tuple(-score for score in seriation.scores),
        seriation.eigenvalue,
        seriation.inertia_share,
        turned,
        seriation.chance_share,
    )


def _name(motifs: Mapping[str, Motif], motif_id: str) -> str:
    return motifs[motif_id].name if motif_id in motifs else motif_id


def _say(places: Sequence[MotifPlace], undated: Sequence[str]) -> str:
    if not places:
        return "No motif has a piece dated at both sides, so there is no order by dates yet."
    steps = len(places) - 1
    sure = sum(1 for place in places if place.sure_after)
    said = f"{len(places)} motifs by the middle of their dated pieces; {sure} of {steps} steps are sure."
    return said + (f" Without dates: {', '.join(undated)}." if undated else "")
