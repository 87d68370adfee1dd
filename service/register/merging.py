"""Two records of one object made one: proposed by likeness, done or refused by a person, never by itself."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import sqlalchemy as sa

from service.errors import RecordConflict
from service.register.draft import Draft
from service.register.forms import full_json, read_record, record_body
from service.register.joining import list_kept_apart, put_apart
from service.register.meant import find_row
from service.register.records import Decoration, Evidence, KeptApart, Mark, Opinion, Piece, Record
from service.register.shelf import find_hanging, find_record, find_said_about, of_type, record_of
from service.register.tables import link
from service.register.tables import record as table

JOINED = ("measurements", "defects", "photos", "goes_with")
NEVER_FILLED = ("id", "number", "owned", "count", *JOINED, "wear", "note")


def put_merged(draft: Draft, keep: str, drop: str) -> tuple[Piece, dict[str, list[Any]]]:
    """Let the second piece go up in the first; what both say and differs stays as the first has it.

    Returns
    -------
    tuple
        The piece, and for each field that differed both values: kept, given up.

    Raises
    ------
    NotFound, RecordConflict, RecordError
        No such piece; they are the same; the merge was refused before; their notes are too long together.
    """
    kept, gone = _find_piece(draft.tx, keep), _find_piece(draft.tx, drop)
    if kept.id == gone.id:
        raise RecordConflict("A piece cannot be merged with itself.")
    if gone.id in list_kept_apart(draft.tx, kept.id):
        raise RecordConflict("This merge was refused before: take the refusal back first, then merge.")
    differences = find_differences(kept, gone)
    merged = _join_pieces(kept, gone)
    read_record("piece", merged.id, record_body(merged))  # joined, it may be longer than a record can be
    draft.put(merged)
    _move_hanging(draft, kept.id, gone.id)
    _point_elsewhere(draft, kept.id, gone.id)
    put_apart(draft, kept.id, list(list_kept_apart(draft.tx, gone.id)))
    draft.drop(gone.id)
    return merged, differences


def find_differences(one: Piece, other: Piece) -> dict[str, list[Any]]:
    """Fields that both fill in, with different values; what is private is named, not shown."""
    mine, theirs = full_json(one, True), full_json(other, True)
    skipped = ("id", "record_kind", *JOINED)
    both = {n: [mine[n], theirs[n]] for n in mine if n not in skipped and mine[n] != theirs[n]}
    filled = {n: pair for n, pair in both.items() if all(value not in (None, []) for value in pair)}
    return {n: ["…", "…"] if n == "private" else pair for n, pair in filled.items()}


def _find_piece(tx: sa.Connection, which: str) -> Piece:
    piece = find_record(tx, "piece", find_row(tx, "piece", which).id)
    assert isinstance(piece, Piece)
    return piece


def _join_pieces(kept: Piece, gone: Piece) -> Piece:
    joined: dict[str, Any] = {}
    for name in JOINED:
        both = dict.fromkeys((*getattr(kept, name), *getattr(gone, name)))
        joined[name] = tuple(entry for entry in both if entry not in (kept.id, gone.id))
    hours = {wear.clock: wear for wear in (*gone.wear, *kept.wear)}
    joined["wear"] = tuple(hours[clock] for clock in sorted(hours))
    empty = [f.name for f in fields(kept) if f.name not in NEVER_FILLED and getattr(kept, f.name) is None]
    joined |= {name: getattr(gone, name) for name in empty}
    if kept.private is not None and gone.private is not None:
        told = {f.name: getattr(kept.private, f.name) for f in fields(kept.private)}
        filled = {name: value or getattr(gone.private, name) for name, value in told.items()}
        joined["private"] = replace(kept.private, **filled)
    notes = [kept.note, gone.note, f"Also recorded as piece {gone.number}."]
    joined["note"] = "\n".join(dict.fromkeys(note for note in notes if note))
    return replace(kept, **joined)


def _move_hanging(draft: Draft, kept_id: str, gone_id: str) -> None:
    """Decorations, marks, evidence and opinions of the second become the first's; what is double goes."""
    hanging = find_hanging(draft.tx, [kept_id, gone_id])
    known = [_look_of(record) for record in hanging.get(kept_id, ())]
    said = find_said_about(draft.tx, [gone_id, *(record.id for record in hanging.get(gone_id, ()))])
    same = dict(zip(known, hanging.get(kept_id, ()), strict=True))
    for record in hanging.get(gone_id, ()):
        double = same.get(_look_of(record))
        if isinstance(record, KeptApart):
            draft.drop(record.id)
        elif double is not None:
            draft.drop(record.id)
            _turn_to(draft, said.get(record.id, []), double.id)
        elif isinstance(record, Decoration | Mark):
            draft.put(replace(record, piece_id=kept_id))
    _turn_to(draft, said.get(gone_id, []), kept_id)


def _look_of(record: Record) -> tuple[Any, ...]:
    if isinstance(record, Decoration):
        return ("decoration", record.motif_id, record.variant, record.metal, record.number)
    return ("mark", record.transcription) if isinstance(record, Mark) else ("", record.id)


def _turn_to(draft: Draft, said: list[Record], to_id: str) -> None:
    for record in said:
        if isinstance(record, Evidence | Opinion):
            draft.put(replace(record, about_id=to_id))
        else:
            draft.drop(record.id)


def _point_elsewhere(draft: Draft, kept_id: str, gone_id: str) -> None:
    """Pieces that were said to go with the second go with the first."""
    joined = sa.join(link, table, link.c.from_id == table.c.id)
    wanted = sa.select(table).select_from(joined)
    wanted = wanted.where(link.c.to_id == gone_id, link.c.role == "goes_with", table.c.id != kept_id)
    for piece in of_type([record_of(row) for row in draft.tx.execute(wanted)], Piece):
        turned = dict.fromkeys(kept_id if i == gone_id else i for i in piece.goes_with)
        draft.put(replace(piece, goes_with=tuple(i for i in turned if i != piece.id)))
