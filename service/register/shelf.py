"""Where records stand: their rows, their state as the log keeps it, and what hangs together."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar, cast

import sqlalchemy as sa

from service.items import fold
from service.register.forms import Body, load_record
from service.register.listed import DateCodeRule, Distributor, Line, Maker, Motif, NumberRule
from service.register.number_rules import write_number_key
from service.register.records import Record
from service.register.sightings import Lists
from service.register.tables import record as table

T = TypeVar("T")
State = dict[str, Any]
"""A record as the log keeps it: ``kind``, ``body`` and whether it is ``present``."""

AT_ONCE = 500  # ids in one statement: SQLite's oldest limit is 999 bound values
LIST_KINDS = ("maker", "distributor", "line", "motif", "number_rule", "date_code_rule")
NAMED = ("maker", "distributor", "line", "motif")


def in_parts(ids: Iterable[str]) -> Iterator[list[str]]:
    """The ids in parts that fit in one statement."""
    held = list(dict.fromkeys(ids))
    for start in range(0, len(held), AT_ONCE):
        yield held[start : start + AT_ONCE]


def find_rows(tx: sa.Connection, ids: Iterable[str]) -> dict[str, sa.Row[Any]]:
    """Rows by id, removed or not."""
    found: dict[str, sa.Row[Any]] = {}
    for part in in_parts(ids):
        found |= {row.id: row for row in tx.execute(sa.select(table).where(table.c.id.in_(part)))}
    return found


def state_of(row: sa.Row[Any]) -> State:
    """What the log keeps of a row."""
    return {"kind": row.kind, "body": json.loads(row.body), "present": row.removed_at is None}


def find_states(tx: sa.Connection, ids: Iterable[str]) -> dict[str, State | None]:
    """State of each id; None where there never was such a record."""
    held = list(ids)
    rows = find_rows(tx, held)
    return {i: state_of(rows[i]) if i in rows else None for i in held}


def record_of(row: sa.Row[Any]) -> Record:
    """A row as its record."""
    return load_record(row.kind, row.id, json.loads(row.body))


def find_record(tx: sa.Connection, kind: str, record_id: str) -> Record | None:
    """The present record of this kind and id, or None."""
    wanted = sa.select(table).where(
        table.c.id == record_id, table.c.kind == kind, table.c.removed_at.is_(None)
    )
    row = tx.execute(wanted).first()
    return None if row is None else record_of(row)


def list_records(tx: sa.Connection, kind: str, offset: int, limit: int) -> tuple[list[Record], int]:
    """Present records of a kind in order of number or name, and how many there are in all."""
    present = (table.c.kind == kind, table.c.removed_at.is_(None))
    total = tx.execute(sa.select(sa.func.count()).select_from(table).where(*present)).scalar_one()
    wanted = sa.select(table).where(*present).order_by(table.c.sort_key, table.c.id)
    rows = tx.execute(wanted.offset(offset).limit(limit))
    return [record_of(row) for row in rows], int(total)


def find_hanging(tx: sa.Connection, piece_ids: Iterable[str]) -> dict[str, list[Record]]:
    """Present decorations and marks of each piece, and refusals to merge it, oldest first."""
    found: dict[str, list[Record]] = {}
    for part in in_parts(piece_ids):
        wanted = sa.select(table).where(table.c.piece_id.in_(part), table.c.removed_at.is_(None))
        for row in tx.execute(wanted.order_by(table.c.added_at, table.c.id)):
            found.setdefault(row.piece_id, []).append(record_of(row))
    return found


def find_said_about(tx: sa.Connection, ids: Iterable[str]) -> dict[str, list[Record]]:
    """Present evidence and opinions about each record, and refusals to merge it, oldest first."""
    found: dict[str, list[Record]] = {}
    for part in in_parts(ids):
        wanted = sa.select(table).where(table.c.about_id.in_(part), table.c.removed_at.is_(None))
        for row in tx.execute(wanted.order_by(table.c.added_at, table.c.id)):
            found.setdefault(row.about_id, []).append(record_of(row))
    return found


def load_lists(tx: sa.Connection) -> Lists:
    """All makers, distributors, lines, motifs and rules."""
    held: dict[str, dict[str, Record]] = {kind: {} for kind in LIST_KINDS}
    wanted = sa.select(table).where(table.c.kind.in_(LIST_KINDS), table.c.removed_at.is_(None))
    for row in tx.execute(wanted.order_by(table.c.sort_key, table.c.id)):
        held[row.kind][row.id] = record_of(row)
    return Lists(
        makers=cast("Mapping[str, Maker]", held["maker"]),
        distributors=cast("Mapping[str, Distributor]", held["distributor"]),
        lines=cast("Mapping[str, Line]", held["line"]),
        motifs=cast("Mapping[str, Motif]", held["motif"]),
        number_rules=cast("Mapping[str, NumberRule]", held["number_rule"]),
        date_code_rules=cast("Mapping[str, DateCodeRule]", held["date_code_rule"]),
    )


# The columns that a record is found by.


def columns_of(kind: str, body: Body) -> dict[str, str | None]:
    """Values of the columns beside the body."""
    name = body.get("number") if kind == "piece" else body.get("name")
    if kind not in ("piece", *NAMED):
        name = None
    shown = name or body.get("prefix") or body.get("code") or body.get("transcription") or ""
    code = body.get("date_code") if kind == "mark" else None
    return {
        "key": _key(kind, name, body),
        "sort_key": natural_order(shown),
        "piece_id": body.get("piece_id") or body.get("one"),
        "about_id": body.get("about_id") or body.get("other"),
        "code": write_number_key(code) if code else None,
    }


def _key(kind: str, name: str | None, body: Body) -> str | None:
    """Folded name; two makers may each have a line of the same name."""
    if name is None:
        return None
    return f"{fold(name)}|{body.get('maker_id') or ''}" if kind == "line" else fold(name)


def names_of(kind: str, body: Body) -> set[str]:
    """Folded names under which the record can be meant."""
    if kind == "piece":
        return {fold(body["number"])}
    if kind not in NAMED:
        return set()
    return {fold(name) for name in (body["name"], *body.get("aliases", ()))}


def natural_order(text: str) -> str:
    """A key that sorts 2 before 10."""
    return re.sub(r"\d{1,12}", lambda digits: digits[0].zfill(12), fold(text))[:200]


def fold_for_search(text: str) -> str:
    """One spelling for searching: case, accents and spaces evened out."""
    apart = unicodedata.normalize("NFKD", text)
    return " ".join("".join(c for c in apart if not unicodedata.combining(c)).casefold().split())


def of_type(records: Sequence[Record], cls: type[T]) -> tuple[T, ...]:
    """Those records that are of this class."""
    return tuple(record for record in records if isinstance(record, cls))
