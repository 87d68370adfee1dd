"""One contradiction or question about records, and how pieces and list entries are named in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from service.register.sightings import Sighting

ConflictKind = Literal[
    "one number, two motifs",
    "one number, two metals",
    "metal against the register",
    "number against the line",
    "maker against the line",
    "date outside the line's years",
    "date outside the motif's years",
    "date outside the maker's years",
    "evidence clashes",
    "variant not listed",
    "may be a marriage",
    "mark against the maker",
    "date code not settled",
]
# A conflict over hundreds of pieces is read in its first few; the count says the rest.
MOST_NAMED = 8


@dataclass(frozen=True)
class Conflict:
    """One contradiction or question.

    Attributes
    ----------
    kind : what clashes. weight : "conflict" or "question".
    records : (kind, id) of every record concerned, in order, each once.
    pieces : numbers of the pieces concerned.
    sentence : what clashes. settle : what would settle it.
    """

    kind: ConflictKind
    weight: Literal["conflict", "question"]
    records: tuple[tuple[str, str], ...]
    pieces: tuple[str, ...]
    sentence: str
    settle: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "kind": self.kind,
            "weight": self.weight,
            "records": [{"kind": kind, "id": record_id} for kind, record_id in self.records],
            "pieces": list(self.pieces),
            "sentence": self.sentence,
            "settle": self.settle,
        }


def about_pieces(seen: Iterable[Sighting]) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """Records and numbers of the pieces of some sightings, each once, in order of number."""
    ordered = sorted(seen, key=lambda s: (s.piece_number, s.piece_id, s.decoration_id or ""))
    records: dict[tuple[str, str], None] = {}
    for sighting in ordered:
        records[("piece", sighting.piece_id)] = None
        if sighting.decoration_id is not None:
            records[("decoration", sighting.decoration_id)] = None
    return tuple(records), tuple(dict.fromkeys(sighting.piece_number for sighting in ordered))


def name_pieces(numbers: tuple[str, ...]) -> str:
    """Piece numbers in words; of many the first few."""
    named = list(numbers[:MOST_NAMED])
    more = len(numbers) - len(named)
    if more:
        named.append(f"{more} more")
    word = "piece" if len(numbers) == 1 else "pieces"
    return f"{word} {named[0]}" if len(named) == 1 else f"{word} {', '.join(named[:-1])} and {named[-1]}"


def name_record(named: Mapping[str, Any], record_id: str | None) -> str:
    """A list entry's name, or its id where the list lacks it."""
    record = named.get(record_id or "")
    return str(record.name) if record is not None else str(record_id)
