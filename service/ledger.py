"""The append-only change log with undo, and kept answers: the store's SQL about what has happened.

One change may touch a gallery item, or several that come in together, any number of register records, or
both; it is logged, and undone, as one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service import tables
from service.errors import KeyReused, NothingToUndo, RecordError
from service.items import find_item, item_json, new_id, snapshot, update_item
from service.register.shelf import State, find_states
from service.register.tables import touch
from service.register.writing import put_states
from service.store import now

States = Mapping[str, State | None]
UNDOABLE = ("add", "confirm", "correct", "delete")
UNDO = "undo"
REGISTER = "register "  # begins the name of every change to the register
ITEMS = "items"  # in ``before`` and ``after`` of a change to several gallery items


def log_change(
    tx: sa.Connection,
    who: str,
    action: str,
    item_id: str | None,
    before: dict[str, Any] | None,
    undoes: str | None = None,
    records_before: States | None = None,
    items_before: Mapping[str, dict[str, Any] | None] | None = None,
) -> str:
    """Append one line; the state after is read from the item and the records themselves.

    ``items_before``: several gallery items as they were, None for new ones; then ``item_id`` and ``before``
    are None.
    """
    after: Any = snapshot(find_item(tx, item_id)) if item_id is not None else None
    if items_before:
        before = {ITEMS: dict(items_before)}
        after = {ITEMS: {i: snapshot(find_item(tx, i)) for i in items_before}}
    change_id = new_id()
    records_after = find_states(tx, records_before) if records_before else None
    tx.execute(
        sa.insert(tables.change).values(
            id=change_id,
            at=now(),
            who=who,
            action=action,
            item_id=item_id,
            before=json.dumps(before),
            after=json.dumps(after),
            undoes=undoes,
            records_before=json.dumps(records_before) if records_before else None,
            records_after=json.dumps(records_after) if records_after else None,
        )
    )
    if records_before:
        rows = [{"change_id": change_id, "record_id": record_id} for record_id in records_before]
        tx.execute(sa.insert(touch), rows)
    return change_id


def undo(tx: sa.Connection, change_id: str | None, who: str) -> dict[str, Any]:
    """Put everything back to what it was before one change: the named one, else the last not yet undone.

    Raises
    ------
    NothingToUndo
        There is none, it was undone already, or a later change to the same things stands in the way.
    """
    row = _find_undoable(tx, change_id)
    current = snapshot(find_item(tx, row.item_id)) if row.item_id is not None else None
    if row.item_id is not None and current != json.loads(row.after):
        raise NothingToUndo(
            f"Change {row.id} cannot be undone: the same gallery item was changed again since. "
            "Undo the later change first."
        )
    together = (json.loads(row.after) or {}).get(ITEMS, {}) if row.item_id is None else {}
    _refuse_changed_since(tx, row, together)
    records = _put_records_back(tx, row)
    for item_id in together:
        _put_item_back(tx, item_id, json.loads(row.before)[ITEMS][item_id])
    if row.item_id is not None:
        _put_item_back(tx, row.item_id, json.loads(row.before))
    undo_id = log_change(tx, who, UNDO, row.item_id, current, row.id, records, together)
    final = find_item(tx, row.item_id) if row.item_id is not None else None
    return {
        "change": undo_id,
        "undone": {"change": row.id, "action": row.action, "at": row.at},
        "in_gallery": final is not None and final._mapping["removed_at"] is None,
        "item": item_json(final) if final is not None else None,
        "records": sorted(records or ()),
    }


def _refuse_changed_since(tx: sa.Connection, row: sa.Row[Any], items: Mapping[str, Any]) -> None:
    """Items that came in together may only leave together, as they came."""
    for item_id, after in items.items():
        if snapshot(find_item(tx, item_id)) != after:
            raise NothingToUndo(
                f"Change {row.id} cannot be undone: a gallery item that came with it was changed again "
                "since. Undo the later change first."
            )


def _put_item_back(tx: sa.Connection, item_id: str, before: dict[str, Any] | None) -> None:
    if before is None or not before["present"]:
        update_item(tx, item_id, removed_at=now())
    if before is not None:
        labels = {name: value for name, value in before.items() if name != "present"}
        update_item(tx, item_id, **labels, removed_at=None if before["present"] else now())


def _put_records_back(tx: sa.Connection, row: sa.Row[Any]) -> States | None:
    """Undo what the change did to register records; returns how they were until now."""
    if row.records_after is None:
        return None
    before, after = json.loads(row.records_before), json.loads(row.records_after)
    current = find_states(tx, after)
    if current != after:
        raise NothingToUndo(
            f"Change {row.id} cannot be undone: the same records were changed again since. "
            "Undo the later change first."
        )
    try:
        put_states(tx, {i: before[i] or {**state, "present": False} for i, state in after.items()})
    except RecordError as error:
        raise NothingToUndo(f"Change {row.id} cannot be undone now: {error}.") from error
    return current


def _find_undoable(tx: sa.Connection, change_id: str | None) -> sa.Row[Any]:
    """The row to take back: a change in effect, or an undo that is named, which does the change again."""
    change = tables.change
    if change_id is None:
        row = tx.execute(_list_in_effect().order_by(change.c.seq.desc()).limit(1)).first()
        if row is None:
            raise NothingToUndo("There is no change left to undo.")
        return row
    row = tx.execute(sa.select(change).where(change.c.id == change_id)).first()
    if row is None:
        raise NothingToUndo(f"There is no change {change_id!r}: leave it out to undo the last one.")
    if row.action not in (*UNDOABLE, UNDO) and not row.action.startswith(REGISTER):
        raise NothingToUndo(f"A change of kind {row.action!r} cannot be undone.")
    last, times = row, 0
    while (later := tx.execute(sa.select(change).where(change.c.undoes == last.id)).first()) is not None:
        last, times = later, times + 1
    if times % 2:
        raise NothingToUndo(f"Change {change_id} was undone already: undo {last.id} to do it again.")
    return last


def _list_in_effect() -> sa.Select[Any]:
    """Changes that are not undone, and undos of undos, which did a change again."""
    change, other = tables.change, tables.change.alias()
    undone = sa.select(other.c.undoes).where(other.c.undoes.is_not(None))
    undos = sa.select(other.c.id).where(other.c.action == UNDO)
    kinds = sa.or_(
        change.c.action.in_(UNDOABLE), change.c.action.startswith(REGISTER), change.c.undoes.in_(undos)
    )
    return sa.select(change).where(kinds, change.c.id.not_in(undone))


# Kept answers: the same key and body give the same answer once.


def find_answer(tx: sa.Connection, key: str, fingerprint: str) -> dict[str, Any] | None:
    """The answer kept under this key.

    Raises
    ------
    KeyReused
        The key came with another request before.
    """
    answer = tables.answer
    row = tx.execute(sa.select(answer).where(answer.c.key == key)).first()
    if row is None:
        return None
    if row.fingerprint != fingerprint:
        raise KeyReused(
            "This Idempotency-Key was used before with another request: send a new key with a new request."
        )
    body: dict[str, Any] = json.loads(row.body)
    return body


def keep_answer(tx: sa.Connection, key: str, fingerprint: str, body: dict[str, Any]) -> None:
    """Keep the answer in the transaction that makes it true."""
    tx.execute(
        sa.insert(tables.answer).values(key=key, fingerprint=fingerprint, body=json.dumps(body), at=now())
    )
