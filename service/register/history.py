"""What changed, when and by whom, out of the one log."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from service.ledger import REGISTER
from service.register.shelf import State
from service.register.tables import touch
from service.tables import change

MOST_FIELDS = 40  # of one record, and records of one entry
MOST_TEXT = 60_000  # letters of one entry that are taken apart; of a larger one only its line is told
_size = sa.func.coalesce(sa.func.length(change.c.records_after), 0)
_KEPT = ("seq", "id", "at", "who", "action", "item_id", "undoes")
COLUMNS = (
    *(change.c[name] for name in _KEPT),
    _size.label("size"),
    *(
        sa.case((_size <= MOST_TEXT, change.c[name]), else_=None).label(name)
        for name in ("records_before", "records_after")
    ),
)


def list_changes(
    tx: sa.Connection, since: str | None, record_id: str | None, offset: int, limit: int
) -> tuple[list[dict[str, Any]], int]:
    """Log entries, newest first, each with the fields that it changed, and how many there are."""
    wanted: list[sa.ColumnElement[bool]] = []
    if since is not None:
        wanted.append(change.c.at > since)
    if record_id is not None:
        wanted.append(change.c.id.in_(sa.select(touch.c.change_id).where(touch.c.record_id == record_id)))
    total = tx.execute(sa.select(sa.func.count()).select_from(change).where(*wanted)).scalar_one()
    page = sa.select(*COLUMNS).where(*wanted).order_by(change.c.seq.desc()).offset(offset).limit(limit)
    rows = list(tx.execute(page))
    undone = _find_undone(tx, [row.id for row in rows])
    return [_show(row, record_id) | {"undone_by": undone.get(row.id)} for row in rows], int(total)


def _find_undone(tx: sa.Connection, ids: list[str]) -> dict[str, str]:
    wanted = sa.select(change.c.undoes, change.c.id).where(change.c.undoes.in_(ids))
    return {row.undoes: row.id for row in tx.execute(wanted)}


def _show(row: sa.Row[Any], record_id: str | None) -> dict[str, Any]:
    before = json.loads(row.records_before) if row.records_before else {}
    after = json.loads(row.records_after) if row.records_after else {}
    shown = sorted(i for i in after if record_id in (None, i))
    return {
        "change": row.id,
        "at": row.at,
        "who": row.who,
        "action": row.action.removeprefix(REGISTER),
        "undoes": row.undoes,
        "gallery_item": row.item_id,
        "records": [_compare(i, before.get(i), after[i]) for i in shown[:MOST_FIELDS]],
        "in_full": row.size <= MOST_TEXT and len(shown) <= MOST_FIELDS,
    }


def _compare(record_id: str, before: State | None, after: State) -> dict[str, Any]:
    """The fields that differ; what is private is named but not shown."""
    was = before["body"] if before is not None and before["present"] else {}
    now = after["body"] if after["present"] else {}
    names = [name for name in sorted({*was, *now}) if was.get(name) != now.get(name)]
    fields = {n: ["…", "…"] if n == "private" else [was.get(n), now.get(n)] for n in names[:MOST_FIELDS]}
    return {"id": record_id, "kind": after["kind"], "present": after["present"], "fields": fields}
