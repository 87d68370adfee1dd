"""What is drawn out of the records to be searched and counted: links, photos, names, texts, sightings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

import sqlalchemy as sa

from service.register import tables
from service.register.brackets import Bracket, find_bracket
from service.register.claims import collect_claims
from service.register.forms import record_body
from service.register.links import links_of, readings_of
from service.register.records import Decoration, Evidence, KeptApart, Mark, Piece, Record
from service.register.shelf import (
    NAMED,
    State,
    columns_of,
    find_hanging,
    find_rows,
    find_said_about,
    fold_for_search,
    in_parts,
    load_lists,
    names_of,
    of_type,
    record_of,
    state_of,
)
from service.register.sightings import Lists, PieceFile, Sighting

UNSEARCHED = ("_id", "_ids", "goes_with", "about_kind", "bearing", "strength", "confidence", "role")
ID_FENCE = "|"  # around an id, so that no part of one is found by chance
SEARCHED = ("piece", *NAMED, "want", "number_rule", "date_code_rule")


def draw_out(tx: sa.Connection, states: Mapping[str, State], pieces: Iterable[str]) -> None:
    """Bring everything drawn out of these records, and of these pieces, up to them."""
    _draw_links(tx, states)
    texts = {i: s for i, s in states.items() if s["kind"] in SEARCHED and s["kind"] != "piece"}
    _draw_texts(tx, texts)
    affected = {i for i, s in states.items() if s["kind"] == "piece"} | set(pieces)
    for part in in_parts(affected):
        _draw_pieces(tx, part)


def draw_all_out(tx: sa.Connection) -> None:
    """Make everything anew from the records."""
    for drawn in (tables.link, tables.photo, tables.name, tables.text, tables.sighting):
        tx.execute(sa.delete(drawn))
    ids = list(
        tx.execute(
            sa.select(tables.record.c.id).order_by(tables.record.c.added_at, tables.record.c.id)
        ).scalars()
    )
    for part in in_parts(ids):
        draw_out(tx, {i: state_of(row) for i, row in find_rows(tx, part).items()}, ())


def _draw_links(tx: sa.Connection, states: Mapping[str, State]) -> None:
    links, photos, names = [], [], []
    for record_id, state in states.items():
        if not state["present"]:
            continue
        kind, body = state["kind"], state["body"]
        links += [{"from_id": record_id, "role": r, "to_id": to} for r, _, to in links_of(kind, body)]
        for ordinal, (reading_id, role) in enumerate(readings_of(kind, body)):
            photos.append(
                {"record_id": record_id, "ordinal": ordinal, "reading_id": reading_id, "role": role}
            )
        names += [{"record_id": record_id, "key": key, "kind": kind} for key in names_of(kind, body)]
    _replace(tx, tables.link, tables.link.c.from_id, states, links)
    _replace(tx, tables.photo, tables.photo.c.record_id, states, photos)
    _replace(tx, tables.name, tables.name.c.record_id, states, names)


def _replace(
    tx: sa.Connection, table: sa.Table, owner: sa.Column[Any], ids: Iterable[str], rows: list[dict[str, Any]]
) -> None:
    for part in in_parts(ids):
        tx.execute(sa.delete(table).where(owner.in_(part)))
    if rows:
        tx.execute(sa.insert(table), rows)


def _draw_texts(tx: sa.Connection, states: Mapping[str, State]) -> None:
    rows = []
    for record_id, state in states.items():
        if state["present"]:
            columns = columns_of(state["kind"], state["body"])
            pointed = _fence(to for _, _, to in links_of(state["kind"], state["body"]))
            rows.append(_text_row(record_id, state["kind"], columns, _words(state["body"]), pointed, []))
    _replace(tx, tables.text, tables.text.c.record_id, states, rows)


def _text_row(
    record_id: str,
    kind: str,
    columns: Mapping[str, str | None],
    said: list[str],
    pointed: str,
    private: list[str],
) -> dict[str, Any]:
    return {
        "record_id": record_id,
        "kind": kind,
        "key": columns["key"],
        "sort_key": columns["sort_key"],
        "text": "\n".join(said),
        "pointed": pointed,
        "private_text": "\n".join(private),
    }


def _fence(ids: Iterable[str | None]) -> str:
    return "".join(f"{ID_FENCE}{record_id}{ID_FENCE}" for record_id in dict.fromkeys(ids) if record_id)


def _words(body: Any, field: str = "") -> list[str]:
    """Every text in a body, folded, one a line; ids and what is private left out."""
    if isinstance(body, str):
        return [] if field.endswith(UNSEARCHED) else _spellings(body, field)
    if isinstance(body, list):
        return [word for entry in body for word in _words(entry, field)]
    if isinstance(body, dict):
        return [
            word for name, value in sorted(body.items()) if name != "private" for word in _words(value, name)
        ]
    return []


def _spellings(text: str, field: str) -> list[str]:
    """The folded text; a number also without its dashes and spaces, as people type it."""
    folded = fold_for_search(text)
    close = "".join(filter(str.isalnum, folded))
    return (
        [folded, close]
        if field in ("number", "prefix", "date_code", "code") and close != folded
        else [folded]
    )


def _draw_pieces(tx: sa.Connection, ids: list[str]) -> None:
    """Text and sightings of these pieces, those that are gone left out."""
    rows = {i: row for i, row in find_rows(tx, ids).items() if row.removed_at is None}
    hanging = find_hanging(tx, rows)
    under = {i: [i, *(record.id for record in hanging.get(i, ()))] for i in rows}
    said = find_said_about(tx, (record_id for ids_ in under.values() for record_id in ids_))
    rules = _find_rules(tx, hanging)
    texts, sightings = [], []
    for piece_id, row in rows.items():
        piece = record_of(row)
        assert isinstance(piece, Piece)
        on_it = hanging.get(piece_id, [])
        about = [record for record_id in under[piece_id] for record in said.get(record_id, ())]
        texts.append(_piece_text(row, piece, on_it, about))
        sightings += _sightings_of(piece, on_it, about, rules)
    _replace(tx, tables.text, tables.text.c.record_id, ids, texts)
    stamp = int(tx.execute(sa.select(sa.func.max(tables.sighting.c.stamp))).scalar() or 0) + 1
    stamped = [row | {"stamp": stamp} for row in sightings]
    _replace(tx, tables.sighting, tables.sighting.c.piece_id, ids, stamped)


def _find_rules(tx: sa.Connection, hanging: Mapping[str, list[Record]]) -> Lists:
    """The lists that dates of marks are read by; none where no mark has a date code."""
    marks = (mark for records in hanging.values() for mark in of_type(records, Mark))
    return load_lists(tx) if any(mark.date_code for mark in marks) else Lists()


def _piece_text(row: sa.Row[Any], piece: Piece, on_it: list[Record], about: list[Record]) -> dict[str, Any]:
    told = (record for record in (piece, *on_it, *about) if not isinstance(record, KeptApart))
    bodies = [record_body(record) for record in told]
    said = [word for body in bodies for word in _words(body)]
    ids = [piece.maker_id, piece.line_id, piece.distributor_id]
    ids += [seen.motif_id for seen in of_type(on_it, Decoration)] + [m.maker_id for m in of_type(on_it, Mark)]
    private = _words(bodies[0].get("private", {}))
    columns = {"key": row.key, "sort_key": row.sort_key}
    return _text_row(piece.id, "piece", columns, said, _fence(ids), private)


def _sightings_of(
    piece: Piece, on_it: list[Record], about: list[Record], rules: Lists
) -> list[dict[str, Any]]:
    marks, evidence = of_type(on_it, Mark), of_type(about, Evidence)
    file = PieceFile(piece, of_type(on_it, Decoration), marks, evidence, lists=rules)
    bracket = find_bracket(collect_claims(file, own_only=True))
    decorations: tuple[Decoration | None, ...] = file.decorations or (None,)
    seen = [_see(piece, decoration, bracket) for decoration in decorations]
    names = [f.name for f in fields(Sighting)]
    return [{"ordinal": n} | {name: getattr(s, name) for name in names} for n, s in enumerate(seen)]


def _see(piece: Piece, seen: Decoration | None, bracket: Bracket) -> Sighting:
    span = bracket.span
    return Sighting(
        piece_id=piece.id,
        piece_number=piece.number,
        piece_kind=piece.piece_kind,
        owned=piece.owned,
        decoration_id=seen.id if seen else None,
        motif_id=seen.motif_id if seen else None,
        variant=seen.variant if seen else None,
        metal=seen.metal if seen else None,
        line_id=piece.line_id,
        maker_id=piece.maker_id,
        distributor_id=piece.distributor_id,
        number=seen.number if seen else None,
        earliest=span.first_year if span else None,
        latest=span.last_year if span else None,
        clash=bracket.status == "conflict",
    )
