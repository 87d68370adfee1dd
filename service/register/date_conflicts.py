"""Conflicts of dates: a piece's own evidence against the years of its line, motif or maker, or itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.register.brackets import find_bracket
from service.register.claims import collect_claims
from service.register.conflict import Conflict, ConflictKind, about_pieces, name_pieces
from service.register.edtf import DateRefused, Edtf, parse_edtf
from service.register.edtf_said import say_edtf
from service.register.sightings import Lists, PieceFile, Sighting

_KINDS: dict[str, ConflictKind] = {
    "line": "date outside the line's years",
    "motif": "date outside the motif's years",
    "maker": "date outside the maker's years",
}


def find_date_conflicts(sightings: Sequence[Sighting], lists: Lists) -> Iterable[Conflict]:
    """Pieces dated outside the years of what they belong to, together for each list entry; then clashes."""
    for kind, named in (("line", lists.lines), ("motif", lists.motifs), ("maker", lists.makers)):
        years = _read_years(named)
        outside: dict[str, list[Sighting]] = {}
        for seen in sightings:
            record_id = getattr(seen, f"{kind}_id")
            if record_id in years and _lies_outside(seen, years[record_id]):
                outside.setdefault(record_id, []).append(seen)
        for record_id, together in outside.items():
            yield _say_outside(kind, named[record_id], years[record_id], together)
    clashing = {seen.piece_id: seen for seen in sightings if seen.clash}
    for seen in clashing.values():
        yield _say_clash(seen)


def _read_years(named: Mapping[str, Any]) -> dict[str, Edtf]:
    years = {}
    for record_id, record in named.items():
        try:
            years[record_id] = parse_edtf(record.years or "")
        except DateRefused:  # none, or stored by another version: no years to compare with
            continue
    return years


def _lies_outside(seen: Sighting, years: Edtf) -> bool:
    """No year of the piece is within any span of the entry's years."""
    if seen.earliest is None and seen.latest is None:
        return False
    return not any(
        (seen.earliest is None or span.last_year is None or seen.earliest <= span.last_year)
        and (seen.latest is None or span.first_year is None or seen.latest >= span.first_year)
        for span in years.spans
    )


def _say_outside(kind: str, record: Any, years: Edtf, together: list[Sighting]) -> Conflict:
    records, pieces = about_pieces(together)
    dated = {seen.piece_number: _say_years(seen) for seen in together}
    listed = name_pieces(tuple(f"{number} ({dated[number]})" for number in pieces))
    word = "lies" if len(pieces) == 1 else "lie"
    source = f" by {record.source}" if record.source else ", no source noted"
    return Conflict(
        _KINDS[kind],
        "conflict",
        (*records, (kind, record.id)),
        pieces,
        f"{listed[0].upper()}{listed[1:]} {word} outside the years of {record.name} "
        f"({say_edtf(years)}{source}).",
        f"Find out which is wrong: the dated evidence, the {kind} recorded, or the years of {record.name}. "
        f"A mark or a catalogue dates itself, not the piece.",
    )


def _say_years(seen: Sighting) -> str:
    if seen.earliest is None:
        return f"{seen.latest} or earlier"
    if seen.latest is None:
        return f"{seen.earliest} or later"
    return str(seen.earliest) if seen.earliest == seen.latest else f"{seen.earliest} to {seen.latest}"


def _say_clash(seen: Sighting) -> Conflict:
    records, pieces = about_pieces([seen])
    return Conflict(
        "evidence clashes",
        "conflict",
        records,
        pieces,
        f"The dated evidence of piece {seen.piece_number} leaves no year in which all of it is right.",
        "Open the piece: its bracket names the sources that clash. Check what each of them really dates.",
    )


def explain_clash(file: PieceFile) -> Conflict | None:
    """The clash of one piece's evidence with every clashing source named; None where nothing clashes.

    Unlike the list of conflicts it also weighs the years of the piece's line, motif, maker and distributor.
    """
    bracket = find_bracket(collect_claims(file))
    if bracket.status != "conflict":
        return None
    claims = {claim: None for clash in bracket.clashes for claim in clash.claims}
    records = dict.fromkeys((claim.record_kind, claim.record_id) for claim in claims)
    return Conflict(
        "evidence clashes",
        "conflict",
        (("piece", file.piece.id), *records),
        (file.piece.number,),
        f"No date fits all the evidence of piece {file.piece.number}. "
        + " ".join(clash.sentence for clash in bracket.clashes),
        "Check what each of these sources really dates; the weaker one may bound the piece at one side: "
        "set its bearing to “not before” or “not after”.",
    )
