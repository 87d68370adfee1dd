"""How the years of lines, motifs, makers or distributors lie to each other, as the lists name them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from service.register.allen import RELATIONS, Relation, relate_dates, say_relations
from service.register.edtf import DateRefused, parse_edtf
from service.register.listed import Distributor, Line, Maker, Motif


@dataclass(frozen=True)
class ListedRelation:
    """Two entries and every relation that their years leave possible, in Allen's order."""

    one_id: str
    other_id: str
    relations: tuple[Relation, ...]
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "one": self.one_id,
            "other": self.other_id,
            "relations": list(self.relations),
            "sentence": self.sentence,
        }


def relate_listed(
    named: Mapping[str, Line] | Mapping[str, Motif] | Mapping[str, Maker] | Mapping[str, Distributor],
) -> tuple[ListedRelation, ...]:
    """Every pair of entries with years, in order of the year that each may have begun in, then of name."""
    dated = [record for record in named.values() if record.years and _begins(record.years) is not None]
    dated.sort(key=lambda record: (_begins(record.years or "") or 0, record.name.casefold(), record.id))
    found = []
    for one, other in combinations(dated, 2):
        possible = relate_dates(one.years or "", other.years or "")
        kept = tuple(relation for relation in RELATIONS if relation in possible)
        found.append(ListedRelation(one.id, other.id, kept, say_relations(possible, one.name, other.name)))
    return tuple(found)


def _begins(years: str) -> int | None:
    """First year, far back where the beginning is open; None where it is no EDTF."""
    try:
        first = parse_edtf(years).first_year
    except DateRefused:  # stored by another version
        return None
    return -(10**9) if first is None else first
