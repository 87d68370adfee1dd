"""Records that cannot all be right, or that deserve a second look: each with what would settle it.

Nothing is decided here. A *conflict* is a contradiction between records; a *question* is only unlikely.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.register.conflict import Conflict, about_pieces, name_pieces, name_record
from service.register.date_conflicts import find_date_conflicts
from service.register.number_conflicts import find_number_conflicts
from service.register.sightings import Lists, Sighting

# Pieces of one motif on one line in one metal before a single one in the other is worth a second look;
# our own choice: in fewer the lone one is no exception yet.
MANY_ALIKE = 4


def find_conflicts(sightings: Iterable[Sighting], lists: Lists) -> tuple[Conflict, ...]:
    """Every conflict and question of the register, conflicts first, in a fixed order."""
    kept = list(sightings)
    found = [
        *find_number_conflicts(kept, lists),
        *find_date_conflicts(kept, lists),
        *_find_lone_metals(kept, lists),
        *_find_strange_makers(kept, lists),
        *_find_unlisted_variants(kept, lists),
    ]
    return tuple(sorted(found, key=lambda c: (c.weight, c.kind, c.pieces, c.records)))


def _find_lone_metals(sightings: list[Sighting], lists: Lists) -> Iterable[Conflict]:
    """One piece in a metal where many of the same motif and line are in the other."""
    grouped: dict[tuple[str, str], dict[str, dict[str, Sighting]]] = {}
    for seen in sightings:
        if seen.motif_id and seen.line_id and seen.metal:
            metals = grouped.setdefault((seen.motif_id, seen.line_id), {})
            metals.setdefault(seen.metal, {})[seen.piece_id] = seen
    for metals in grouped.values():
        for metal, pieces in metals.items():
            others = [m for m in metals if m != metal and len(metals[m]) >= MANY_ALIKE]
            if len(pieces) == 1 and others:
                lone = next(iter(pieces.values()))
                yield _say_lone_metal(lone, others[0], len(metals[others[0]]), lists)


def _say_lone_metal(seen: Sighting, usual: str, count: int, lists: Lists) -> Conflict:
    records, pieces = about_pieces([seen])
    what = f"{name_record(lists.motifs, seen.motif_id)} on {name_record(lists.lines, seen.line_id)}"
    return Conflict(
        "metal against the register",
        "question",
        records,
        pieces,
        f"Piece {seen.piece_number} has {what} in {seen.metal}; {count} other pieces of this register have "
        f"it in {usual}.",
        "Look at the trim again with white paper beside the piece: under warm lamps platinum looks like "
        "gold, and thin gold can look pale. If the metal holds, it is news for this register.",
    )


def _find_strange_makers(sightings: list[Sighting], lists: Lists) -> Iterable[Conflict]:
    for seen in _once_a_piece(sightings):
        line = lists.lines.get(seen.line_id or "")
        if line is None or None in (line.maker_id, seen.maker_id) or line.maker_id == seen.maker_id:
            continue
        records, pieces = about_pieces([seen])
        maker = name_record(lists.makers, seen.maker_id)
        yield Conflict(
            "maker against the line",
            "conflict",
            (*records, ("line", line.id)),
            pieces,
            f"Piece {seen.piece_number} is recorded as {maker}, but {line.name} is a line of "
            f"{name_record(lists.makers, line.maker_id)}.",
            "Compare the base mark with the maker recorded, and the shape with the line's.",
        )


def _find_unlisted_variants(sightings: list[Sighting], lists: Lists) -> Iterable[Conflict]:
    grouped: dict[tuple[str, str], list[Sighting]] = {}
    for seen in sightings:
        motif = lists.motifs.get(seen.motif_id or "")
        if motif is not None and seen.variant and motif.variants and seen.variant not in motif.variants:
            grouped.setdefault((motif.id, seen.variant), []).append(seen)
    for (motif_id, variant), together in grouped.items():
        records, pieces = about_pieces(together)
        motif = lists.motifs[motif_id]
        yield Conflict(
            "variant not listed",
            "question",
            (*records, ("motif", motif_id)),
            pieces,
            f"{name_pieces(pieces).capitalize()} name the variant “{variant}” of {motif.name}, which lists "
            f"{', '.join(motif.variants)}.",
            "Add the variant to the motif if it is one; a mirrored stamp, the seam or wear is none.",
        )


def _once_a_piece(sightings: Iterable[Sighting]) -> Iterable[Sighting]:
    return {seen.piece_id: seen for seen in sightings}.values()
