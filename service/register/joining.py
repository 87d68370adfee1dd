"""From a confirmed reading to the register: it becomes a piece, or joins one, as a person decides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, cast, get_args

import sqlalchemy as sa

from service import items
from service.errors import RecordConflict, RecordError
from service.register.adding import find_free_number, put_new
from service.register.draft import Draft
from service.register.forms import read_record, record_body
from service.register.meant import add_name, find_row, put_ids
from service.register.records import Decoration, KeptApart, Piece, PiecePhoto
from service.register.shelf import find_hanging, find_record, of_type
from service.register.tables import photo
from service.register.tables import record as table
from service.register.words import PhotoRole

Given = Mapping[str, Any]
MEANT_BY_LABEL = ("maker", "line")


def find_labels(tx: sa.Connection, reading_id: str) -> dict[str, Any]:
    """What a person confirmed the reading as.

    Raises
    ------
    RecordConflict
        It is not confirmed: a register holds what somebody stands for.
    """
    row = items.find_item_of_reading(tx, reading_id)
    if row is None or row._mapping["removed_at"] is not None:
        raise RecordConflict("This reading is not confirmed: confirm its motif first, then register it.")
    return items.item_json(row)


def find_piece_of_photo(tx: sa.Connection, reading_id: str) -> str | None:
    """The piece that has this reading among its photos, or None."""
    joined = sa.join(photo, table, photo.c.record_id == table.c.id)
    wanted = sa.select(table.c.id).select_from(joined)
    wanted = wanted.where(photo.c.reading_id == reading_id, table.c.kind == "piece")
    return tx.execute(wanted.limit(1)).scalar()


def put_joined(draft: Draft, reading_id: str, which: str, role: str, given: Given, new_names: bool) -> Piece:
    """Add the photo to a piece, and what it shows where that is not on record.

    Raises
    ------
    NotFound, RecordConflict, RecordError
        No such piece; the photo belongs to another; a field cannot be used.
    """
    row = find_row(draft.tx, "piece", which)
    owner = find_piece_of_photo(draft.tx, reading_id)
    if owner is not None and owner != row.id:
        raise RecordConflict("This photo belongs to another piece: correct that one first, or merge the two.")
    piece = find_record(draft.tx, "piece", row.id)
    assert isinstance(piece, Piece)
    if owner is None:
        if role not in get_args(PhotoRole):
            raise RecordError([f"role: expected {', '.join(get_args(PhotoRole))}, got {str(role)[:40]!r}"])
        photo_of_it = PiecePhoto(reading_id, cast(PhotoRole, role))
        piece = replace(piece, photos=(*piece.photos, photo_of_it))
        read_record("piece", piece.id, record_body(piece))  # it may hold too many now
        draft.put(piece)
    seen = _read_seen(draft, reading_id, piece.id, given, new_names)
    known = of_type(find_hanging(draft.tx, [piece.id]).get(piece.id, []), Decoration)
    if not any(_same_look(seen, other) for other in known):
        draft.put(seen)
    return piece


def put_as_new(draft: Draft, reading_id: str, role: str, piece: Given, seen: Given, new_names: bool) -> Piece:
    """A new piece with this photo and its decoration; number, kind, maker and line default to the labels.

    Raises
    ------
    RecordConflict, RecordError
        The photo belongs to a piece already; a field cannot be used.
    """
    if find_piece_of_photo(draft.tx, reading_id) is not None:
        raise RecordConflict("This photo belongs to a piece already.")
    labels = find_labels(draft.tx, reading_id)
    own = {name: labels[name] for name in MEANT_BY_LABEL if labels[name] and f"{name}_id" not in piece}
    if labels["piece"]:
        own["piece_kind"] = labels["piece"]
    own |= piece
    own.setdefault("number", find_free_number(draft.tx))
    more = own.pop("photos", None) or []
    if not isinstance(more, list):
        raise RecordError(["photos: expected a list"])
    photos = [{"reading_id": reading_id, "role": role}, *more]
    record = put_new(draft, "piece", {**own, "photos": photos}, new_names)
    assert isinstance(record, Piece)
    draft.put(_read_seen(draft, reading_id, record.id, seen, new_names))
    return record


def put_apart(draft: Draft, piece_id: str, others: list[str], why: str | None = None) -> list[KeptApart]:
    """Remember that a piece is none of the others."""
    known = list_kept_apart(draft.tx, piece_id)
    refused = []
    for other in others:
        if other != piece_id and other not in known:
            one, two = sorted((piece_id, other))
            refused.append(KeptApart(items.new_id(), one, two, why))
            draft.put(refused[-1])
    return refused


def list_kept_apart(tx: sa.Connection, piece_id: str) -> dict[str, str]:
    """Pieces that this one was refused to be merged with, and the record that says so."""
    either = sa.or_(table.c.piece_id == piece_id, table.c.about_id == piece_id)
    wanted = sa.select(table.c.id, table.c.piece_id, table.c.about_id)
    wanted = wanted.where(either, table.c.kind == "kept_apart", table.c.removed_at.is_(None))
    return {two if one == piece_id else one: record_id for record_id, one, two in tx.execute(wanted)}


def _read_seen(draft: Draft, reading_id: str, piece_id: str, given: Given, new_names: bool) -> Decoration:
    """The decoration as confirmed, with what the person adds to it now."""
    labels = find_labels(draft.tx, reading_id)
    held = {name: labels[name] for name in ("variant", "metal", "state")}
    held |= {"number": labels["decoration_number"], "reading_id": reading_id, "piece_id": piece_id}
    if "motif" not in given and "motif_id" not in given:
        held["motif_id"] = add_name(draft, "motif", labels["motif"])  # confirmed, so the gallery knows it
    try:
        record = read_record(
            "decoration", items.new_id(), put_ids(draft, "decoration", held | dict(given), new_names)
        )
    except RecordError as error:
        raise RecordError([f"decoration.{fault}" for fault in error.faults]) from error
    assert isinstance(record, Decoration)
    return record


def _same_look(one: Decoration, other: Decoration) -> bool:
    """The new one says nothing that the other does not."""
    told = ("motif_id", "variant", "metal", "number")
    return all(getattr(one, name) in (None, getattr(other, name)) for name in told)
