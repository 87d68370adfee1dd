"""Overlaps: one motif on several lines, gold here and platinum there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.register.grid import Grid


@dataclass(frozen=True)
class Overlap:
    """A motif that more than one line or metal shares.

    Attributes
    ----------
    counts : for each line, pieces by metal ("" where the metal is not recorded).
    metals_differ : some line has it in one metal and another line in the other.
    both_on : lines that have it in both metals.
    """

    motif_id: str
    motif: str
    counts: Mapping[str, Mapping[str, int]]
    metals_differ: bool
    both_on: tuple[str, ...]
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "motif": self.motif_id,
            "name": self.motif,
            "lines": {line: dict(metals) for line, metals in self.counts.items()},
            "metals_differ": self.metals_differ,
            "both_on": list(self.both_on),
            "sentence": self.sentence,
        }


def find_overlaps(grid: Grid) -> tuple[Overlap, ...]:
    """Motifs on several lines or in both metals, those whose metals differ between lines first."""
    by_motif: dict[str, dict[str, dict[str, int]]] = {}
    for (motif, line, metal), cell in grid.cells.items():
        if motif is not None and line is not None:
            by_motif.setdefault(motif, {}).setdefault(line, {})[metal or ""] = cell.pieces
    names, lines = dict(grid.motifs), dict(grid.lines)
    found = [
        _describe(motif, names[motif], counts, lines)
        for motif, counts in by_motif.items()
        if len(counts) > 1 or any({"gold", "platinum"} <= set(metals) for metals in counts.values())
    ]
    return tuple(sorted(found, key=lambda o: (not o.metals_differ, -len(o.counts), o.motif.casefold())))


def _describe(
    motif_id: str, motif: str, counts: dict[str, dict[str, int]], lines: Mapping[str | None, str]
) -> Overlap:
    known = {line: set(metals) - {""} for line, metals in counts.items()}
    both = tuple(sorted(line for line, metals in known.items() if len(metals) == 2))
    alone = [metals for metals in known.values() if len(metals) == 1]
    differ = any(one != other for one in alone for other in alone)
    said = "; ".join(
        f"{lines[line]}: {_say_counts(counts[line])}" for line in sorted(counts, key=lambda k: lines[k])
    )
    where = f"on {len(counts)} lines" if len(counts) > 1 else "on one line in both metals"
    return Overlap(motif_id, motif, counts, differ, both, f"{motif} is {where} in this register. {said}.")


def _say_counts(metals: Mapping[str, int]) -> str:
    return ", ".join(
        f"{metals[m]} {m or 'of unrecorded metal'}" for m in ("gold", "platinum", "") if m in metals
    )
