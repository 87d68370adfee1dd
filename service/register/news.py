"""News: what a piece shows that the register did not hold before, said as "not in this register".

A register knows its own pieces and nothing of the rest of the world, so nothing here says more than that.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from service.register.conflict import name_record
from service.register.sightings import Lists, Sighting

NewsKind = Literal[
    "motif", "variant", "motif on line", "motif in metal", "line in metal", "motif on line in metal"
]


@dataclass(frozen=True)
class News:
    """One combination that no other piece of the register shows; ``known`` says what comes nearest."""

    kind: NewsKind
    piece_id: str
    sentence: str
    known: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"kind": self.kind, "piece": self.piece_id, "sentence": self.sentence, "known": self.known}


Part = tuple[str, ...]


@dataclass(frozen=True)
class Combinations:
    """Which pieces show each combination; made once, asked many times."""

    pieces: dict[Part, set[str]]
    count: int

    def known_without(self, part: Part, piece_id: str) -> int:
        """How many other pieces show it."""
        found = self.pieces.get(part, set())
        return len(found) - (piece_id in found)


def index_combinations(sightings: Iterable[Sighting]) -> Combinations:
    """Note every combination that each sighting shows."""
    pieces: dict[Part, set[str]] = {}
    every: set[str] = set()
    for seen in sightings:
        every.add(seen.piece_id)
        for part in _parts(seen).values():
            pieces.setdefault(part, set()).add(seen.piece_id)
    return Combinations(pieces, len(every))


def _parts(seen: Sighting) -> dict[NewsKind, Part]:
    """The combinations of one sighting, broadest first; what is not recorded takes part in none."""
    motif, line, metal = seen.motif_id, seen.line_id, seen.metal
    parts: dict[NewsKind, Part] = {}
    if motif:
        parts["motif"] = ("motif", motif)
    if motif and seen.variant:
        parts["variant"] = ("variant", motif, seen.variant)
    if motif and line:
        parts["motif on line"] = ("motif line", motif, line)
    if motif and metal:
        parts["motif in metal"] = ("motif metal", motif, metal)
    if line and metal:
        parts["line in metal"] = ("line metal", line, metal)
    if motif and line and metal:
        parts["motif on line in metal"] = ("motif line metal", motif, line, metal)
    return parts


def find_news(seen: Sighting, known: Combinations, lists: Lists) -> tuple[News, ...]:
    """What this sighting shows that no other piece does; a narrower combination is not repeated for a
    broader one that is news already."""
    new = {kind for kind, part in _parts(seen).items() if known.known_without(part, seen.piece_id) == 0}
    if "motif" in new:
        new -= {"variant", "motif on line", "motif in metal", "motif on line in metal"}
    if new & {"motif on line", "motif in metal", "line in metal"}:
        new.discard("motif on line in metal")
    kinds = [kind for kind in _parts(seen) if kind in new]
    return tuple(
        News(kind, seen.piece_id, _say(kind, seen, known.count, lists), _say_known(seen, known, lists))
        for kind in kinds
    )


def find_all_news(sightings: Iterable[Sighting], lists: Lists) -> tuple[News, ...]:
    """For every piece what it alone shows: combinations that would leave the register with it."""
    kept = list(sightings)
    known = index_combinations(kept)
    return tuple(news for seen in kept for news in find_news(seen, known, lists))


def _say(kind: NewsKind, seen: Sighting, count: int, lists: Lists) -> str:
    motif = name_record(lists.motifs, seen.motif_id) if seen.motif_id in lists.motifs else "this motif"
    line = name_record(lists.lines, seen.line_id) if seen.line_id in lists.lines else "this line"
    said = {
        "motif": f"{motif}",
        "variant": f"{motif}, {seen.variant},",
        "motif on line": f"{motif} on {line}",
        "motif in metal": f"{motif} in {seen.metal}",
        "line in metal": f"{line} in {seen.metal}",
        "motif on line in metal": f"{motif} on {line} in {seen.metal}",
    }[kind]
    if not seen.piece_number:  # a reading that is no piece yet
        return f"{said[0].upper()}{said[1:]} is not in this register ({count} pieces)."
    others = "one other piece" if count == 2 else f"{max(0, count - 1)} other pieces"
    return f"Leaving piece {seen.piece_number} out, {said} is not in this register ({others})."


def _say_known(seen: Sighting, known: Combinations, lists: Lists) -> str:
    """What the register does hold of the same motif."""
    if not seen.motif_id:
        return ""
    found = [
        (part, len(pieces - {seen.piece_id}))
        for part, pieces in _of_motif(known, seen.motif_id)
        if pieces - {seen.piece_id}
    ]
    said = [
        f"{count} in {metal} on {name_record(lists.lines, line)}"
        for (_, _, line, metal), count in sorted(found)
    ]
    return f"The register holds the motif as {', '.join(said)}." if said else ""


def _of_motif(known: Combinations, motif_id: str) -> list[tuple[tuple[str, str, str, str], set[str]]]:
    lines = sorted({part[2] for part in known.pieces if part[:2] == ("motif line", motif_id)})
    parts = [("motif line metal", motif_id, line, metal) for line in lines for metal in ("gold", "platinum")]
    return [(part, known.pieces[part]) for part in parts if part in known.pieces]
